"""Compiled loops of the sender: stores to frames, frames to symbols.

How to think about them. `encode` carries four numbers from store to store: the edge at
which the last frame starts, how many slots in a row were busy up to there, the sequence number,
and the last cycle. The FIFO needs no queue, since a frame that waits starts exactly one slot
after the one before it, or two where a slot must stay idle: how many wait at edge e follows
from the last start and the run alone. Words are an XOR of tables (see `encoder`), spelled
slots an XOR of tables (see `expander`); no kernel knows fields or checks.

Tables are arguments and helpers stand here, so that Numba's cache sees each change.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busplay.batch import UInt8Column, UInt16Column, UInt64Column
from busplay.jit import kernel

# What `encode` counts, by place.
OFFERED, SENT, OVERRUN, OUTSIDE = 0, 1, 2, 3
# What it carries from store to store, by place.
LAST_START, ANY_SENT, SEQUENCE, LAST_CYCLE, BUSY_RUN = 0, 1, 2, 3, 4
# Constants of link and board, by place.
(
    NUMERATOR,
    DENOMINATOR,
    LEAD_EDGES,
    GRID_EDGES,
    STEP_EDGES,
    FIFO_DEPTH,
    SEQUENCE_MASK,
    IDLE_EVERY,  # 0: no slot need be left idle
) = range(8)


@kernel
def encode(
    cycle: UInt64Column,
    address: UInt16Column,
    data: UInt8Column,
    in_window: NDArray[np.bool_],
    address_table: UInt64Column,
    data_table: UInt64Column,
    sequence_tables: NDArray[np.uint64],
    timing: UInt64Column,
    carried: UInt64Column,
    counts: UInt64Column,
    out_edge: UInt64Column,
    out_word: UInt64Column,
    sent_store: NDArray[np.int64],
    lost_store: NDArray[np.int64],
    lost_edge: UInt64Column,
) -> int:
    """Turn stores into frames on the grid; the rule of the FIFO stands in `encoder`.

    Args:
        in_window: bool[65536]; whether a store to an address goes out.
        address_table, data_table: uint64[65536], uint64[256]; their XOR is the word.
        sequence_tables: uint64[bytes, 256]; one for each byte of the sequence number.
        timing, carried, counts: see the names above; `carried` and `counts` are changed.
        out_edge, out_word: uint64[stores]; room for every frame.
        sent_store: int64[stores]; gets which store each frame carries.
        lost_store, lost_edge: int64[stores], uint64[stores]; get which stores were lost, and the
            edges at which they found the FIFO full.

    Returns:
        How many frames were written; or -1 - i: store i lies before the one before it, and
        nothing was changed.
    """
    zero, one = np.uint64(0), np.uint64(1)
    numerator, denominator = timing[NUMERATOR], timing[DENOMINATOR]
    lead, grid, step = timing[LEAD_EDGES], timing[GRID_EDGES], timing[STEP_EDGES]
    depth, sequence_mask = timing[FIFO_DEPTH], timing[SEQUENCE_MASK]
    last_start, any_sent = carried[LAST_START], carried[ANY_SENT] != 0
    sequence, last_cycle = carried[SEQUENCE], carried[LAST_CYCLE]
    idle_every, busy_run = timing[IDLE_EVERY], carried[BUSY_RUN]
    sequence_bytes = len(sequence_tables)
    overrun = outside = np.uint64(0)
    sent = 0
    for index in range(len(cycle)):
        now = cycle[index]
        if now < last_cycle:
            return -1 - index
        last_cycle = now
        where = address[index]
        if not in_window[where]:
            outside += one
            continue
        complete = now + one
        if denominator == one:
            edge = lead + complete * numerator
        else:
            whole = complete // denominator
            rest = complete - whole * denominator
            edge = lead + whole * numerator + (rest * numerator + denominator - one) // denominator
        edge = (edge + grid - one) // grid * grid
        start = edge
        # A slot is left idle where the run of busy ones has become as long as it may.
        next_start = last_start + step
        if idle_every != zero and busy_run + one == idle_every:
            next_start += step
        if any_sent and next_start > edge:
            start = next_start
            waiting = zero
            if last_start > edge:
                waiting = (last_start - edge + step - one) // step
                # Of these slots, counted back from the last frame, one after the run and then
                # one in every `idle_every` is idle.
                if idle_every != zero and waiting > busy_run:
                    waiting -= one + (waiting - busy_run - one) // idle_every
            if waiting >= depth:
                lost_store[overrun] = index
                lost_edge[overrun] = edge
                overrun += one
                continue
        word = address_table[where] ^ data_table[data[index]]
        rest_of_sequence = sequence
        for byte in range(sequence_bytes):
            word ^= sequence_tables[byte, rest_of_sequence & np.uint64(0xFF)]
            rest_of_sequence >>= np.uint64(8)
        sequence = (sequence + one) & sequence_mask
        if any_sent and start == last_start + step:
            busy_run += one
        else:
            busy_run = one
        last_start = start
        any_sent = True
        out_edge[sent] = start
        out_word[sent] = word
        sent_store[sent] = index
        sent += 1
    carried[LAST_START] = last_start
    carried[ANY_SENT] = any_sent
    carried[SEQUENCE] = sequence
    carried[LAST_CYCLE] = last_cycle
    carried[BUSY_RUN] = busy_run
    counts[OFFERED] += np.uint64(len(cycle)) - outside
    counts[SENT] += np.uint64(sent)
    counts[OVERRUN] += overrun
    counts[OUTSIDE] += outside
    return sent


@kernel
def expand(
    word: UInt64Column,
    template: NDArray[np.unsignedinteger],
    first_pair: NDArray[np.int64],
    pair_shift: NDArray[np.uint64],
    pair_table: NDArray[np.unsignedinteger],
    out: NDArray[np.unsignedinteger],
) -> None:
    """Spell words out, a slot being some chunks that are each an XOR of tables.

    Args:
        template: chunk[chunks]; a slot of the word 0.
        first_pair: int64[chunks + 1]; the pairs of a chunk are those from its entry up to the
            next one's.
        pair_shift: uint64[pairs]; how far down the word's byte of this pair is shifted.
        pair_table: chunk[pairs, 256]; what each value of that byte changes in the chunk.
        out: chunk[frames * chunks].
    """
    chunk_count = len(template)
    for index in range(len(word)):
        bits = word[index]
        place = index * chunk_count
        for chunk in range(chunk_count):
            value = template[chunk]
            for pair in range(first_pair[chunk], first_pair[chunk + 1]):
                value ^= pair_table[pair, (bits >> pair_shift[pair]) & np.uint64(0xFF)]
            out[place + chunk] = value


@kernel
def lay_slots(
    edge: UInt64Column,
    symbols: NDArray[np.unsignedinteger],
    first_edge: np.uint64,
    slot_symbols: int,
    out: NDArray[np.unsignedinteger],
) -> None:
    """Copy each slot's symbols to its edges; `out` begins at `first_edge`."""
    for slot in range(len(edge)):
        at = np.int64(edge[slot] - first_edge)
        for index in range(slot_symbols):
            out[at + index] = symbols[slot * slot_symbols + index]
