"""Compiled loop of the sender: stores to frames.

How to think about it. `encode` carries four numbers from store to store: the edge at
which the last frame starts, the run of busy slots up to there, the sequence number, and the last
cycle. The FIFO needs no queue: a waiting frame starts exactly one slot after the one before it, or
two if a slot must stay idle, so the number waiting at an edge follows from the last start and the
run. Words are an XOR of tables (see `encoder`); the kernel knows neither fields nor checks.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from busplay.batch import Int64Column, UInt8Column, UInt16Column, UInt32Column, UInt64Column
from busplay.jit import kernel

# Indexes of `counts`.
OFFERED, SENT, OVERRUN, OUTSIDE = 0, 1, 2, 3
# Indexes of `carried`, the state from store to store.
LAST_START, ANY_SENT, SEQUENCE, LAST_CYCLE, BUSY_RUN = 0, 1, 2, 3, 4


class WordTables(NamedTuple):
    """Tables that words are made from; not to be changed.

    Attributes:
        in_window: bool[65536], or more; whether a store to an address is sent.
        address: uint64, as many; the word of a store, data and sequence being 0.
        data: uint64[256]; the word's change by the data.
        sequence: uint64[bytes, 256]; the word's change by each byte of the sequence number.
    """

    in_window: NDArray[np.bool_]
    address: UInt64Column
    data: UInt64Column
    sequence: NDArray[np.uint64]


class SenderTiming(NamedTuple):
    """Constants of link and board.

    Attributes:
        numerator, denominator: link edges in a processor cycle.
        lead_edges: edge at which cycle 0 begins.
        grid_edges: frames start at multiples of it.
        step_edges: edges from a frame's start to the earliest start of the next.
        fifo_depth: most frames that may wait.
        sequence_mask: all bits of the sequence number.
        idle_every: N, if one slot in every N stays idle; 0: none does.
    """

    numerator: np.uint64
    denominator: np.uint64
    lead_edges: np.uint64
    grid_edges: np.uint64
    step_edges: np.uint64
    fifo_depth: np.uint64
    sequence_mask: np.uint64
    idle_every: np.uint64


class EncodeRoom(NamedTuple):
    """Room for what `encode` writes; each column has one entry a store.

    Attributes:
        edge, word: uint64; every frame.
        sent_store: int64; index of each frame's store, if some store is not sent.
        lost_store, lost_edge: int64, uint64; indexes of the stores lost, and the edges at which
            they found the FIFO full.
    """

    edge: UInt64Column
    word: UInt64Column
    sent_store: Int64Column
    lost_store: Int64Column
    lost_edge: UInt64Column


@kernel
def encode(
    cycle: UInt64Column,
    address: UInt16Column | UInt32Column,
    data: UInt8Column,
    tables: WordTables,
    timing: SenderTiming,
    carried: UInt64Column,
    counts: UInt64Column,
    room: EncodeRoom,
) -> int:
    """Turn stores into frames on the grid; `encoder` has the FIFO's rule.

    Args:
        carried, counts: see the names above; changed.

    Returns:
        Count of frames written; or -1 - i: store i is before the previous one, and nothing was
        changed.
    """
    zero, one = np.uint64(0), np.uint64(1)
    grid, step, idle_every = timing.grid_edges, timing.step_edges, timing.idle_every
    last_start, any_sent = carried[LAST_START], carried[ANY_SENT] != zero
    sequence, last_cycle = carried[SEQUENCE], carried[LAST_CYCLE]
    busy_run = carried[BUSY_RUN]
    overrun = outside = zero
    sent = index = 0
    all_sent = True
    # A busy link is mostly adjacent frames, of which none waits.
    may_row = timing.denominator == one and idle_every == zero and timing.fifo_depth != zero
    while index < len(cycle):
        if may_row and all_sent and busy_run > one:
            row = _encode_row(
                cycle[index:], address[index:], data[index:], tables, timing, last_cycle,
                last_start, sequence, room.edge[sent:], room.word[sent:],
            )  # fmt: skip
            if row > 0:
                index += row
                sent += row
                last_cycle = cycle[index - 1]
                last_start += np.uint64(row) * step
                sequence = (sequence + np.uint64(row)) & timing.sequence_mask
                busy_run += np.uint64(row)
                continue
        now = cycle[index]
        if now < last_cycle:
            return -1 - index
        last_cycle = now
        where = address[index]
        store = index
        index += 1
        if not tables.in_window[where]:
            outside += one
            if all_sent:
                _list_all(sent, room)
                all_sent = False
            continue
        complete = now + one
        edge = timing.lead_edges + complete * timing.numerator
        if timing.denominator != one:
            whole = complete // timing.denominator
            rest = (complete - whole * timing.denominator) * timing.numerator
            edge = timing.lead_edges + whole * timing.numerator
            edge += (rest + timing.denominator - one) // timing.denominator
        # A slot is left idle once the run of busy ones has its greatest length.
        next_start = last_start + step
        if idle_every != zero and busy_run + one == idle_every:
            next_start += step
        edge = (edge + grid - one) // grid * grid
        start = edge
        if any_sent and next_start > edge:
            start = next_start
            waiting = zero
            if last_start > edge:
                waiting = (last_start - edge + step - one) // step
                # Counted back from the last frame, the slot before the run is idle, and then one
                # in every `idle_every`.
                if idle_every != zero and waiting > busy_run:
                    waiting -= one + (waiting - busy_run - one) // idle_every
            if waiting >= timing.fifo_depth:
                room.lost_store[overrun] = store
                room.lost_edge[overrun] = edge
                overrun += one
                if all_sent:
                    _list_all(sent, room)
                    all_sent = False
                continue
        word = tables.address[where] ^ tables.data[data[store]]
        word ^= _sequence_part(sequence, tables)
        sequence = (sequence + one) & timing.sequence_mask
        busy_run = busy_run + one if any_sent and start == last_start + step else one
        last_start = start
        any_sent = True
        room.edge[sent] = start
        room.word[sent] = word
        if not all_sent:
            room.sent_store[sent] = store
        sent += 1
    carried[LAST_START] = last_start
    carried[ANY_SENT] = np.uint64(any_sent)
    carried[SEQUENCE] = sequence
    carried[LAST_CYCLE] = last_cycle
    carried[BUSY_RUN] = busy_run
    counts[OFFERED] += np.uint64(len(cycle)) - outside
    counts[SENT] += np.uint64(sent)
    counts[OVERRUN] += overrun
    counts[OUTSIDE] += outside
    return sent


@kernel
def _sequence_part(sequence: np.uint64, tables: WordTables) -> np.uint64:
    """Return a word's change by a sequence number."""
    part = np.uint64(0)
    for byte in range(len(tables.sequence)):
        part ^= tables.sequence[byte, sequence >> np.uint64(8 * byte) & np.uint64(0xFF)]
    return part


