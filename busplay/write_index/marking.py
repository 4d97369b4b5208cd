"""Compiled loops of the write index: the cells of a chunk, and frames missed by sequence."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busplay.jit import kernel

UInt8s = NDArray[np.uint8]
UInt32s = NDArray[np.uint32]
UInt64s = NDArray[np.uint64]
Int64s = NDArray[np.int64]

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


@kernel
def count_missed(
    words: UInt64s,
    sequences: UInt64s,
    fates: UInt8s,
    fields: UInt64s,
    numbers: UInt64s,
    stops: Int64s,
    missed: UInt64s,
) -> None:
    """Count in each span the frames missing by the sequence field.

    Args:
        words: uint64[frames]; words in which `fields` finds the space.
        sequences: uint64[frames]; words in which `numbers` finds the sequence field.
        fates: uint8[frames]; fate of each frame; empty: all were served. An undelivered frame is
            missed by the next one.
        fields: uint64[4, 3]; as for `display.writes.apply_frames`.
        numbers: uint64[SEQUENCE_NUMBERS]; the last two are changed.
        stops: int64[spans]; frames before the end of each span.
        missed: uint64[spans]; added to.
    """
    space_shift, space_mask, space_fixed = fields[0]
    shift, mask = numbers[SEQUENCE_SHIFT], numbers[SEQUENCE_MASK]
    one = np.uint64(1)
    last = numbers[LAST_SEQUENCE]
    has_sequence = numbers[HAS_SEQUENCE] != np.uint64(0)
    span = 0
    for i in range(len(words)):
        is_idle = ((words[i] >> space_shift) & space_mask | space_fixed) == np.uint64(0)
        if is_idle or (len(fates) > 0 and fates[i] == UNDELIVERED):
            continue
        sequence = (sequences[i] >> shift) & mask
        if has_sequence:
            while span < len(stops) - 1 and stops[span] <= i:
                span += 1
            missed[span] += (sequence - last - one) & mask
        last = sequence
        has_sequence = True
    numbers[LAST_SEQUENCE] = last
    numbers[HAS_SEQUENCE] = one if has_sequence else np.uint64(0)
