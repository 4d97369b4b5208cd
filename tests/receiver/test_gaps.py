"""A gap in a batch stands for idle symbols: bit for bit what the spelled-out stretch gives."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busplay.batch import SymbolBatch, SymbolColumn
from busplay.description.link import Check, CheckFraming, Field, Link, StrobeFraming
from busplay.link.layout import FrameLayout
from busplay.receiver import receiver as receiver_module
from busplay.receiver.receiver import Receiver
from busplay.receiver.states import Event, State
from tests.receiver.wires import any_links, damaged_wires, frames_of, random_words


def spelled_out(batch: SymbolBatch, layout: FrameLayout) -> SymbolColumn:
    """Return every symbol of a stretch: idle on the slot grid, then the slots over it."""
    edges = np.arange(batch.first_edge, batch.stop_edge)
    wire = layout.idle_symbols[edges % layout.slot_symbols]
    for index, edge in enumerate(batch.edge.tolist()):
        slot = batch.symbols[index * layout.slot_symbols : (index + 1) * layout.slot_symbols]
        at = edge - batch.first_edge
        wire[at : at + layout.slot_symbols] = slot
    return wire


@st.composite
def gap_coded(draw: st.DrawFn, layout: FrameLayout) -> SymbolBatch:
    """Draw a stretch with gaps; its slots lie on the grid, or anywhere if the receiver may ask."""
    slot_symbols = layout.slot_symbols
    count = draw(st.integers(0, 8))
    random = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    gaps = random.choice([0, 0, 1, 2, 3, 7, 60, 400], count)
    numbers = np.cumsum(gaps) + np.arange(count) + draw(st.integers(0, 3))
    shift = draw(st.sampled_from((0, 0, 0, 1, slot_symbols - 1)))
    edges = (numbers * slot_symbols + shift).astype(np.uint64)
    symbols = layout.to_symbols(random_words(layout, count, random))
    for _ in range(draw(st.integers(0, 3)) if len(symbols) else 0):
        place = int(random.integers(0, len(symbols)))
        symbols[place] ^= layout.symbol_dtype.type(1 << int(random.integers(0, layout.lanes)))
    last = int(edges[-1]) + slot_symbols if count else 0
    stop = last + draw(st.sampled_from((0, 1, 5, 40 * slot_symbols, 431)))
    first = draw(st.integers(0, int(edges[0]) if count else stop))
    return SymbolBatch(edges, symbols, first, stop)


@given(st.data())
@settings(max_examples=150, deadline=None)
def test_gap_coded_batch_equals_spelled_out_symbols(data: st.DataObject) -> None:
    layout = FrameLayout(data.draw(any_links()))
    # What came before leaves the receiver in any state, at any alignment.
    before = data.draw(damaged_wires(layout.link))
    batch = data.draw(gap_coded(layout))
    coded, plain = Receiver(layout), Receiver(layout)
    coded.keeps_log = plain.keeps_log = True
    coded.feed_symbols(before, 0)
    plain.feed_symbols(before, 0)
    expected = plain.feed_symbols(spelled_out(batch, layout), batch.first_edge)
    assert frames_of(coded.feed(batch)) == frames_of(expected)
    assert coded.snapshot() == plain.snapshot()
    assert_same_log(coded, plain)


@given(st.data())
@settings(max_examples=40, deadline=None)
def test_frames_from_gaps_find_room_however_many(data: st.DataObject) -> None:
    # Rotated idle frames can pass on an unsound link; then a gap alone delivers frames.
    layout = FrameLayout(data.draw(any_links()))
    before = data.draw(damaged_wires(layout.link))
    nothing = np.empty(0, np.uint64), np.empty(0, layout.symbol_dtype)
    batch = SymbolBatch(*nothing, 3, 3 + 600 * layout.slot_symbols)
    coded, plain = Receiver(layout), Receiver(layout)
    coded.keeps_log = plain.keeps_log = True
    coded.feed_symbols(before, 0)
    plain.feed_symbols(before, 0)
    expected = plain.feed_symbols(spelled_out(batch, layout), batch.first_edge)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(receiver_module, "SPARE_FRAMES", data.draw(st.integers(2, 50)))
        patch.setattr(receiver_module, "LOG_ROOM", data.draw(st.integers(6, 50)))
        found = coded.feed(batch)
    assert frames_of(found) == frames_of(expected)
    assert coded.snapshot() == plain.snapshot()
    assert_same_log(coded, plain)


def assert_same_log(one: Receiver, other: Receiver) -> None:
    """Hold two logs against each other, and against the counters."""
    found, expected = one.take_log(), other.take_log()
    for column in ("kind", "edge", "first", "stop"):
        assert getattr(found, column).tolist() == getattr(expected, column).tolist(), column
    counts = [int((found.kind == kind).sum()) for kind in Event]
    seen = one.counters
    assert counts == [
        seen.checks_failed,
        seen.frames_corrected,
        seen.frames_aborted,
        seen.syncs_lost,
        seen.syncs_gained,
    ]


def link_that_locks_anywhere() -> Link:
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


def test_idle_that_passes_out_of_step_is_delivered_as_often_as_it_is_sent() -> None:
    layout = FrameLayout(link_that_locks_anywhere())
    slots = 20_000
    nothing = np.empty(0, np.uint64), np.empty(0, layout.symbol_dtype)
    receiver = Receiver(layout)
    frames = receiver.feed(SymbolBatch(*nothing, 2, 2 + slots * layout.slot_symbols))
    plain = Receiver(layout)
    wire = np.tile(layout.idle_symbols, slots + 1)[2 : 2 + slots * layout.slot_symbols]
    expected = plain.feed_symbols(wire, 2)
    assert len(frames) == len(expected) == slots - 3
    assert np.array_equal(frames.edge, expected.edge)
    assert np.array_equal(frames.word, expected.word)
    assert receiver.snapshot() == plain.snapshot()


@pytest.mark.parametrize("method", ["check", "strobe"])
def test_a_year_of_idle_takes_no_time(method: str) -> None:
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
    nothing = np.empty(0, np.uint64), np.empty(0, layout.symbol_dtype)
    receiver.feed(SymbolBatch(*nothing, 0, 1))
    year = 365 * 86_400 * 16_000_000
    # Spelled out these are 500 trillion symbols: were they run one by one, this would not end.
    receiver.feed(SymbolBatch(*nothing, 1, year))
    assert receiver.counters.symbols_fed == year
    assert receiver.state is (State.SYNC if method == "check" else State.HUNT)
    if method == "check":
        assert receiver.counters.frames_idle == year // 8 - 7
