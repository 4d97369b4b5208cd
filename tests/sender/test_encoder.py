from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busplay.batch import FrameBatch, StoreBatch
from busplay.description.board import Board, Sender, Window
from busplay.description.link import Field, Link, StrobeFraming
from busplay.errors import FieldError, InputError
from busplay.sender.encoder import Encoder
from tests.boards import GUARDED, LEAN, board_with
from tests.naive.sender import send_all
from tests.strategies import boards_for, cuts, links, store_batches

SERIAL = Link(
    "serial",
    1,
    "rising",
    (Field("space", 2), Field("unit", 2), Field("address", 16), Field("data", 8)),
    StrobeFraming(span="frame", active="low", gap_symbols=1),
    clock_hz=3_000_000,
    start="cycle",
)


def stores(*cycles: int, address: int = 0x4000, data: int = 0) -> StoreBatch:
    count = len(cycles)
    return StoreBatch(
        np.array(cycles, np.uint64),
        np.full(count, address, np.uint16),
        np.full(count, data, np.uint8),
    )


def pairs(frames: FrameBatch) -> list[tuple[int, int]]:
    return list(zip(frames.edge.tolist(), frames.word.tolist(), strict=True))


def part(batch: StoreBatch, first: int, stop: int) -> StoreBatch:
    return StoreBatch(batch.cycle[first:stop], batch.address[first:stop], batch.data[first:stop])


def stop_of(batch: StoreBatch) -> int:
    return int(batch.cycle[-1]) + 1 if len(batch) else 0


def feed_cut(encoder: Encoder, batch: StoreBatch, at: Iterable[int]) -> list[tuple[int, int]]:
    """Feed a batch in parts, each up to the next part's first cycle."""
    found = []
    for first, stop in pairwise(at):
        until = int(batch.cycle[stop]) if stop < len(batch) else stop_of(batch)
        found += pairs(encoder.feed(part(batch, first, stop), stop_cycle=until))
    return found


def drawn(data: st.DataObject) -> tuple[Board, StoreBatch]:
    board = data.draw(boards_for(data.draw(links())))
    return board, data.draw(store_batches(board))


@settings(deadline=None)
@given(st.data())
def test_frames_match_a_queue_with_one_server(data: st.DataObject) -> None:
    board, batch = drawn(data)
    encoder = Encoder(board)
    frames = encoder.feed(batch, stop_cycle=stop_of(batch))
    naive = send_all(board, batch)
    assert pairs(frames) == naive.frames
    counters = encoder.counters
    assert counters.stores_offered == naive.offered
    assert counters.frames_overrun == naive.overrun
    assert counters.stores_outside == naive.outside
    assert counters.frames_sent == len(naive.frames)


@settings(deadline=None, max_examples=40)
@given(st.integers(0, 1 << 32), st.sampled_from((0, 1, 2, 16)))
def test_adjacent_frames_match_a_queue_with_one_server(seed: int, depth: int) -> None:
    random = np.random.default_rng(seed)
    board = board_with(GUARDED, sender=Sender(fifo_depth=depth, lead_frames=4))
    count = 300
    # A frame takes four cycles; some stores are early, late, or outside the windows.
    gaps = random.choice([3, 4, 5, 40], count, p=[0.04, 0.9, 0.04, 0.02])
    address = np.where(random.random(count) < 0.97, random.integers(0x4000, 0xA000, count), 0)
    batch = StoreBatch(
        np.cumsum(gaps).astype(np.uint64),
        address.astype(np.uint16),
        random.integers(0, 256, count).astype(np.uint8),
    )
    naive = send_all(board, batch)
    for parts in ([0, count], [0, 7, 150, count]):
        encoder, frames = Encoder(board), []
        for first, stop in pairwise(parts):
            some = part(batch, first, stop)
            frames += pairs(encoder.feed(some, stop_cycle=stop_of(some)))
        assert frames == naive.frames
        assert encoder.counters.frames_overrun == naive.overrun


