"""Compiled loop of the write index: which cell each frame writes, and what changes by it.

A frame to the memory that the frame before it wrote to is by far the most common, so its place is
kept as long as space and unit do not change, as `display.writes` does.
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

# Numbers for `mark`: where the sequence field stands in the word given for it.
SEQUENCE_SHIFT = 0
SEQUENCE_MASK = 1
CELL_SHIFT = 2
LAST_SEQUENCE = 3
HAS_SEQUENCE = 4
MARK_NUMBERS = 5

REGISTERS_IN_SPACE = np.uint64(8)


@kernel
def mark(
    pieces: UInt64s,
    sequences: UInt64s,
    fates: UInt8s,
    fields: UInt64s,
    unit_indexes: Int64s,
    memory_first: Int64s,
    register_first: Int64s,
    memory_bytes: UInt64s,
    byte_first: Int64s,
    numbers: UInt64s,
    bytes_now: UInt8s,
    counts: UInt32s,
    changed: UInt64s,
    missed: UInt64s,
) -> None:
    """Count the writes to each cell, and of each span what they changed and what was missed.

    Args:
        pieces: uint64[frames]; words in which `fields` finds space, unit, address and data.
        sequences: uint64[frames]; words in which `numbers` finds the sequence field.
        fates: uint8[frames]; what became of each frame.
        fields: uint64[4, 3]; as `display.writes.apply_frames` takes them.
        unit_indexes: int64[numbers]; likewise.
        memory_first, register_first, memory_bytes, byte_first: see `Cells`.
        numbers: uint64[MARK_NUMBERS]; the last two are changed.
        bytes_now: uint8[bytes of all units]; what their memories hold; changed.
        counts: uint32[cells]; added to.
        changed, missed: uint64[spans]; bytes that were changed, frames that the sequence field
            says are missing; added to.
    """
    space_shift, space_mask, space_fixed = fields[0]
    unit_shift, unit_mask, unit_fixed = fields[1]
    address_shift, address_mask = fields[2, 0], fields[2, 1]
    data_shift, data_mask = fields[3, 0], fields[3, 1]
    sequence_shift, sequence_mask = numbers[SEQUENCE_SHIFT], numbers[SEQUENCE_MASK]
    cell_shift = numbers[CELL_SHIFT]
    expected = (numbers[LAST_SEQUENCE] + np.uint64(1)) & sequence_mask
    has_sequence = numbers[HAS_SEQUENCE] != np.uint64(0)
    last = np.uint64(len(unit_indexes) - 1)
    place_bits = space_mask << space_shift | unit_mask << unit_shift
    place_kept = ~np.uint64(0)
    cell_kept = np.int64(0)
    byte_kept = np.int64(0)
    bytes_kept = np.uint64(0)
    for i in range(len(pieces)):
        word = pieces[i]
        offset = (word >> address_shift) & address_mask
        is_near = word & place_bits == place_kept and offset < bytes_kept
        unit = np.int64(-1)
        space = np.uint64(1)
        if not is_near:
            space = (word >> space_shift) & space_mask | space_fixed
            if space == np.uint64(0):
                continue
            number = (word >> unit_shift) & unit_mask | unit_fixed
            unit = unit_indexes[min(number, last)]
        fate = fates[i]
        if fate == UNDELIVERED:
            continue
        if sequence_mask != np.uint64(0):
            sequence = (sequences[i] >> sequence_shift) & sequence_mask
            if has_sequence and sequence != expected:
                missed[i >> SPAN_SHIFT] += (sequence - expected) & sequence_mask
            expected = (sequence + np.uint64(1)) & sequence_mask
            has_sequence = True
        if fate != REACHED:
            continue
        if not is_near:
            if unit < 0:
                continue
            if space != np.uint64(1):
                if space == np.uint64(2) and offset < REGISTERS_IN_SPACE:
                    counts[register_first[unit] + np.int64(offset)] += np.uint32(1)
                continue
            if offset >= memory_bytes[unit]:
                continue
            place_kept = word & place_bits
            cell_kept, byte_kept = memory_first[unit], byte_first[unit]
            bytes_kept = memory_bytes[unit]
        counts[cell_kept + np.int64(offset >> cell_shift)] += np.uint32(1)
        data = np.uint8((word >> data_shift) & data_mask)
        place = byte_kept + np.int64(offset)
        if bytes_now[place] != data:
            bytes_now[place] = data
            changed[i >> SPAN_SHIFT] += np.uint64(1)
    numbers[LAST_SEQUENCE] = (expected - np.uint64(1)) & sequence_mask
    numbers[HAS_SEQUENCE] = np.uint64(1) if has_sequence else np.uint64(0)
