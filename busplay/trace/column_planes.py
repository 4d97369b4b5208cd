"""Frames to byte planes and back, compiled.

How to think about it. An affine map over GF(2), a table of 256 entries for each byte, rearranges a
word's bits to the `packed` word: each column's bits are contiguous, and the check field is replaced
by its XOR with the correct check. So any layout costs the same few look-ups, and a valid frame's
check column is 0. Columns are then extracted by shift and mask; address and sequence become
differences to the frame before, edges become slots and a remainder.

A column's values differ in few of their eight bytes. `split` finds which (`varying`), and only
those bytes are stored, each as a plane (`take_plane`). `join` is the inverse; it looks planes up
directly, so that a column that does not vary costs nothing.

Everything is modulo 2**64, so any edges and any words survive.
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from busplay.jit import kernel

UInt64s: TypeAlias = NDArray[np.uint64]
UInt8s: TypeAlias = NDArray[np.uint8]
Int64s: TypeAlias = NDArray[np.int64]

# Rows of every array with one entry a column, in the order of the file.
SLOTS = 0
REST = 1
EXCESS = 2
OTHERS = 3
SEQUENCE = 4
ADDRESS = 5
DATA = 6
CHECK = 7
COLUMNS = 8
PLANES = 8

BLOCK = 1024
_U0 = np.uint64(0)
_U8 = np.uint64(8)
_BYTE = np.uint64(0xFF)
# Division by the slot length as a multiplication; exact for gaps under 2**24 and slots under
# 2**16, since the rounding of 2**40/slot then stays below one part in the gap.
_FAST_GAP = np.uint64(1 << 24)
_FAST_SHIFT = np.uint64(40)


@kernel
def split(
    edge: UInt64s,
    word: UInt64s,
    grid: np.uint64,
    grid_inverse: np.uint64,
    frame_bits: int,
    tables: UInt64s,
    shifts: UInt64s,
    masks: UInt64s,
    before: UInt64s,
    work: UInt64s,
    out: UInt64s,
) -> None:
    """Compute all columns of a chunk, and which of their bits vary.

    Args:
        edge, word: uint64[frames], at least one.
        grid: edges of a slot; `grid_inverse`: 2**40 / grid rounded up, or 0 if unsafe.
        tables: uint64[8, 256], word to packed word.
        shifts, masks: uint64[columns], position of each column in the packed word.
        before: uint64[3]; written: edge, sequence and address from which the first frame counts,
            such that its steps equal the second's, so that a steady stream does not vary.
        work: uint64[3, frames or more]; written: packed words, slots and remainders.
        out: uint64[2, columns]; written: the first values and the bits that vary.
    """
    count = len(edge)
    packed, slots, rests = work[0], work[1], work[2]
    whole = frame_bits == 64
    low = ~_U0 if whole else (np.uint64(1) << np.uint64(frame_bits)) - np.uint64(1)
    excess_bits = _U0
    for i in range(count):
        excess_bits |= word[i] ^ word[0]
    t0, t1, t2, t3, t4 = tables[0], tables[1], tables[2], tables[3], tables[4]
    for i in range(count):
        bits = word[i] & low
        packed[i] = (
            t0[bits & _BYTE]
            ^ t1[(bits >> np.uint64(8)) & _BYTE]
            ^ t2[(bits >> np.uint64(16)) & _BYTE]
            ^ t3[(bits >> np.uint64(24)) & _BYTE]
            ^ t4[(bits >> np.uint64(32)) & _BYTE]
        )
    for byte in range(5, (frame_bits + 7) // 8):
        shift = np.uint64(8 * byte)
        for i in range(count):
            packed[i] ^= tables[byte, ((word[i] & low) >> shift) & _BYTE]
    out[0, EXCESS] = _U0 if whole else word[0] >> np.uint64(frame_bits)
    out[1, EXCESS] = _U0 if whole else excess_bits >> np.uint64(frame_bits)

    packed_bits = _U0
    for i in range(count):
        packed_bits |= packed[i] ^ packed[0]
    for column in (OTHERS, DATA, CHECK):
        out[0, column] = (packed[0] >> shifts[column]) & masks[column]
        out[1, column] = (packed_bits >> shifts[column]) & masks[column]
    second = min(1, count - 1)
    before[0] = edge[0] - (edge[second] - edge[0])
    for column in (SEQUENCE, ADDRESS):
        shift, mask = shifts[column], masks[column]
        first = ((packed[second] >> shift) - (packed[0] >> shift)) & mask
        before[1 if column == SEQUENCE else 2] = ((packed[0] >> shift) - first) & mask
        bits = _U0
        for i in range(1, count):
            bits |= (((packed[i] >> shift) - (packed[i - 1] >> shift)) & mask) ^ first
        out[0, column] = first
        out[1, column] = bits

    previous_edge = before[0]
    slot_bits = _U0
    rest_bits = _U0
    for i in range(count):
        gap = edge[i] - previous_edge
        previous_edge = edge[i]
        if gap < _FAST_GAP and grid_inverse != _U0:
            quotient = (gap * grid_inverse) >> _FAST_SHIFT
        else:
            quotient = gap // grid
        rest = gap - quotient * grid
        slots[i] = quotient
        rests[i] = rest
        slot_bits |= quotient ^ slots[0]
        rest_bits |= rest ^ rests[0]
    out[0, SLOTS] = slots[0]
    out[1, SLOTS] = slot_bits
    out[0, REST] = rests[0]
    out[1, REST] = rest_bits


@kernel
def take_plane(
    word: UInt64s,
    frame_bits: int,
    shifts: UInt64s,
    masks: UInt64s,
    before: UInt64s,
    work: UInt64s,
    column: int,
    plane: int,
    out: UInt8s,
) -> None:
    """Fill `out`, uint8[frames], with one byte of one column; `split` must have run."""
    count = len(out)
    packed, slots, rests = work[0], work[1], work[2]
    byte = np.uint64(8 * plane)
    if column == SLOTS:
        for i in range(count):
            out[i] = slots[i] >> byte
    elif column == REST:
        for i in range(count):
            out[i] = rests[i] >> byte
    elif column == EXCESS:
        shift = np.uint64(frame_bits) + byte
        for i in range(count):
            out[i] = word[i] >> shift
    elif column in (SEQUENCE, ADDRESS):
        shift, mask = shifts[column], masks[column]
        previous = before[1] if column == SEQUENCE else before[2]
        out[0] = ((((packed[0] >> shift) & mask) - previous) & mask) >> byte
        for i in range(1, count):
            out[i] = (((packed[i] >> shift) - (packed[i - 1] >> shift)) & mask) >> byte
    else:
        shift, mask = shifts[column], masks[column]
        for i in range(count):
            out[i] = ((packed[i] >> shift) & mask) >> byte


@kernel
def _gather(
    planes: UInt8s,
    column: int,
    present: int,
    first: np.uint64,
    start: int,
    stop: int,
    out: UInt64s,
) -> None:
    """Fill out[:stop - start] with a column's values, from its first value and its planes."""
    fixed = first
    for plane in range(PLANES):
        if present >> plane & 1:
            fixed &= ~(_BYTE << np.uint64(8 * plane))
    for i in range(stop - start):
        out[i] = fixed
    for plane in range(PLANES):
        if present >> plane & 1:
            shift = np.uint64(8 * plane)
            row = planes[column * PLANES + plane, start:stop]
            for i in range(stop - start):
                out[i] |= np.uint64(row[i]) << shift


