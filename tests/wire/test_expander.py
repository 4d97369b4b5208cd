from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busplay.batch import FrameBatch
from busplay.description.board import Board
from busplay.description.link import Field, Link, StrobeFraming
from busplay.link.layout import FrameLayout
from busplay.sender.encoder import Encoder
from busplay.wire.expander import expand
from tests.boards import GUARDED, LEAN
from tests.naive import layout as naive
from tests.strategies import boards_for, links, store_batches


def sent(board: Board, data: st.DataObject) -> tuple[FrameLayout, FrameBatch, int]:
    """Send drawn stores, early enough to expand the wire."""
    batch = data.draw(store_batches(board, latest=100))
    encoder = Encoder(board)
    stop_cycle = int(batch.cycle[-1]) + 1 if len(batch) else 3
    frames = encoder.feed(batch, stop_cycle=stop_cycle)
    return encoder.layout, frames, encoder.settled_edge


def naive_wire(link: Link, frames: FrameBatch, first_edge: int, stop_edge: int) -> list[int]:
    """Expand the wire: adjacent idle slots, then each frame over them."""
    idle = naive.idle_slot(link)
    wire = [idle[edge % len(idle)] for edge in range(stop_edge)]
    bits_count = sum(one.bits for one in link.fields)
    for edge, word in zip(frames.edge.tolist(), frames.word.tolist(), strict=True):
        bits = [int(bit) for bit in f"{word:0{bits_count}b}"]
        wire[edge : edge + len(idle)] = naive.slot_symbols(link, bits)
    return wire[first_edge:]


@settings(deadline=None)
@given(st.data())
def test_expanded_wire_equals_that_made_edge_by_edge(data: st.DataObject) -> None:
    link = data.draw(links())
    layout, frames, stop_edge = sent(data.draw(boards_for(link)), data)
    symbols = expand(frames, layout, first_edge=0, stop_edge=stop_edge)
    assert symbols.tolist() == naive_wire(link, frames, 0, stop_edge)
    assert symbols.dtype == layout.symbol_dtype


@settings(deadline=None)
@given(st.data())
def test_stretches_of_the_wire_join_seamlessly(data: st.DataObject) -> None:
    link = data.draw(links())
    layout, frames, stop_edge = sent(data.draw(boards_for(link)), data)
    cut = data.draw(st.integers(0, len(frames)))
    slot = layout.slot_symbols
    seam = int(frames.edge[cut - 1]) + slot if cut else 0
    head = FrameBatch(frames.edge[:cut], frames.word[:cut])
    tail = FrameBatch(frames.edge[cut:], frames.word[cut:])
    parts = [
        expand(head, layout, first_edge=0, stop_edge=seam),
        expand(tail, layout, first_edge=seam, stop_edge=stop_edge),
    ]
    whole = expand(frames, layout, first_edge=0, stop_edge=stop_edge)
    assert np.concatenate(parts).tolist() == whole.tolist()


def test_stretch_may_begin_within_an_idle_slot() -> None:
    layout = FrameLayout(LEAN)
    symbols = expand(FrameBatch.empty(), layout, first_edge=5, stop_edge=18)
    assert symbols.tolist() == [0, 0, 5, 0, 0, 0, 0, 0, 0, 0, 5, 0, 0]


def test_stretch_of_no_edges_has_no_symbols() -> None:
    assert len(expand(FrameBatch.empty(), FrameLayout(LEAN), first_edge=8, stop_edge=8)) == 0


def test_slot_of_an_odd_number_of_symbols_is_expanded() -> None:
    fields = (Field("address", 4), Field("data", 8))
    layout = FrameLayout(Link("odd", 4, "rising", fields, StrobeFraming()))
    word = layout.pack(address=1, data=0x23)
    frames = FrameBatch(np.array([3], np.uint64), word)
    symbols = expand(frames, layout, first_edge=0, stop_edge=9)
    assert symbols.tolist() == [0, 0, 0, 0x11, 2, 3, 0, 0, 0]


def test_symbols_of_sixteen_lanes_and_a_strobe_take_32_bits() -> None:
    fields = (Field("address", 16), Field("data", 16))
    layout = FrameLayout(Link("wide", 16, "rising", fields, StrobeFraming()))
    word = layout.pack(address=0x1234, data=0x5678)
    frames = FrameBatch(np.array([0], np.uint64), word)
    symbols = expand(frames, layout, first_edge=0, stop_edge=2)
    assert symbols.tolist() == [0x11234, 0x5678]
    assert symbols.dtype == np.uint32


def test_slot_outside_the_stretch_is_the_caller_s_error() -> None:
    layout = FrameLayout(GUARDED)
    frames = FrameBatch(np.array([16], np.uint64), layout.pack(space=1))
    for first_edge, stop_edge in [(24, 48), (0, 16)]:
        message = f"slot from edge 16 in {first_edge} to {stop_edge}"
        with pytest.raises(ValueError, match=message):
            expand(frames, layout, first_edge=first_edge, stop_edge=stop_edge)
