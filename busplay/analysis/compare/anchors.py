"""The nearest place where two streams of frames run equal again, by content alone.

Every few frames running of the expected stream stand in a table, under a number mixed from
their content. The actual stream is looked up in it. Where content repeats (a picture drawn
again and again) several places fit: one whose sequence numbers are in sync wins over one whose
are not, and of those the nearest.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busplay.analysis.compare.frame_words import moved_on
from busplay.analysis.compare.streams import TABLE_BITS, AlignmentRules, Streams
from busplay.jit import kernel

UInt64s = NDArray[np.uint64]

GRAM_FRAMES = 4  # looked up together
RUN_FRAMES = 12  # equal ones running that make a place
PLACES_MOST = 16  # of the same content that are examined
NOT_IN_SYNC = 1 << 40
NEAR_TABLE_BITS = 12  # of the table for a short look, which is quick to clear


@kernel
def _gram(words: UInt64s, at: int, content: np.uint64, bits: int) -> int:
    """Return the place in the table for the frames from `at` on."""
    mixed = np.uint64(0)
    for k in range(GRAM_FRAMES):
        mixed = (mixed ^ (words[at + k] & content)) * np.uint64(0x9E3779B97F4A7C15)
        mixed ^= mixed >> np.uint64(29)
    return int(mixed >> np.uint64(64 - bits))


@kernel
def _run_equal(
    expected: UInt64s, actual: UInt64s, x: int, y: int, content: np.uint64, ended: bool
) -> bool:
    """Return whether enough frames are equal from here on, or all up to both ends."""
    for run in range(RUN_FRAMES):
        ends_x, ends_y = x + run == len(expected), y + run == len(actual)
        if ends_x or ends_y:
            return ends_x and ends_y and ended
        if (expected[x + run] ^ actual[y + run]) & content != np.uint64(0):
            return False
    return True


@kernel
def find_anchor(
    s: Streams,
    rules: AlignmentRules,
    i: int,
    j: int,
    shift: int,
    look: int,
    table: NDArray[np.int32],
    following: NDArray[np.int32],
) -> tuple[int, int]:
    """Find the nearest places from which both streams run equal.

    Args:
        i, j: where to look from.
        shift: by how much sequence numbers in sync are moved on.
        look: frames of each stream that are examined.
        table: int32[2 ** TABLE_BITS]; changed.
        following: int32[look or more]; changed.

    Returns:
        How many frames on they are in both; -1, -1 where there is no such place.
    """
    expected, actual = s.expected_word[i : i + look], s.actual_word[j : j + look]
    is_all = i + look >= len(s.expected_word) and j + look >= len(s.actual_word)
    ended = is_all and s.expected_ended and s.actual_ended
    content = rules.content
    best_rank, best_x, best_y = 1 << 62, -1, -1
    grams = len(expected) - GRAM_FRAMES + 1
    if grams <= 0 or len(actual) < GRAM_FRAMES:
        return -1, -1
    bits = NEAR_TABLE_BITS if look <= 1 << NEAR_TABLE_BITS else TABLE_BITS
    table[: 1 << bits] = -1
    for x in range(grams - 1, -1, -1):
        place = _gram(expected, x, content, bits)
        following[x] = table[place]
        table[place] = x
    for y in range(len(actual) - GRAM_FRAMES + 1):
        if y >= best_rank:
            break
        x = int(table[_gram(actual, y, content, bits)])
        for _ in range(PLACES_MOST):
            if x < 0 or x + y >= best_rank:
                break
            rank = x + y + (0 if moved_on(expected[x], shift, rules) == actual[y] else NOT_IN_SYNC)
            if rank < best_rank and _run_equal(expected, actual, x, y, content, ended):
                best_rank, best_x, best_y = rank, x, y
            x = int(following[x])
    return best_x, best_y
