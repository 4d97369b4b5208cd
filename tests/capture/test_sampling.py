"""Clock edges and symbols, held against the slow version, however the changes are cut."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from busplay.batch import ChangeBatch
from busplay.capture.clock import ClockFollower, ClockPlan
from busplay.capture.lane_map import LaneMap, Probe
from busplay.capture.sampling import SymbolSampler
from busplay.description.link import Edges, Field, Link, StrobeFraming
from busplay.link.layout import FrameLayout
from tests.capture.captures import changes_of
from tests.naive import capture as naive
from tests.strategies import cuts

EDGES = ("rising", "falling", "both")


def link_of(lanes: int, edges: Edges) -> Link:
    return Link(
        name="plain",
        lanes=lanes,
        edges=edges,
        fields=(Field("word", 4 * lanes),),
        framing=StrobeFraming(span="first", active="high"),
    )


@st.composite
def rows_of(draw: st.DrawFn, wires: int) -> list[tuple[int, int]]:
    gaps = draw(st.lists(st.integers(1, 40), min_size=1, max_size=60))
    rows = []
    time_ps = draw(st.integers(0, 100))
    level = draw(st.integers(0, (1 << wires) - 1))
    for gap in gaps:
        rows.append((time_ps, level))
        time_ps += gap
        level ^= draw(st.integers(1, (1 << wires) - 1))
    return rows


def parts(changes: ChangeBatch, places: list[int]) -> list[ChangeBatch]:
    return [changes[a:b] for a, b in pairwise(places)]


@given(st.data())
@settings(max_examples=150)
def test_edges_are_where_the_clock_changes_however_changes_are_cut(data: st.DataObject) -> None:
    rows = data.draw(rows_of(3))
    edges: Edges = data.draw(st.sampled_from(EDGES))
    inverted = data.draw(st.booleans())
    glitch_ps = data.draw(st.sampled_from((0, 0, 5, 20)))
    clean = naive.without_glitches(rows, 0, glitch_ps)
    expected = naive.clock_edges(clean, 0, edges, inverted=inverted)
    follower = ClockFollower(
        Probe(0, "clk", inverted), edges=edges, plan=ClockPlan(period_ps=0, glitch_ps=glitch_ps)
    )
    changes = changes_of(rows)
    found: list[int] = []
    for part in parts(changes, data.draw(cuts(len(rows)))):
        found += follower.feed(part)[0].tolist()
    found += follower.flush()[0].tolist()
    assert found == expected


@given(st.data())
@settings(max_examples=200)
def test_symbols_are_the_levels_at_each_lanes_moment_however_changes_are_cut(
    data: st.DataObject,
) -> None:
    lanes = data.draw(st.integers(1, 4))
    wires = lanes + 2
    rows = data.draw(rows_of(wires))
    edges: Edges = data.draw(st.sampled_from(EDGES))
    order = data.draw(st.permutations(range(wires)))
    flips = data.draw(st.lists(st.booleans(), min_size=wires, max_size=wires))
    offsets = data.draw(
        st.lists(st.sampled_from((-15, -3, 0, 4, 30)), min_size=lanes + 1, max_size=lanes + 1)
    )
    layout = FrameLayout(link_of(lanes, edges))
    probes = [Probe(bit, f"w{bit}", flip) for bit, flip in zip(order, flips, strict=True)]
    lane_map = LaneMap(probes[0], tuple(probes[1:-1]), probes[-1])
    expected = naive.symbols(
        rows,
        clock=order[0],
        edges=edges,
        clock_inverted=flips[0],
        lanes=[
            (probe.index, probe.inverted, offset)
            for probe, offset in zip(probes[1:], offsets, strict=True)
        ],
    )
    sampler = SymbolSampler(layout, lane_map, ClockPlan(period_ps=40), tuple(offsets))
    changes = changes_of(rows)
    found: list[int] = []
    for part in parts(changes, data.draw(cuts(len(rows)))):
        found += sampler.feed(part).symbols.tolist()
    found += sampler.flush().symbols.tolist()
    assert found == expected


@given(st.data())
@settings(max_examples=60)
def test_large_batches_give_the_same_as_small_ones(data: st.DataObject) -> None:
    random = np.random.default_rng(data.draw(st.integers(0, 2**32 - 1)))
    count = 3 * 4096 + data.draw(st.integers(0, 5000))
    times = np.cumsum(random.integers(1, 30, count)).astype(np.uint64)
    level = random.integers(0, 16, count).astype(np.uint64)
    level[1:] ^= (level[1:] == level[:-1]).astype(np.uint64)
    changes = ChangeBatch(times, level, np.zeros(count, np.uint64))
    layout = FrameLayout(link_of(2, "both"))
    lane_map = LaneMap(Probe(0, "c"), (Probe(1, "a"), Probe(2, "b")), Probe(3, "s"))
    offsets = (data.draw(st.integers(-20, 20)), 0, data.draw(st.integers(-20, 20)))

    def symbols(places: list[int]) -> tuple[list[int], int, list[int]]:
        sampler = SymbolSampler(layout, lane_map, ClockPlan(period_ps=30, resolution_ps=4), offsets)
        out: list[int] = []
        for part in parts(changes, places):
            out += sampler.feed(part).symbols.tolist()
        out += sampler.flush().symbols.tolist()
        return out, sampler.symbols_in_doubt, sampler.eye(1).tolist()

    whole = symbols([0, count])
    assert symbols(data.draw(cuts(count))) == whole
    assert symbols([*range(0, count, 3000), count]) == whole


def test_a_glitch_on_the_clock_takes_both_of_its_edges_with_it() -> None:
    rows = [(0, 0), (100, 1), (200, 0), (205, 1), (210, 0), (300, 1), (400, 0)]
    follower = ClockFollower(
        Probe(0, "clk"), edges="both", plan=ClockPlan(period_ps=100, glitch_ps=20)
    )
    edges = [*follower.feed(changes_of(rows))[0], *follower.flush()[0]]
    # The level from 200 to 205 is too short, and then 210 begins the level that was meant.
    assert edges == [100, 210, 300, 400]
    assert follower.counters.glitches == 1


def test_strobe_that_rests_while_the_clock_stands_still_gives_a_symbol() -> None:
    link = Link(
        name="spi",
        lanes=1,
        edges="rising",
        fields=(Field("word", 2),),
        framing=StrobeFraming(span="frame", active="low", gap_symbols=1),
    )
    clock, lane, select = 1, 2, 4
    rows = [(0, select), (50, 0)]
    time = 100
    for bits in ((1, 0), (1, 1)):
        for bit in bits:
            rows += [(time, lane * bit), (time + 50, lane * bit | clock)]
            time += 100
        rows += [(time, lane * bit), (time + 20, select | lane * bit), (time + 60, 0)]
        time += 100
    rows.append((time, 0))
    layout = FrameLayout(link)
    lane_map = LaneMap(Probe(0, "clk"), (Probe(1, "d"),), Probe(2, "cs"))
    sampler = SymbolSampler(layout, lane_map, ClockPlan(period_ps=100, is_gated=True), (0, 0))
    found = sampler.feed(changes_of(rows)).symbols.tolist() + sampler.flush().symbols.tolist()
    rest = 2
    # One before the first frame, one between the two; the rest behind the last has no edge yet.
    assert found == [rest, 1, 0, rest, 1, 1]
    assert sampler.rests_inserted == 2


def test_wires_that_are_neither_high_nor_low_are_counted() -> None:
    rows = changes_of([(0, 0), (10, 1), (20, 0), (30, 1), (40, 0)])
    unknown = np.array([0, 0, 2, 2, 0], np.uint64)
    changes = ChangeBatch(rows.time_ps, rows.level, unknown)
    layout = FrameLayout(link_of(1, "rising"))
    lane_map = LaneMap(Probe(0, "c"), (Probe(1, "a"),), Probe(2, "s"))
    sampler = SymbolSampler(layout, lane_map, ClockPlan(period_ps=20), (0, 0))
    sampler.feed(changes)
    sampler.flush()
    assert sampler.symbols_unknown == 1


def test_a_clock_that_is_unknown_gives_no_edge() -> None:
    rows = changes_of([(0, 0), (10, 0), (20, 1), (30, 0)])
    changes = ChangeBatch(rows.time_ps, rows.level, np.array([0, 1, 0, 0], np.uint64))
    follower = ClockFollower(Probe(0, "c"), edges="both", plan=ClockPlan(period_ps=10))
    assert [*follower.feed(changes)[0], *follower.flush()[0]] == [20, 30]


def held_strobe_rows(rest_ps: int) -> list[tuple[int, int]]:
    """Draw two frames of four clocks; between them the strobe (bit 2) rests for a time."""
    rows = [(0, 0b100), (1_000, 0b000)]
    when = 2_000
    for frame in range(2):
        for _ in range(4):
            rows += [(when, 0b001), (when + 500, 0b000)]
            when += 1_000
        if frame == 0:
            rows += [(when, 0b100), (when + rest_ps, 0b000)]
            when += rest_ps + 500
    return [*rows, (when, 0b100), (when + 1_000, 0b110)]


@given(st.sampled_from((1, 20, 124, 125, 3_000)), st.lists(st.integers(1, 22), max_size=4))
def test_a_strobe_rests_between_whole_frames_however_shortly(
    rest_ps: int, places: list[int]
) -> None:
    layout = FrameLayout(
        Link(
            name="held",
            lanes=1,
            edges="rising",
            fields=(Field("word", 4),),
            framing=StrobeFraming(span="frame", active="low", gap_symbols=1),
        )
    )
    changes = changes_of(held_strobe_rows(rest_ps))
    wires = LaneMap(Probe(0, "clk"), (Probe(1, "d"),), Probe(2, "cs"))
    # A level of the clock is 500 ps, so a shorter rest within a frame would be a glitch.
    plan = ClockPlan(period_ps=1_000, is_gated=True, glitch_ps=125)
    sampler = SymbolSampler(layout, wires, plan, (0, 0))
    bounds = [0, *sorted(set(places)), len(changes)]
    symbols: list[int] = []
    for part in parts(changes, bounds):
        symbols += sampler.feed(part).symbols.tolist()
    symbols += sampler.flush().symbols.tolist()
    assert [symbol >> 1 for symbol in symbols] == [1, 0, 0, 0, 0, 1, 0, 0, 0, 0]
    assert sampler.symbols_beyond == 0


def test_a_strobe_held_beyond_a_frame_is_counted() -> None:
    layout = FrameLayout(
        Link(
            name="held",
            lanes=1,
            edges="rising",
            fields=(Field("word", 3),),
            framing=StrobeFraming(span="frame", active="low", gap_symbols=1),
        )
    )
    wires = LaneMap(Probe(0, "clk"), (Probe(1, "d"),), Probe(2, "cs"))
    plan = ClockPlan(period_ps=1_000, is_gated=True, glitch_ps=125)
    sampler = SymbolSampler(layout, wires, plan, (0, 0))
    sampler.feed(changes_of(held_strobe_rows(3_000)))
    sampler.flush()
    assert sampler.symbols_beyond == 2
