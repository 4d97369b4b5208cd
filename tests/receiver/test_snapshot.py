"""Snapshots of a receiver round trip; others are refused by register."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busplay.batch import FrameBatch, WireBatch
from busplay.link.layout import FrameLayout
from busplay.receiver import registers as places
from busplay.receiver.receiver import Receiver
from tests.boards import GUARDED
from tests.receiver.wires import random_words
from tests.strategies import links

LAYOUT = FrameLayout(GUARDED)


def at_work(layout: FrameLayout, symbols: int, seed: int = 1) -> Receiver:
    """Return a receiver after idle frames and some random ones."""
    receiver = Receiver(layout)
    words = random_words(layout, 6, np.random.default_rng(seed))
    idle = np.tile(layout.idle_symbols, 20)
    sent = np.concatenate([idle, layout.to_symbols(words)])
    receiver.feed_symbols(sent[: len(idle) + symbols].astype(layout.symbol_dtype), 0)
    return receiver


@given(st.data())
@settings(max_examples=60)
def test_every_receiver_restores_its_own_snapshot(data: st.DataObject) -> None:
    layout = FrameLayout(data.draw(links()))
    receiver = at_work(layout, data.draw(st.integers(0, 5 * layout.slot_symbols)))
    again = Receiver(layout)
    again.restore(receiver.snapshot())
    assert again.snapshot() == receiver.snapshot()


@given(st.data())
@settings(max_examples=150)
def test_damaged_snapshot_is_refused_or_harmless(data: st.DataObject) -> None:
    layout = FrameLayout(data.draw(links()))
    registers = np.frombuffer(at_work(layout, 3).snapshot(), "<i8").copy()
    numbers = st.integers(-(1 << 63), (1 << 63) - 1) | st.integers(-3, 80)
    for place in data.draw(st.lists(st.integers(0, len(registers) - 1), min_size=1, max_size=3)):
        registers[place] = data.draw(numbers)
    receiver = Receiver(layout)
    before = receiver.snapshot()
    try:
        receiver.restore(registers.tobytes())
    except ValueError:
        assert receiver.snapshot() == before
        return
    slot = layout.slot_symbols
    first = slot * (1 << 20)
    edges = np.array([first + slot, first + 9 * slot], np.uint64)
    words = random_words(layout, 2, np.random.default_rng(1))
    batch = FrameBatch(edges, words)
    stop = first + 40 * slot
    frames = receiver.feed(WireBatch.of_words(batch, first_edge=first, stop_edge=stop))
    assert len(frames) <= 42
    assert receiver.counters.symbols_fed >= 40 * slot


@pytest.mark.parametrize(
    ("place", "value", "message"),
    [
        (places.STATE, 3, "a state of 3, not 0 to 2"),
        (places.POSITION, 8, "a position in the frame of 8, not 0 to 7"),
        (places.POSITION, -1, "a position in the frame of -1, not 0 to 7"),
        (places.INVALID_RUN, 7, "a run of invalid frames of 7, not 0 to 6"),
        (places.EXPECTED, 16, "an expected sequence number of 16, not -1 to 15"),
        (places.WINDOW, 1 << 40, "a window of 10000000000, which has more bits than a frame"),
        (places.CHECKS_FAILED, -2, "a count of -2"),
        (places.FRAMES_IDLE, 5, "163 symbols fed, of which 99 are counted"),
    ],
)
def test_impossible_register_is_named(place: int, value: int, message: str) -> None:
    registers = np.frombuffer(at_work(LAYOUT, 3).snapshot(), "<i8").copy()
    registers[place] = value
    with pytest.raises(ValueError) as caught:  # noqa: PT011 - the message is held below
        Receiver(LAYOUT).restore(registers.tobytes())
    assert str(caught.value) == message