@kernel
def join(
    planes: UInt8s,
    presents: Int64s,
    firsts: UInt64s,
    grid: np.uint64,
    frame_bits: int,
    tables: UInt64s,
    masks: UInt64s,
    before: UInt64s,
    last_edge_wanted: np.uint64,
    edge: UInt64s,
    word: UInt64s,
    values: UInt64s,
) -> tuple[bool, int]:
    """Build frames from planes, the inverse of `split` and `take_plane`.

    Args:
        planes: uint8[columns * 8, frames or more]; row 8 * column + plane.
        presents: int64[columns]; bit p is set where plane p of the column is in `planes`.
        firsts: uint64[columns]; the first value of each column.
        grid: edges of a slot.
        frame_bits: bits of a word; those above are the column `excess`.
        tables: uint64[columns, 8, 256]; part of the word from byte p of a column's value.
        masks: uint64[columns]; bits of each column in the packed word.
        before: uint64[3], edge, sequence and address before the first frame.
        last_edge_wanted: frames of later edges may be left out.
        edge: uint64[frames]; filled.
        word: uint64[frames]; filled, unless it has no room: then edges alone are built.
        values: uint64[COLUMNS, BLOCK]; changed.

    Returns:
        Whether the edges are in order (an overflow in a damaged chunk can break it), and the
        count of frames built.
    """
    count = len(edge)
    slots, rests, excess = values[SLOTS], values[REST], values[EXCESS]
    sequences, addresses = values[SEQUENCE], values[ADDRESS]
    sequence_mask, address_mask = masks[SEQUENCE], masks[ADDRESS]
    sequence_table, data_table = tables[SEQUENCE, 0], tables[DATA, 0]
    address_table_0, address_table_1 = tables[ADDRESS, 0], tables[ADDRESS, 1]
    has_excess = frame_bits < 64 and (presents[EXCESS] != 0 or firsts[EXCESS] != _U0)
    constant = _U0
    for column in range(OTHERS, COLUMNS):
        for plane in range(PLANES):
            varies = presents[column] >> plane & 1
            if not varies and not _is_summed(column) and not (column == DATA and plane == 0):
                value = (firsts[column] >> np.uint64(8 * plane)) & _BYTE
                constant ^= tables[column, plane, value]
    last_edge = before[0]
    last_sequence = before[1]
    last_address = before[2]
    rising = True
    has_words = len(word) > 0
    for start in range(0, count, BLOCK):
        stop = min(start + BLOCK, count)
        size = stop - start
        edges = edge[start:stop]
        for column in range(COLUMNS):
            if column <= REST or (has_words and (column == EXCESS or _is_summed(column))):
                _gather(
                    planes, column, presents[column], firsts[column], start, stop, values[column]
                )
        first_edge = last_edge + slots[0] * grid + rests[0] if start == 0 else last_edge
        for i in range(size):
            last_edge += slots[i] * grid + rests[i]
            edges[i] = last_edge
        for i in range(size):
            rising &= edges[i] >= first_edge
            first_edge = edges[i]
        if not has_words:
            continue
        words = word[start:stop]
        # The look-ups that nearly every link needs, in one loop.
        data = planes[DATA * PLANES, start:stop]
        if not presents[DATA] & 1:
            data[:] = firsts[DATA] & _BYTE
        for i in range(size):
            last_sequence = (last_sequence + sequences[i]) & sequence_mask
            last_address = (last_address + addresses[i]) & address_mask
            sequences[i] = last_sequence
            addresses[i] = last_address
            words[i] = (
                constant
                ^ sequence_table[last_sequence & _BYTE]
                ^ address_table_0[last_address & _BYTE]
                ^ address_table_1[(last_address >> _U8) & _BYTE]
                ^ data_table[data[i]]
            )
        # The others, for wide fields and damaged frames.
        for column in range(OTHERS, COLUMNS):
            for plane in range(PLANES):
                table = tables[column, plane]
                if _is_summed(column):
                    shift = np.uint64(8 * plane)
                    done = plane == 0 or (column == ADDRESS and plane == 1)
                    if not done and masks[column] >> shift:
                        sums = values[column]
                        for i in range(size):
                            words[i] ^= table[(sums[i] >> shift) & _BYTE]
                elif presents[column] >> plane & 1 and not (column == DATA and plane == 0):
                    row = planes[column * PLANES + plane, start:stop]
                    for i in range(size):
                        words[i] ^= table[row[i]]
        if has_excess:
            for i in range(size):
                words[i] |= excess[i] << np.uint64(frame_bits)
        if last_edge > last_edge_wanted:
            return rising, stop
    return rising, count


@kernel
def _is_summed(column: int) -> bool:
    """Return whether a column holds differences to the frame before."""
    return column in (SEQUENCE, ADDRESS)
