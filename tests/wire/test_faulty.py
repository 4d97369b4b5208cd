"""The wire with faults equals the slow one, at any cuts."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busplay.batch import FrameBatch, WireBatch
from busplay.description.faults import (
    BitFlips,
    EarlyLane,
    ExtraEdges,
    Faults,
    LateLane,
    LostEdges,
)
from busplay.description.read_faults import wires_of
from busplay.errors import InputError
from busplay.link.layout import FrameLayout
from busplay.wire import streams
from busplay.wire.faulty import LAST_EDGE, FaultKind, FaultyWire
from busplay.wire.streams import EdgeStream, FlipStream, generator
from tests.boards import GUARDED
from tests.naive.wire import NaiveFaults, sample
from tests.receiver.wires import every_symbol, idle_batch, random_words
from tests.strategies import links
from tests.wire.plans import plans

EDGE_HZ = 1_000_000_000  # a nanosecond is an edge


@st.composite
def stretches(draw: st.DrawFn, layout: FrameLayout) -> WireBatch:
    """Draw frames with gaps, from edge 0 on."""
    slot = layout.slot_symbols
    random = np.random.default_rng(draw(st.integers(0, 1 << 32)))
    count = draw(st.integers(0, 12))
    grid = slot if layout.link.start == "slot" else layout.link.edges_per_cycle
    gaps = random.choice([0, 0, 1, 2, 3, 9], count) * grid
    step = -(-slot // grid) * grid
    edges = np.cumsum(gaps) + np.arange(count) * step
    stop = (int(edges[-1]) + step if count else 0) + draw(st.integers(0, 6)) * step
    words = FrameBatch(edges.astype(np.uint64), random_words(layout, count, random))
    return WireBatch.of_words(words, first_edge=0, stop_edge=stop)


def places_to_cut(batch: WireBatch, layout: FrameLayout) -> list[int]:
    """List edges at which a pipeline may cut: on the slot grid, never within a frame."""
    slot = layout.slot_symbols
    grid = slot if layout.link.start == "slot" else layout.link.edges_per_cycle
    taken = {int(edge) + one for edge in batch.words.edge for one in range(1, slot)}
    return [edge for edge in range(grid, batch.stop_edge, grid) if edge not in taken]


def sampled(parts: list[WireBatch], layout: FrameLayout) -> list[tuple[int, int]]:
    found = []
    for part in parts:
        edges = range(part.first_edge, part.stop_edge)
        found += list(zip(edges, every_symbol(part, layout).tolist(), strict=True))
    return found


def naive_faults(plan: Faults, wires: int, stop: int) -> NaiveFaults:
    """Return the faults by edge, from the streams, which have tests of their own."""
    faults = NaiveFaults()
    for index, flips in enumerate(plan.bit_flips):
        stream = FlipStream(
            generator(plan.seed, 0, index),
            generator(plan.seed, 1, index),
            flips.ratio,
            wires=flips.lanes or tuple(range(wires)),
            burst_edges=flips.burst_edges,
            burst_ratio=flips.burst_ratio,
            first_edge=flips.span.first_ns,
            stop_edge=flips.span.stop_ns or streams.NEVER,
        )
        hits = stream.take(stop)
        for edge, mask in zip(hits.edge.tolist(), hits.mask.tolist(), strict=True):
            faults.flips += [(edge, wire) for wire in range(wires) if mask >> wire & 1]
    for stuck in plan.stuck_lanes:
        end = stop if stuck.span.stop_ns is None else stuck.span.stop_ns
        faults.stuck.append((stuck.span.first_ns, end, stuck.lane, stuck.level))

    def edges(
        kind: int, index: int, fault: LateLane | EarlyLane | LostEdges | ExtraEdges
    ) -> list[int]:
        stream = EdgeStream(
            generator(plan.seed, kind, index),
            fault.ratio,
            first_edge=fault.span.first_ns,
            stop_edge=fault.span.stop_ns or streams.NEVER,
            at_edges=getattr(fault, "at_edges", ()),
        )
        return stream.take(stop).tolist()

    for index, late in enumerate(plan.late_lanes):
        faults.late |= {(edge, late.lane) for edge in edges(2, index, late)}
    for index, early in enumerate(plan.early_lanes):
        faults.early |= {(edge, early.lane) for edge in edges(5, index, early)}
    for index, lost in enumerate(plan.lost_edges):
        for edge in edges(3, index, lost):
            faults.lost |= {one for one in range(edge, edge + lost.count) if one < stop}
    for index, extra in enumerate(plan.extra_edges):
        faults.extra |= set(edges(4, index, extra))
    return faults


@given(st.data())
@settings(max_examples=150)
def test_receiver_samples_the_slow_wire_s_symbols_at_any_cuts(data: st.DataObject) -> None:
    layout = FrameLayout(data.draw(links()))
    plan = data.draw(plans(layout.link))
    batch = data.draw(stretches(layout))
    sent, wires = every_symbol(batch, layout).tolist(), wires_of(layout.link)
    # An early lane's symbol on the last edge is unknown until more is sent.
    stop = max(0, len(sent) - 1) if plan.early_lanes else len(sent)
    expected = sample(
        sent[:stop],
        naive_faults(plan, wires, stop),
        before=int(layout.idle_symbols[-1]),
        after=sent[-1] if sent else 0,
        wires=wires,
    )
    places = places_to_cut(batch, layout)
    cuts = sorted(data.draw(st.sets(st.sampled_from(places), max_size=5)) if places else [])
    wire = FaultyWire(layout, plan, edge_hz=EDGE_HZ)
    parts: list[WireBatch] = []
    log: list[tuple[int, str]] = []
    for first, stop in pairwise([0, *cuts, batch.stop_edge]):
        parts += wire.feed(batch.part(first, stop))
        some = wire.take_log()
        log += [
            (ordinal, FaultKind(kind).name)
            for ordinal, kind in zip(some.ordinal.tolist(), some.kind.tolist(), strict=True)
        ]
    assert sampled(parts, layout) == expected.samples
    assert sorted(log) == sorted(expected.faults)
    counted = Counter(kind for _, kind in expected.faults)
    assert {kind.name: count for kind, count in wire.faults_injected.items() if count} == counted


@given(st.data())
@settings(max_examples=60)
def test_streams_return_the_same_events_at_any_cuts(data: st.DataObject) -> None:
    ratio = data.draw(st.sampled_from((0.0, 1e-3, 0.05, 0.7, 1.0)))
    first = data.draw(st.integers(0, 50))
    bursts = {"wires": (0, 3, 4), "burst_edges": data.draw(st.integers(1, 12)), "first_edge": first}

    def flips() -> FlipStream:
        return FlipStream(generator(5, 0, 0), generator(5, 1, 0), ratio, **bursts)

    def edges() -> EdgeStream:
        return EdgeStream(
            generator(5, 2, 0), ratio, first_edge=first, stop_edge=900, at_edges=(3, 700, 950)
        )

    cuts = sorted({*data.draw(st.lists(st.integers(0, 1000), max_size=6)), 1000})
    whole, parted, parts = flips().take(1000), flips(), []
    for cut in cuts:
        parts.append(parted.take(cut))
        assert (parts[-1].edge < cut).all()
    found = [(int(e), int(m)) for part in parts for e, m in zip(part.edge, part.mask, strict=True)]
    assert sorted(found) == sorted(
        (int(e), int(m)) for e, m in zip(whole.edge, whole.mask, strict=True)
    )
    assert (np.diff(whole.edge) >= 0).all()
    parted_edges = edges()
    gathered = np.concatenate([parted_edges.take(cut) for cut in cuts])
    assert gathered.tolist() == edges().take(1000).tolist()
    assert (np.diff(gathered) > 0).all()


def test_fault_kind_appended_to_a_plan_does_not_change_others() -> None:
    layout = FrameLayout(GUARDED)
    plan = Faults(seed=9, bit_flips=(BitFlips(0.01),), lost_edges=(LostEdges(0.001),))
    more = replace(
        plan, bit_flips=(*plan.bit_flips, BitFlips(0.02)), late_lanes=(LateLane(1, 0.1),)
    )
    wires = wires_of(GUARDED)
    before, after = (naive_faults(one, wires, 4000) for one in (plan, more))
    assert before.lost == after.lost
    assert after.flips[: len(before.flips)] == before.flips
    assert layout.lanes == wires


def test_clean_wire_copies_nothing() -> None:
    layout = FrameLayout(GUARDED)
    words = random_words(layout, 3, np.random.default_rng(1))
    frames = FrameBatch(np.array([0, 8, 32], np.uint64), words)
    batch = WireBatch.of_words(frames, first_edge=0, stop_edge=40)
    wire = FaultyWire(layout, Faults(bit_flips=(BitFlips(0.0),)), edge_hz=EDGE_HZ)
    [part] = wire.feed(batch)
    assert part is batch
    assert sum(wire.faults_injected.values()) == 0


def test_symbols_appear_only_where_a_fault_hits() -> None:
    layout = FrameLayout(GUARDED)
    wire = FaultyWire(layout, Faults(bit_flips=(BitFlips(1e-9),)), edge_hz=EDGE_HZ)
    stop = 8 << 30  # an hour of slots
    [part] = wire.feed(idle_batch(0, stop))
    assert len(part.symbols) == wire.faults_injected[FaultKind.FLIPPED]
    assert 10 < len(part.symbols) < 100  # 43 are expected


def test_edge_past_the_last_that_can_be_counted_is_refused() -> None:
    wire = FaultyWire(FrameLayout(GUARDED), Faults(), edge_hz=EDGE_HZ)
    with pytest.raises(InputError) as caught:
        wire.feed(idle_batch(0, LAST_EDGE + 8))
    assert str(caught.value) == (
        "found link edge 144115188075855880; faults can be injected up to edge 144115188075855872"
    )