@settings(deadline=None)
@given(st.data())
def test_each_frame_and_each_loss_has_its_store(data: st.DataObject) -> None:
    board, batch = drawn(data)
    encoder = Encoder(board)
    frames, sent = [], []
    for first, stop in pairwise(data.draw(cuts(len(batch)))):
        some = part(batch, first, stop)
        frames += pairs(encoder.feed(some, stop_cycle=stop_of(some)))
        which = np.arange(len(some)) if encoder.sent_store is None else encoder.sent_store
        sent += (which + first).tolist()
    lost = encoder.take_lost()
    columns = (lost.edge, lost.cycle, lost.address, lost.data)
    assert list(zip(*(column.tolist() for column in columns), strict=True)) == (
        send_all(board, batch).lost
    )
    assert len(encoder.take_lost()) == 0
    windows = board.windows
    inside = [
        index
        for index, address in enumerate(batch.address.tolist())
        if any(one.first_address <= address <= one.last_address for one in windows)
    ]
    assert len(sent) == len(frames)
    assert sent == sorted(set(sent))
    assert set(sent) <= set(inside)
    assert len(sent) + len(lost) == len(inside)
    data_of = encoder.layout.unpack_field(np.array([word for _, word in frames], np.uint64), "data")
    assert data_of.tolist() == batch.data[sent].tolist()


@settings(deadline=None)
@given(st.data())
def test_cutting_the_stores_changes_nothing(data: st.DataObject) -> None:
    board, batch = drawn(data)
    whole = Encoder(board)
    wanted = pairs(whole.feed(batch, stop_cycle=stop_of(batch)))
    one_by_one = Encoder(board)
    assert feed_cut(one_by_one, batch, range(len(batch) + 1)) == wanted
    cut = Encoder(board)
    assert feed_cut(cut, batch, data.draw(cuts(len(batch)))) == wanted
    assert whole.counters == one_by_one.counters == cut.counters


@settings(deadline=None)
@given(st.data())
def test_offered_is_sent_plus_lost(data: st.DataObject) -> None:
    board, batch = drawn(data)
    encoder = Encoder(board)
    encoder.feed(batch, stop_cycle=stop_of(batch))
    counters = encoder.counters
    assert counters.stores_offered == counters.frames_sent + counters.frames_overrun
    assert counters.stores_offered + counters.stores_outside == len(batch)


@settings(deadline=None)
@given(st.data())
def test_no_later_frame_starts_before_the_settled_edge(data: st.DataObject) -> None:
    board, batch = drawn(data)
    cut = data.draw(st.integers(0, len(batch)))
    encoder = Encoder(board)
    until = int(batch.cycle[cut]) if cut < len(batch) else stop_of(batch)
    first = encoder.feed(part(batch, 0, cut), stop_cycle=until)
    settled = encoder.settled_edge
    slot = encoder.layout.slot_symbols
    assert settled % encoder.grid_edges == 0
    if len(first):
        assert int(first.edge[-1]) + slot <= settled
    later = encoder.feed(part(batch, cut, len(batch)), stop_cycle=stop_of(batch))
    if len(later):
        assert int(later.edge[0]) >= settled
    assert encoder.settled_edge >= settled


@settings(deadline=None)
@given(st.data())
def test_restored_encoder_continues_as_the_first(data: st.DataObject) -> None:
    board, batch = drawn(data)
    cut = data.draw(st.integers(0, len(batch)))
    encoder = Encoder(board)
    head, tail = part(batch, 0, cut), part(batch, cut, len(batch))
    encoder.feed(head, stop_cycle=stop_of(head))
    state = encoder.snapshot()
    wanted = pairs(encoder.feed(tail, stop_cycle=stop_of(batch)))
    after = encoder.snapshot()
    other = Encoder(board)
    other.restore(state)
    assert pairs(other.feed(tail, stop_cycle=stop_of(batch))) == wanted
    encoder.restore(state)
    assert encoder.snapshot() == state
    assert other.snapshot() == after


