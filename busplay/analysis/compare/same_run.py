"""Compiled loop for two recordings of the very same run: what was sent, and what arrived of it.

Nothing is searched for: `busplay.pipeline.pairing` says which frame is which.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busplay.analysis.compare.alignment import DONE, WANTS_FRAMES
from busplay.analysis.compare.streams import (
    ADDED,
    DIFFERENCES,
    MISSING,
    NEXT_ACTUAL,
    NEXT_EXPECTED,
    RUN_FRAMES,
    SAME,
    STARTED,
    Findings,
    Streams,
)
from busplay.jit import kernel
from busplay.pipeline import pairing
from busplay.pipeline.pairing import next_fate

_SAME = pairing.SAME


@kernel
def pair(s: Streams, state: NDArray[np.int64], f: Findings) -> int:
    """Pair as far as the columns go.

    Args:
        state: int64[STATE_NUMBERS]; cursors and counts, carried on.
        f: has room for as many findings as frames are left on both sides.

    Returns:
        WANTS_FRAMES or DONE.
    """
    i, j = state[NEXT_EXPECTED], state[NEXT_ACTUAL]
    count_i, count_j = len(s.expected_word), len(s.actual_word)
    found = state[DIFFERENCES]
    while i < count_i or j < count_j:
        if (i == count_i and not s.expected_ended) or (j == count_j and not s.actual_ended):
            break
        fate = next_fate(s.expected_time, s.expected_word, i, s.actual_time, s.actual_word, j)
        if fate == _SAME:
            state[SAME] += 1
            state[RUN_FRAMES] += 1
            state[STARTED] = 1
        else:
            f.kind[found] = fate
            f.expected[found] = -1 - i if fate == ADDED else i
            f.actual[found] = -1 if fate == MISSING else j
            f.flipped[found] = 0
            if fate != ADDED and fate != MISSING:
                f.flipped[found] = s.expected_word[i] ^ s.actual_word[j]
            found += 1
        i += fate != ADDED
        j += fate != MISSING
    state[NEXT_EXPECTED], state[NEXT_ACTUAL] = i, j
    state[DIFFERENCES] = found
    done = i == count_i and j == count_j and s.expected_ended and s.actual_ended
    return DONE if done else WANTS_FRAMES
