"""Changes and glitches of every wire, counted while a capture is decoded."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from busplay.capture import sampled_symbols
from tests.capture.captures import changes_of
from tests.naive import capture as naive

SHIFTS = np.array([0, 16], np.uint64)


@given(
    st.lists(st.tuples(st.integers(1, 40), st.integers(0, 0b111)), min_size=1, max_size=60),
    st.sampled_from((0, 1, 8, 30, 100)),
    st.sets(st.integers(1, 59)),
)
def test_glitches_are_counted_however_the_capture_is_cut(
    steps: list[tuple[int, int]], glitch_ps: int, cuts: set[int]
) -> None:
    # Two wires in the lowest byte and one in the third.
    levels = [(bits & 0b11) | (bits >> 2) << 17 for _, bits in steps]
    times = np.cumsum([step for step, _ in steps]).tolist()
    rows = [
        (when, level)
        for n, (when, level) in enumerate(zip(times, levels, strict=True))
        if n == 0 or level != levels[n - 1]
    ]
    changed_ps = np.full(64, -1, np.int64)
    changes = np.zeros((2, 256), np.int64)
    glitches = np.zeros(64, np.int64)
    before = np.uint64(rows[0][1])
    places = sorted({0, len(rows), *(cut for cut in cuts if cut < len(rows))})
    for first, stop in pairwise(places):
        batch = changes_of(rows[first:stop])
        sampled_symbols.count_glitches(
            batch.time_ps,
            batch.level,
            before,
            np.uint64(0b11 | 1 << 17),
            SHIFTS,
            glitch_ps,
            changed_ps,
            changes,
            glitches,
        )
        before = batch.level[-1]
    for bit, row, place in ((0, 0, 0), (1, 0, 1), (17, 1, 1)):
        has_bit = np.arange(256) >> place & 1 == 1
        counted = int(changes[row, has_bit].sum()), int(glitches[bit])
        assert counted == naive.changes_and_glitches(rows, bit, glitch_ps)
