from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busplay.batch import FrameBatch, SymbolBatch
from busplay.description.board import Board
from busplay.description.link import Field, Link, StrobeFraming
from busplay.link.layout import FrameLayout
from busplay.sender.encoder import Encoder
from busplay.sender.expander import SymbolExpander, expand, expand_all
from tests.boards import GUARDED, LEAN
from tests.naive import layout as naive
from tests.strategies import boards_for, links, store_batches


def sent(board: Board, data: st.DataObject) -> tuple[FrameLayout, FrameBatch, int]:
    """Send drawn stores, not so late that the wire could not be written out."""
    batch = data.draw(store_batches(board, latest=100))
    encoder = Encoder(board)
    stop_cycle = int(batch.cycle[-1]) + 1 if len(batch) else 3
    frames = encoder.feed(batch, stop_cycle=stop_cycle)
    return encoder.layout, frames, encoder.settled_edge


def naive_wire(link: Link, frames: FrameBatch, first_edge: int, stop_edge: int) -> list[int]:
    """Write the wire out: idle slots side by side, then each frame over them."""
    idle = naive.idle_slot(link)
    wire = [idle[edge % len(idle)] for edge in range(stop_edge)]
    bits_count = sum(one.bits for one in link.fields)
    for edge, word in zip(frames.edge.tolist(), frames.word.tolist(), strict=True):
        bits = [int(bit) for bit in f"{word:0{bits_count}b}"]
        wire[edge : edge + len(idle)] = naive.slot_symbols(link, bits)
    return wire[first_edge:]


@settings(deadline=None)
@given(links(), st.lists(st.integers(0, 2**64 - 1), max_size=6))
def test_spelled_slots_are_those_of_the_layout(link: Link, numbers: list[int]) -> None:
    layout = FrameLayout(link)
    slot = layout.slot_symbols
    words = np.array([one & (1 << layout.frame_bits) - 1 for one in numbers], np.uint64)
    edges = np.arange(len(words), dtype=np.uint64) * np.uint64(2 * slot)
    batch = SymbolExpander(layout).expand(
        FrameBatch(edges, words), first_edge=0, stop_edge=2 * slot * len(words)
    )
    assert batch.symbols.tolist() == layout.to_symbols(words).tolist()
    assert batch.symbols.dtype == layout.symbol_dtype
    assert batch.edge.tolist() == edges.tolist()


@settings(deadline=None)
@given(st.data())
def test_whole_wire_is_that_written_out_edge_by_edge(data: st.DataObject) -> None:
    link = data.draw(links())
    layout, frames, stop_edge = sent(data.draw(boards_for(link)), data)
    batch = expand(frames, layout, first_edge=0, stop_edge=stop_edge)
    assert expand_all(batch, layout).tolist() == naive_wire(link, frames, 0, stop_edge)


@settings(deadline=None)
@given(st.data())
def test_stretches_of_the_wire_join_without_a_seam(data: st.DataObject) -> None:
    link = data.draw(links())
    layout, frames, stop_edge = sent(data.draw(boards_for(link)), data)
    cut = data.draw(st.integers(0, len(frames)))
    slot = layout.slot_symbols
    seam = int(frames.edge[cut - 1]) + slot if cut else 0
    head = FrameBatch(frames.edge[:cut], frames.word[:cut])
    tail = FrameBatch(frames.edge[cut:], frames.word[cut:])
    parts = [
        expand_all(expand(head, layout, first_edge=0, stop_edge=seam), layout),
        expand_all(expand(tail, layout, first_edge=seam, stop_edge=stop_edge), layout),
    ]
    whole = expand(frames, layout, first_edge=0, stop_edge=stop_edge)
    assert np.concatenate(parts).tolist() == expand_all(whole, layout).tolist()


def test_gap_between_slots_is_not_spelled() -> None:
    layout = FrameLayout(LEAN)
    word = layout.pack(space=1, address=0x1234, data=0x56)
    frames = FrameBatch(np.array([8_000_000], np.uint64), word)
    batch = expand(frames, layout, first_edge=0, stop_edge=16_000_000)
    assert batch.symbols.tolist() == [4, 1, 2, 3, 4, 5, 6, 5]
    assert (batch.first_edge, batch.stop_edge) == (0, 16_000_000)


def test_stretch_may_begin_within_an_idle_slot() -> None:
    layout = FrameLayout(LEAN)
    nothing = SymbolBatch(np.empty(0, np.uint64), np.empty(0, np.uint8), 5, 18)
    assert expand_all(nothing, layout).tolist() == [0, 0, 5, 0, 0, 0, 0, 0, 0, 0, 5, 0, 0]


def test_stretch_of_no_edges_has_no_symbols() -> None:
    layout = FrameLayout(LEAN)
    batch = expand(FrameBatch.empty(), layout, first_edge=8, stop_edge=8)
    assert len(expand_all(batch, layout)) == 0


def test_slot_of_an_odd_number_of_symbols_is_spelled() -> None:
    fields = (Field("address", 4), Field("data", 8))
    layout = FrameLayout(Link("odd", 4, "rising", fields, StrobeFraming()))
    word = layout.pack(address=1, data=0x23)
    frames = FrameBatch(np.array([3], np.uint64), word)
    batch = expand(frames, layout, first_edge=0, stop_edge=9)
    assert expand_all(batch, layout).tolist() == [0, 0, 0, 0x11, 2, 3, 0, 0, 0]


def test_symbols_of_sixteen_lanes_and_a_strobe_take_32_bits() -> None:
    fields = (Field("address", 16), Field("data", 16))
    layout = FrameLayout(Link("wide", 16, "rising", fields, StrobeFraming()))
    word = layout.pack(address=0x1234, data=0x5678)
    frames = FrameBatch(np.array([0], np.uint64), word)
    batch = expand(frames, layout, first_edge=0, stop_edge=2)
    assert batch.symbols.tolist() == [0x11234, 0x5678]
    assert batch.symbols.dtype == np.uint32


def test_slot_that_is_not_within_the_stretch_is_a_mistake_of_the_caller() -> None:
    layout = FrameLayout(GUARDED)
    frames = FrameBatch(np.array([16], np.uint64), layout.pack(space=1))
    for first_edge, stop_edge in [(24, 48), (0, 16)]:
        with pytest.raises(ValueError, match="slots from edge 16 to 24 are not within edges"):
            expand(frames, layout, first_edge=first_edge, stop_edge=stop_edge)


def test_stretch_off_the_slot_grid_is_a_mistake_of_the_caller() -> None:
    layout = FrameLayout(GUARDED)
    with pytest.raises(ValueError, match="edges 0 to 20 are no whole slots of 8"):
        expand(FrameBatch.empty(), layout, first_edge=0, stop_edge=20)
