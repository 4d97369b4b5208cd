"""Words, idle time and runs: bit for bit the same as symbol by symbol."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busplay.batch import FrameBatch, WireBatch
from busplay.description.link import Check, CheckFraming, Field, Link, StrobeFraming
from busplay.link.layout import FrameLayout
from busplay.receiver import receiver as receiver_module
from busplay.receiver.receiver import Receiver
from busplay.receiver.states import LogKind, State
from tests.receiver.wires import (
    any_links,
    can_correct,
    damaged_wires,
    every_symbol,
    frames_of,
    idle_batch,
    random_words,
)


@st.composite
def stretches(draw: st.DrawFn, layout: FrameLayout) -> WireBatch:
    """Draw words, idle time and runs; slots on the grid, or anywhere."""
    slot_symbols = layout.slot_symbols
    count = draw(st.integers(0, 8))
    random = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    gaps = random.choice([0, 0, 1, 2, 3, 7, 60, 400], count)
    numbers = np.cumsum(gaps) + np.arange(count) + draw(st.integers(0, 3))
    shift = draw(st.sampled_from((0, 0, 0, 1, slot_symbols - 1)))
    edges = (numbers * slot_symbols + shift).astype(np.uint64)
    words = random_words(layout, count, random)
    noise = random.integers(0, 2**63, count).astype(np.uint64) << np.uint64(1)
    is_noise = random.random(count) < draw(st.sampled_from((0, 0, 0.3)))
    words[is_noise] = noise[is_noise] & np.uint64((1 << layout.frame_bits) - 1)
    last = int(edges[-1]) + slot_symbols if count else 0
    stop = last + draw(st.sampled_from((0, 1, 5, 40 * slot_symbols, 431)))
    first = draw(st.integers(0, int(edges[0]) if count else stop))
    if count and draw(st.booleans()):
        # A part that begins or ends within a slot.
        first = draw(st.integers(first, min(stop, int(edges[0]) + slot_symbols)))
        stop = draw(st.integers(max(first, int(edges[-1])), stop))
    run_edge, run_first, symbols = [], [0], []
    at = first
    for _ in range(draw(st.sampled_from((0, 0, 1, 3, 8)))):
        at += int(random.choice([0, 1, 2, slot_symbols, 10 * slot_symbols]))
        length = int(random.choice([1, 1, 2, slot_symbols, 3 * slot_symbols]))
        if at + length > stop:
            break
        run_edge.append(at)
        wires = layout.lanes + bool(layout.strobe_mask)
        symbols += random.integers(0, 1 << wires, length).tolist()
        run_first.append(len(symbols))
        at += length
    plain = WireBatch(
        FrameBatch(edges, words),
        np.array(run_edge, np.int64),
        np.array(run_first, np.int64),
        np.array(symbols, layout.symbol_dtype),
        first,
        stop,
    )
    sent = every_symbol(replace(plain, run_edge=np.array(run_edge, np.int64) + (1 << 40)), layout)
    if draw(st.booleans()):
        # Runs that differ from the wire's own symbols in one bit.
        for edge, begin in zip(run_edge, run_first, strict=False):
            length = run_first[run_first.index(begin) + 1] - begin
            plain.symbols[begin : begin + length] = sent[edge - first : edge - first + length]
            plain.symbols[begin] ^= layout.symbol_dtype.type(1 << int(random.integers(0, wires)))
    return plain


@given(st.data())
@settings(max_examples=300, deadline=None)
def test_words_idle_time_and_runs_equal_their_symbols(data: st.DataObject) -> None:
    layout = FrameLayout(data.draw(any_links()))
    # The symbols before leave the receiver in any state, at any alignment.
    before = data.draw(damaged_wires(layout.link))
    batch = data.draw(stretches(layout))
    is_corrected = can_correct(layout) and data.draw(st.booleans())
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(receiver_module, "SPAN_ROOM", data.draw(st.sampled_from((1, 2, 1 << 14))))
        coded, plain = (Receiver(layout, correct_one_bit=is_corrected) for _ in range(2))
    coded.keeps_log = plain.keeps_log = True
    coded.feed_symbols(before, 0)
    plain.feed_symbols(before, 0)
    expected = plain.feed_symbols(every_symbol(batch, layout), batch.first_edge)
    cut = data.draw(st.none() | st.integers(batch.first_edge, batch.stop_edge))
    if cut is None:
        found = frames_of(coded.feed(batch))
    else:
        parts = batch.part(batch.first_edge, cut), batch.part(cut, batch.stop_edge)
        found = [frame for part in parts for frame in frames_of(coded.feed(part))]
    assert found == frames_of(expected)
    assert coded.snapshot() == plain.snapshot()
    assert_same_log(coded, plain)


@given(st.data())
@settings(max_examples=40, deadline=None)
def test_any_number_of_frames_from_gaps_finds_room(data: st.DataObject) -> None:
    # Rotated idle frames can pass on an unsound link; then a gap alone delivers frames.
    layout = FrameLayout(data.draw(any_links()))
    before = data.draw(damaged_wires(layout.link))
    batch = idle_batch(3, 3 + 600 * layout.slot_symbols)
    coded, plain = Receiver(layout), Receiver(layout)
    coded.keeps_log = plain.keeps_log = True
    coded.feed_symbols(before, 0)
    plain.feed_symbols(before, 0)
    expected = plain.feed_symbols(every_symbol(batch, layout), batch.first_edge)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(receiver_module, "SPARE_FRAMES", data.draw(st.integers(2, 50)))
        patch.setattr(receiver_module, "LOG_ROOM", data.draw(st.integers(6, 50)))
        found = coded.feed(batch)
    assert frames_of(found) == frames_of(expected)
    assert coded.snapshot() == plain.snapshot()
    assert_same_log(coded, plain)


def assert_same_log(one: Receiver, other: Receiver) -> None:
    """Compare two logs with each other, and with the counters."""
    found, expected = one.take_log(), other.take_log()
    for column in ("kind", "edge", "first", "stop"):
        assert getattr(found, column).tolist() == getattr(expected, column).tolist(), column
    counts = [int((found.kind == kind).sum()) for kind in LogKind]
    seen = one.counters
    assert counts == [
        seen.checks_failed,
        seen.frames_corrected,
        seen.frames_aborted,
        seen.syncs_lost,
        seen.syncs_gained,
    ]


def link_that_syncs_anywhere() -> Link:
    """Make a link whose idle frames pass at every alignment: its check has no XOR."""
    return Link(
        name="anywhere",
        lanes=1,
        edges="both",
        fields=(Field("data", 4), Field("check", 1)),
        framing=CheckFraming(confirm_frames=2, release_frames=3),
        check=Check("check", "custom", 1, 0, 0, covers=("data",)),
        idle={"data": 9},
    )


def test_idle_that_passes_in_false_sync_is_delivered_as_often_as_it_is_sent() -> None:
    layout = FrameLayout(link_that_syncs_anywhere())
    slots = 20_000
    receiver = Receiver(layout)
    frames = receiver.feed(idle_batch(2, 2 + slots * layout.slot_symbols))
    plain = Receiver(layout)
    wire = np.tile(layout.idle_symbols, slots + 1)[2 : 2 + slots * layout.slot_symbols]
    expected = plain.feed_symbols(wire, 2)
    assert len(frames) == len(expected) == slots - 3
    assert np.array_equal(frames.edge, expected.edge)
    assert np.array_equal(frames.word, expected.word)
    assert receiver.snapshot() == plain.snapshot()


@pytest.mark.parametrize("method", ["check", "strobe"])
def test_a_year_of_idle_is_skipped(method: str) -> None:
    link = Link(
        name="quiet",
        lanes=4,
        edges="both",
        fields=(Field("space", 2), Field("address", 16), Field("data", 8), Field("check", 6)),
        framing=CheckFraming(),
        check=Check("check", "custom", 3, 0, 0x15, covers=("space", "address", "data")),
    )
    if method == "strobe":
        link = replace(link, framing=StrobeFraming())
    layout = FrameLayout(link)
    receiver = Receiver(layout)
    receiver.feed(idle_batch(0, 1))
    year = 365 * 86_400 * 16_000_000
    # Expanded, these are 500 trillion symbols, far too many to run one by one.
    receiver.feed(idle_batch(1, year))
    assert receiver.counters.symbols_fed == year
    assert receiver.state is (State.SYNC if method == "check" else State.HUNT)
    if method == "check":
        assert receiver.counters.frames_idle == year // 8 - 7
