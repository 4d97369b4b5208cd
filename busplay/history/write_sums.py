"""Kernel: the writes of many frames, summed for each byte of a unit's memory."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busplay.display.writes import FIELD_ADDRESS, FIELD_DATA, FIELD_SPACE, FIELD_UNIT
from busplay.jit import kernel

MEMORY = np.uint64(1)


@kernel
def sum_writes(
    pieces: NDArray[np.uint64],
    edge: NDArray[np.uint64],
    fields: NDArray[np.uint64],
    unit: int,
    memory: NDArray[np.uint8],
    writes: NDArray[np.uint32],
    unchanged: NDArray[np.uint32],
    last_edge: NDArray[np.int64],
) -> None:
    """Add the frames that write a unit's memory to sums for each byte.

    Args:
        pieces: words of the frames with contiguous fields.
        edge: at which they start.
        fields: shift, mask and fixed bits of each field in such a word.
        unit: number of the unit.
        memory: before the frames; changed.
        writes, unchanged: counts of all writes, and of those of the value already there; changed.
        last_edge: edge of the last write; changed.
    """
    for i in range(len(pieces)):
        word = pieces[i]
        space = word >> fields[FIELD_SPACE, 0] & fields[FIELD_SPACE, 1] | fields[FIELD_SPACE, 2]
        number = word >> fields[FIELD_UNIT, 0] & fields[FIELD_UNIT, 1] | fields[FIELD_UNIT, 2]
        if space != MEMORY or number != np.uint64(unit):
            continue
        at = word >> fields[FIELD_ADDRESS, 0] & fields[FIELD_ADDRESS, 1]
        offset = np.int64(at | fields[FIELD_ADDRESS, 2])
        if offset >= len(memory):
            continue
        data = word >> fields[FIELD_DATA, 0] & fields[FIELD_DATA, 1] | fields[FIELD_DATA, 2]
        value = np.uint8(data & np.uint64(0xFF))
        writes[offset] += np.uint32(1)
        if memory[offset] == value:
            unchanged[offset] += np.uint32(1)
        memory[offset] = value
        last_edge[offset] = np.int64(edge[i])