# -- the rules


def test_frame_starts_at_the_first_slot_after_the_write_cycle() -> None:
    # A slot of `lean` is 8 edges, 4 cycles; 16 idle slots lead.
    for cycle, edge in [(0, 8), (2, 8), (3, 8), (4, 16), (7, 16), (8, 24)]:
        frames = Encoder(board_with(LEAN)).feed(stores(cycle), stop_cycle=cycle + 1)
        assert frames.edge.tolist() == [128 + edge]


def test_frame_may_start_at_any_clock_cycle_if_the_link_says_so() -> None:
    # 3 MHz against 8 MHz: cycle c ends at edge 3(c+1)/8, rounded up.
    board = board_with(SERIAL, sender=Sender(lead_frames=2))
    for cycle, edge in [(0, 1), (1, 1), (2, 2), (7, 3), (8, 4)]:
        frames = Encoder(board).feed(stores(cycle), stop_cycle=cycle + 1)
        assert frames.edge.tolist() == [2 * 29 + edge]


def test_start_on_a_clock_cycle_is_an_even_edge_where_both_edges_count() -> None:
    link = replace(SERIAL, edges="both", clock_hz=None)
    board = board_with(link, sender=Sender(lead_frames=1))
    encoder = Encoder(board)
    # A slot of 29 edges takes 15 clock cycles, and so does the lead.
    assert encoder.lead_edges == 30
    frames = encoder.feed(stores(0, 1, 2), stop_cycle=3)
    assert frames.edge.tolist() == [32, 62, 92]