@kernel
def _encode_row(
    cycle: UInt64Column,
    address: UInt16Column | UInt32Column,
    data: UInt8Column,
    tables: WordTables,
    timing: SenderTiming,
    last_cycle: np.uint64,
    last_start: np.uint64,
    sequence: np.uint64,
    edge: UInt64Column,
    word: UInt64Column,
) -> int:
    """Write adjacent frames until there is a gap or a store has to wait.

    Each store comes after the frame before it has begun and not after it has ended, so nothing
    need be rounded up to the grid, which takes a division. In a loop of its own this takes half
    as long.

    Returns:
        Count of stores taken.
    """
    count = len(cycle)
    for index in range(count):
        now, where = cycle[index], address[index]
        earliest = timing.lead_edges + (now + np.uint64(1)) * timing.numerator
        start = last_start + timing.step_edges
        if now < last_cycle or earliest < last_start or earliest > start:
            return index
        if not tables.in_window[where]:
            return index
        last_cycle, last_start = now, start
        edge[index] = start
        part = _sequence_part(sequence & timing.sequence_mask, tables)
        word[index] = tables.address[where] ^ tables.data[data[index]] ^ part
        sequence += np.uint64(1)
    return count


@kernel
def _list_all(count: int, room: EncodeRoom) -> None:
    """List the first COUNT stores as sent."""
    for index in range(count):
        room.sent_store[index] = index
