"""Missing frames that were added nearby: they are not lost but out of order.

Differences come in the order of the stream. One with an expected side (missing, changed) and
one with an actual side (added, changed) that lie close and have the same content are one frame
in another place. What is left of a changed frame whose other side was taken is missing or added.

Work goes by stretches: one ends where no difference follows within REACH_FRAMES, or after
STRETCH_ROWS. So it makes no difference how many rows come at a time.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busplay.analysis.compare.streams import ADDED, CHANGED, MISSING, REORDERED
from busplay.jit import kernel

REACH_FRAMES = 64
STRETCH_ROWS = 4096

Int64s = NDArray[np.int64]
UInt64s = NDArray[np.uint64]


@kernel
def _match(
    position: Int64s,
    kind: NDArray[np.uint8],
    expected_word: UInt64s,
    actual_word: UInt64s,
    content: np.uint64,
    start: int,
    stop: int,
    actual_row: Int64s,
    taken: NDArray[np.bool_],
) -> None:
    """Fill actual_row[row]: which row's actual frame this row's expected frame is; -1 none."""
    for row in range(start, stop):
        if kind[row] == ADDED:
            continue
        wanted = expected_word[row] & content
        if kind[row] == CHANGED and actual_word[row] & content == wanted:
            continue
        for distance in range(1, 2 * REACH_FRAMES + 1):
            # Nearest first, to and fro.
            other = row + (distance + 1) // 2 * (1 if distance % 2 else -1)
            if not start <= other < stop or kind[other] == MISSING or taken[other]:
                continue
            if actual_word[other] & content != wanted:
                continue
            if abs(position[other] - position[row]) > REACH_FRAMES:
                continue
            if kind[other] == CHANGED and expected_word[other] & content == wanted:
                continue
            actual_row[row] = other
            taken[other] = True
            break


@kernel
def find_reordered(
    position: Int64s,
    kind: NDArray[np.uint8],
    expected_word: UInt64s,
    actual_word: UInt64s,
    content: np.uint64,
    final: bool,
    out_kind: NDArray[np.uint8],
    out_expected: Int64s,
    out_actual: Int64s,
    partner: Int64s,
    taken: NDArray[np.bool_],
) -> tuple[int, int]:
    """Separate frames that are out of order from missing and added ones.

    Args:
        position: int64[rows]; index of the expected frame, or of the one that comes next.
        kind: MISSING, CHANGED or ADDED.
        expected_word, actual_word: of each row; anything where there is none.
        content: bits that are compared.
        final: no more rows come.
        out_kind, out_expected, out_actual: [2 * rows]; filled with kinds (REORDERED too) and
            with the rows that the expected and actual frame come from, -1 none.
        partner: int64[rows], all -1; changed: the row whose actual frame a row's expected one is.
        taken: bool[rows], all False; changed: rows whose actual frame is a partner.

    Returns:
        How many rows are done, and how many are filled.
    """
    rows = len(kind)
    filled = start = 0
    while start < rows:
        stop = start + 1
        while stop < rows and stop - start < STRETCH_ROWS:
            if position[stop] - position[stop - 1] > REACH_FRAMES:
                break
            stop += 1
        if stop == rows and stop - start < STRETCH_ROWS and not final:
            break
        if stop - start > 1:
            _match(position, kind, expected_word, actual_word, content, start, stop, partner, taken)
        for row in range(start, stop):
            expected, actual = -1, -1
            if kind[row] != ADDED:
                if partner[row] >= 0:
                    out_kind[filled] = REORDERED
                    out_expected[filled], out_actual[filled] = row, partner[row]
                    filled += 1
                else:
                    expected = row
            if kind[row] != MISSING and not taken[row]:
                actual = row
            if expected >= 0 or actual >= 0:
                out_kind[filled] = ADDED if expected < 0 else MISSING if actual < 0 else CHANGED
                out_expected[filled], out_actual[filled] = expected, actual
                filled += 1
        start = stop
    return start, filled
