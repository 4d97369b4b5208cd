"""Compiled loops of the write index: cells written, bytes changed, frames missed.

Most frames write the same memory as the frame before, so it is looked up only if space or unit
changes, as in `display.writes`.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busplay.jit import kernel

UInt8s = NDArray[np.uint8]
UInt32s = NDArray[np.uint32]
UInt64s = NDArray[np.uint64]
Int64s = NDArray[np.int64]

SPAN_SHIFT = 10
"""A span has up to 2**10 frames."""

# Fates of a frame, as the index keeps them.
REACHED = 0
FIFO_FULL = 1
LATE = 2
UNDELIVERED = 3

# Indexes of `numbers` of `count_missed`: position of the sequence field in the word given for it.
SEQUENCE_SHIFT = 0
SEQUENCE_MASK = 1
LAST_SEQUENCE = 2
HAS_SEQUENCE = 3
SEQUENCE_NUMBERS = 4

REGISTERS_IN_SPACE = np.uint64(8)


@kernel
def mark(
    pieces: UInt64s,
    fates: UInt8s,
    fields: UInt64s,
    unit_indexes: Int64s,
    memory_first: Int64s,
    register_first: Int64s,
    memory_bytes: UInt64s,
    byte_first: Int64s,
    cell_shift: int,
    bytes_now: UInt8s,
    counts: UInt32s,
    changed: UInt64s,
) -> None:
    """Count the writes to each cell, and in each span the bytes that they changed.

    Args:
        pieces: uint64[frames]; words in which `fields` finds space, unit, address and data.
        fates: uint8[frames]; fate of each frame; empty: all were served.
        fields: uint64[4, 3]; as for `display.writes.apply_frames`.
        unit_indexes: int64[numbers]; likewise.
        memory_first, register_first, memory_bytes, byte_first: see `Cells`.
        cell_shift: a cell of memory is 2**cell_shift bytes.
        bytes_now: uint8[bytes of all units]; their memories; changed.
        counts: uint32[cells]; added to.
        changed: uint64[spans]; added to.
    """
    space_shift, space_mask, space_fixed = fields[0]
    unit_shift, unit_mask, unit_fixed = fields[1]
    address_shift, address_mask = fields[2, 0], fields[2, 1]
    data_shift, data_mask = fields[3, 0], fields[3, 1]
    shift = np.uint64(cell_shift)
    last = np.uint64(len(unit_indexes) - 1)
    place_bits = space_mask << space_shift | unit_mask << unit_shift
    place_kept = ~np.uint64(0)
    # Unsigned: Numba asks of a signed index, each time, whether it counts from the end.
    cell_kept = np.uint64(0)
    byte_kept = np.uint64(0)
    bytes_kept = np.uint64(0)
    has_fates = len(fates) > 0
    for span in range(len(changed)):
        # Branch-free, since whether a byte changes depends on data and is unpredictable.
        changes = np.int64(0)
        for i in range(span << SPAN_SHIFT, min((span + 1) << SPAN_SHIFT, len(pieces))):
            word = pieces[i]
            if has_fates and fates[i] != REACHED:
                continue
            offset = (word >> address_shift) & address_mask
            if word & place_bits != place_kept or offset >= bytes_kept:
                space = (word >> space_shift) & space_mask | space_fixed
                number = (word >> unit_shift) & unit_mask | unit_fixed
                unit = unit_indexes[min(number, last)]
                if unit < 0:
                    continue
                if space != np.uint64(1):
                    if space == np.uint64(2) and offset < REGISTERS_IN_SPACE:
                        counts[np.uint64(register_first[unit]) + offset] += np.uint32(1)
                    continue
                if offset >= memory_bytes[unit]:
                    continue
                place_kept = word & place_bits
                cell_kept = np.uint64(memory_first[unit])
                byte_kept = np.uint64(byte_first[unit])
                bytes_kept = memory_bytes[unit]
            counts[cell_kept + (offset >> shift)] += np.uint32(1)
            data = np.uint8((word >> data_shift) & data_mask)
            place = byte_kept + offset
            changes += np.int64(bytes_now[place] != data)
            bytes_now[place] = data
        changed[span] += np.uint64(changes)


@kernel
def count_missed(
    words: UInt64s,
    sequences: UInt64s,
    fates: UInt8s,
    fields: UInt64s,
    numbers: UInt64s,
    missed: UInt64s,
) -> None:
    """Count in each span the frames missing by the sequence field.

    Args:
        words: uint64[frames]; words in which `fields` finds the space.
        sequences: uint64[frames]; words in which `numbers` finds the sequence field.
        fates: uint8[frames]; as for `mark`. An undelivered frame is missed by the next one.
        fields: uint64[4, 3]; as for `mark`.
        numbers: uint64[SEQUENCE_NUMBERS]; the last two are changed.
        missed: uint64[spans]; added to.
    """
    space_shift, space_mask, space_fixed = fields[0]
    shift, mask = numbers[SEQUENCE_SHIFT], numbers[SEQUENCE_MASK]
    one = np.uint64(1)
    count = len(words)
    if len(fates) == 0 and numbers[HAS_SEQUENCE] != np.uint64(0):
        # Nearly always none is missing, which one branch-free pass shows.
        odd = (((sequences[0] >> shift) & mask) - numbers[LAST_SEQUENCE] - one) & mask
        for i in range(1, count):
            odd |= ((sequences[i] >> shift) - (sequences[i - 1] >> shift) - one) & mask
        if odd == np.uint64(0):
            numbers[LAST_SEQUENCE] = (sequences[count - 1] >> shift) & mask
            return
    last = numbers[LAST_SEQUENCE]
    has_sequence = numbers[HAS_SEQUENCE] != np.uint64(0)
    for i in range(count):
        is_idle = ((words[i] >> space_shift) & space_mask | space_fixed) == np.uint64(0)
        if is_idle or (len(fates) > 0 and fates[i] == UNDELIVERED):
            continue
        sequence = (sequences[i] >> shift) & mask
        if has_sequence:
            missed[i >> SPAN_SHIFT] += (sequence - last - one) & mask
        last = sequence
        has_sequence = True
    numbers[LAST_SEQUENCE] = last
    numbers[HAS_SEQUENCE] = one if has_sequence else np.uint64(0)
