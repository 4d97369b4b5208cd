"""Compiled loop for two recordings of the very same run: frames are paired by their link edges.

What was sent against what arrived needs no search: a frame that arrived stands at the edge at which
it was sent. So where both have a frame at an edge it is the same one or a changed one, and else it
is missing or added.
"""

from __future__ import annotations

import numpy as np

from busplay.analysis.compare.streams import Findings, Streams
from busplay.jit import kernel

# As `compare.streams` and `compare.alignment` have them; a test holds them against each other.
MISSING, CHANGED, ADDED = 0, 1, 2
NEXT_EXPECTED, NEXT_ACTUAL, SAME, STARTED, DIFFERENCES, RUN_FRAMES = 0, 1, 4, 5, 6, 8
WANTS_FRAMES, DONE = 1, 3


@kernel
def pair(s: Streams, state: np.ndarray, f: Findings) -> int:
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
    while True:
        has_i, has_j = i < count_i, j < count_j
        if not has_i and not has_j:
            break
        if (not has_i and not s.expected_ended) or (not has_j and not s.actual_ended):
            break
        later = np.int64(0)
        if has_i and has_j:
            later = s.actual_time[j] - s.expected_time[i]
        if has_i and (not has_j or later > 0):
            f.kind[found] = MISSING
            f.expected[found] = i
            f.actual[found] = -1
            f.flipped[found] = 0
            found += 1
            i += 1
        elif not has_i or later < 0:
            f.kind[found] = ADDED
            f.expected[found] = -1 - i
            f.actual[found] = j
            f.flipped[found] = 0
            found += 1
            j += 1
        else:
            if s.expected_word[i] == s.actual_word[j]:
                state[SAME] += 1
                state[RUN_FRAMES] += 1
                state[STARTED] = 1
            else:
                f.kind[found] = CHANGED
                f.expected[found] = i
                f.actual[found] = j
                f.flipped[found] = s.expected_word[i] ^ s.actual_word[j]
                found += 1
            i += 1
            j += 1
    state[NEXT_EXPECTED], state[NEXT_ACTUAL] = i, j
    state[DIFFERENCES] = found
    done = i == count_i and j == count_j and s.expected_ended and s.actual_ended
    return DONE if done else WANTS_FRAMES
