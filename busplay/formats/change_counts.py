"""Compiled loops over columns of changes."""

from __future__ import annotations

import numpy as np

from busplay.batch import UInt64Column
from busplay.jit import kernel


@kernel
def least_gap(time_ps: UInt64Column) -> np.uint64:
    """Return the shortest time between neighbours; the highest signed one if there is one row."""
    # Signed, since processors compare four signed numbers at once and no unsigned ones.
    least = np.int64(0x7FFFFFFFFFFFFFFF)
    for at in range(1, len(time_ps)):
        least = min(least, np.int64(time_ps[at] - time_ps[at - 1]))
    return np.uint64(least)


@kernel
def count_changes(
    level: UInt64Column,
    unknown: UInt64Column,
    last_level: np.uint64,
    last_unknown: np.uint64,
    masks: UInt64Column,
    counts: UInt64Column,
) -> None:
    """Add to each count the rows in which a bit of its mask differs from the row before.

    Args:
        level, unknown: uint64[rows].
        last_level, last_unknown: the row before the first.
        masks, counts: uint64[signals].
    """
    for at in range(len(level)):
        differs = level[at] ^ last_level | unknown[at] ^ last_unknown
        last_level, last_unknown = level[at], unknown[at]
        for signal in range(len(masks)):
            if differs & masks[signal] != np.uint64(0):
                counts[signal] += np.uint64(1)
