"""Compiled loops over columns of changes."""

from __future__ import annotations

import numpy as np
from numba import njit

from busplay.batch import UInt64Column


@njit(cache=True, nogil=True)
def least_gap(time_ps: UInt64Column) -> np.uint64:
    """Give the shortest time between neighbours; all ones if there is one row only."""
    least = np.uint64(0xFFFFFFFFFFFFFFFF)
    for at in range(1, len(time_ps)):
        gap = time_ps[at] - time_ps[at - 1]
        least = min(least, gap)
    return least