def test_edges_of_an_own_clock_stay_exact_after_a_trillion_cycles() -> None:
    link = replace(SERIAL, clock_hz=2_999_999)
    encoder = Encoder(board_with(link, sender=Sender(lead_frames=0)))
    cycle = 10**12
    frames = encoder.feed(stores(cycle), stop_cycle=cycle + 1)
    wanted = -(-(cycle + 1) * 2_999_999 // 8_000_000)
    assert frames.edge.tolist() == [wanted]
    assert encoder.cycle_to_edge(cycle + 1) == wanted


def test_store_to_full_fifo_is_lost_and_counted() -> None:
    encoder = Encoder(board_with(LEAN, sender=Sender(fifo_depth=2, lead_frames=0)))
    # The first starts at edge 8, two wait for 16 and 24, the fourth finds the FIFO full.
    frames = encoder.feed(stores(0, 1, 2, 3), stop_cycle=4)
    assert frames.edge.tolist() == [8, 16, 24]
    assert encoder.counters.frames_overrun == 1


def test_frame_starting_at_the_next_store_s_earliest_edge_has_left_the_fifo() -> None:
    encoder = Encoder(board_with(LEAN, sender=Sender(fifo_depth=1, lead_frames=0)))
    # Cycles 0 and 1 start at 8 and 16. Cycle 3 can start at 8: the frame of 16 still waits.
    # Cycle 7 can start at 16: the frame of 16 has left the FIFO.
    frames = encoder.feed(stores(0, 1, 3, 7), stop_cycle=8)
    assert frames.edge.tolist() == [8, 16, 24]
    assert encoder.counters.frames_overrun == 1


def test_fifo_of_depth_0_sends_what_can_start_at_once() -> None:
    encoder = Encoder(board_with(LEAN, sender=Sender(fifo_depth=0, lead_frames=0)))
    frames = encoder.feed(stores(0, 3, 4, 8), stop_cycle=9)
    assert frames.edge.tolist() == [8, 16, 24]
    assert encoder.counters.frames_overrun == 1


def test_one_slot_in_every_n_stays_idle_on_a_busy_link() -> None:
    link = replace(LEAN, idle_every=4)
    encoder = Encoder(board_with(link, sender=Sender(fifo_depth=64, lead_frames=0)))
    frames = encoder.feed(stores(*range(0, 40, 4)), stop_cycle=40)
    slots = [1, 2, 3, 5, 6, 7, 9, 10, 11, 13]
    assert frames.edge.tolist() == [8 * slot for slot in slots]


def test_slot_that_is_idle_anyway_counts_as_the_idle_one() -> None:
    link = replace(LEAN, idle_every=3)
    encoder = Encoder(board_with(link, sender=Sender(lead_frames=0)))
    # Slots 1 and 2, no store for slot 3; slots 4 and 5, and 6 stays idle.
    frames = encoder.feed(stores(0, 4, 12, 16, 20), stop_cycle=21)
    assert frames.edge.tolist() == [8, 16, 32, 40, 56]


def test_required_idle_slot_takes_no_fifo_entry() -> None:
    link = replace(LEAN, idle_every=3)
    encoder = Encoder(board_with(link, sender=Sender(fifo_depth=3, lead_frames=0)))
    # Slots 1, 2 and, after an idle one, 4 and 5: three wait at the fifth store.
    frames = encoder.feed(stores(0, 0, 0, 0, 0), stop_cycle=1)
    assert frames.edge.tolist() == [8, 16, 32, 40]
    assert encoder.counters.frames_overrun == 1


@settings(deadline=None)
@given(st.data())
def test_any_n_slots_in_a_row_have_an_idle_one(data: st.DataObject) -> None:
    link = data.draw(links(framings=("marker", "check")))
    board = data.draw(boards_for(replace(link, idle_every=data.draw(st.integers(2, 6)))))
    batch = data.draw(store_batches(board))
    encoder = Encoder(board)
    frames = encoder.feed(batch, stop_cycle=stop_of(batch))
    busy = set((frames.edge // np.uint64(encoder.grid_edges)).tolist())
    every = board.link.idle_every
    assert every is not None
    for slot in busy:
        assert any(slot + ahead not in busy for ahead in range(every))


def test_sequence_counts_sent_frames_only() -> None:
    encoder = Encoder(board_with(GUARDED, sender=Sender(fifo_depth=1, lead_frames=0)))
    frames = encoder.feed(stores(0, 1, 2, 40, *range(80, 160, 4)), stop_cycle=160)
    numbers = encoder.layout.unpack_field(frames.word, "sequence").tolist()
    assert encoder.counters.frames_overrun == 1
    assert numbers == [i % 16 for i in range(23)]


def test_long_sequence_numbers_carry_over_bytes() -> None:
    fields = (Field("sequence", 11), Field("address", 16), Field("data", 8), Field("pad", 1))
    link = Link("long", 4, "both", fields, StrobeFraming())
    window = (Window("w", 0x4000, 0x9FFF, "panel", "memory"),)
    encoder = Encoder(board_with(link, windows=window))
    count = 5000
    frames = encoder.feed(stores(*range(0, 10 * count, 10)), stop_cycle=10 * count)
    numbers = encoder.layout.unpack_field(frames.word, "sequence")
    assert numbers.tolist() == [i % 2048 for i in range(count)]


def test_window_turns_addresses_to_offsets_units_and_spaces() -> None:
    encoder = Encoder(board_with(GUARDED))
    batch = StoreBatch(
        np.arange(0, 80, 16, dtype=np.uint64),
        np.array([0x5234, 0xA1FF, 0xA303, 0xA310, 0x3FFF], np.uint16),
        np.array([0x56, 0x80, 7, 9, 1], np.uint8),
    )
    found = encoder.layout.unpack(encoder.feed(batch, stop_cycle=80).word)
    assert found["space"].tolist() == [1, 1, 2, 2]
    assert found["unit"].tolist() == [0, 1, 0, 1]
    assert found["address"].tolist() == [0x1234, 0x1FF, 3, 0]
    assert found["data"].tolist() == [0x56, 0x80, 7, 9]
    assert encoder.counters.stores_outside == 1


def test_first_window_has_addresses_shared_by_two() -> None:
    windows = (
        Window("first", 0x4000, 0x40FF, "panel", "memory"),
        Window("second", 0x4080, 0x41FF, "sign", "memory"),
    )
    encoder = Encoder(board_with(GUARDED, windows=windows))
    batch = StoreBatch(
        np.array([0, 9], np.uint64), np.array([0x40FF, 0x4100], np.uint16), np.zeros(2, np.uint8)
    )
    found = encoder.layout.unpack(encoder.feed(batch, stop_cycle=10).word)
    assert found["unit"].tolist() == [0, 1]
    assert found["address"].tolist() == [0xFF, 0x80]


def test_two_stores_in_one_cycle_are_both_sent() -> None:
    encoder = Encoder(board_with(LEAN, sender=Sender(lead_frames=0)))
    assert encoder.feed(stores(3, 3), stop_cycle=4).edge.tolist() == [8, 16]


def test_batch_without_stores_moves_the_settled_edge() -> None:
    encoder = Encoder(board_with(LEAN, sender=Sender(lead_frames=0)))
    assert len(encoder.feed(StoreBatch.empty(), stop_cycle=100)) == 0
    assert encoder.settled_edge == 208
    assert encoder.counters.stores_offered == 0


# -- refusals


def refusal(encoder: Encoder, batch: StoreBatch, *, stop_cycle: int) -> str:
    before = encoder.snapshot()
    with pytest.raises(InputError) as caught:
        encoder.feed(batch, stop_cycle=stop_cycle)
    assert encoder.snapshot() == before
    return str(caught.value)


def test_cycles_that_fall_within_a_batch_are_refused_and_nothing_is_taken() -> None:
    assert refusal(Encoder(board_with(LEAN)), stores(5, 9, 8), stop_cycle=10) == (
        "found a store in cycle 8 behind one in 9; give stores in the order of their cycles"
    )


def test_store_before_the_end_of_the_last_batch_is_refused() -> None:
    encoder = Encoder(board_with(LEAN))
    encoder.feed(stores(5), stop_cycle=20)
    assert refusal(encoder, stores(19), stop_cycle=30) == (
        "found a store in cycle 19; the batch before reached cycle 20; give stores in the order"
        " of their cycles"
    )
    assert refusal(encoder, StoreBatch.empty(), stop_cycle=19) == (
        "found a batch up to cycle 19 behind one up to 20; give batches in the order of time"
    )


def test_store_at_or_after_the_end_of_its_batch_is_refused() -> None:
    assert refusal(Encoder(board_with(LEAN)), stores(5), stop_cycle=5) == (
        "found a store in cycle 5; this batch ends before cycle 5"
    )


def test_cycle_whose_edge_does_not_fit_is_refused() -> None:
    encoder = Encoder(board_with(LEAN, sender=Sender(fifo_depth=1, lead_frames=0)))
    last = encoder.last_cycle
    assert last == 2**62 - 12
    assert refusal(encoder, stores(last + 1), stop_cycle=last + 2) == (
        f"found cycle {last + 1}; give cycles up to {last}, the last whose edges fit 64 bits"
    )
    frames = encoder.feed(stores(last), stop_cycle=last + 1)
    assert frames.edge.tolist() == [-(-2 * (last + 1) // 8) * 8]


def test_window_that_the_link_cannot_reach_is_refused() -> None:
    fields = (Field("address", 12), Field("data", 8))
    link = Link("small", 4, "rising", fields, StrobeFraming())

    def message(window: Window) -> str:
        with pytest.raises(FieldError) as caught:
            Encoder(board_with(link, windows=(window,)))
        return str(caught.value)

    assert message(Window("far", 0x4000, 0x5000, "panel", "memory")) == (
        "window 'far': field 'address' has 12 bits; 4096 does not fit"
    )
    assert message(Window("sign", 0x4000, 0x4000, "sign", "memory")) == (
        "window 'sign': link small has no field 'unit'; its fields are address, data"
    )
    assert message(Window("registers", 0x4000, 0x4000, "panel", "registers")) == (
        "window 'registers': link small has no field 'space'; its fields are address, data"
    )
