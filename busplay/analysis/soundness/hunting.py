"""What a receiver that hunts has learnt from the place that it just gave up.

How to think about it. Places one symbol apart read windows that share all bits but two symbols,
so a place's syndrome tells much of the next one's: on one lane a check register steps on by one
bit. A receiver comes to a place because the one before was wrong, and its chance there is another
than that of a place by itself. So the syndrome is carried along: the expected number of visits of
each place with each syndrome, from which follows with what chance the places pass that are tried.

Each step from one place to the next is exact, by elimination; what places before the last one
have told beyond that is left out. That is exact where fresh bits enter, and follows constant runs.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from busplay.analysis.soundness.chances import PassChances
from busplay.analysis.soundness.frame_space import FrameSpace, Judge, window
from busplay.link.gf2 import Span
from busplay.link.layout import FrameLayout

SYNDROME_BITS_MAX = 10
Visits = NDArray[np.float64]


def while_hunting(
    layout: FrameLayout, frames: FrameSpace, chances: PassChances, *, first_place: int | None = None
) -> PassChances:
    """Return the chances of places as a hunting receiver meets them on a stream of random frames.

    Args:
        layout: of a link whose check finds the frames; others come back unchanged, and so do
            those of which the check has too many bits to follow.
        frames: what every slot carries.
        chances: of the places by themselves; of one slot.
        first_place: place that is tried first, the one before it having failed; None: each place
            as often.
    """
    judge = Judge(layout)
    size = layout.frame_symbols
    if judge.bits > SYNDROME_BITS_MAX or chances.places != size or not frames.basis:
        return chances
    steps = [_Step(layout, frames, judge, offset) for offset in range(size)]
    hazards = chances.run[:, 0].copy()
    # A place is left for good if all windows that confirm it pass as well.
    confirmed = np.prod(chances.run[:, 1:], axis=1)
    visits: Visits = np.zeros(1 << judge.bits)
    for place in range(1, size):
        if first_place is None:
            visits += steps[place].spread_evenly()
        elif place == first_place:
            visits += steps[place - 1].after_failure()
        total = visits.sum()
        if total <= 0:
            continue
        passed = visits[0]
        hazards[place] = min(1.0, passed / total)
        visits[0] = 0.0
        behind = steps[place].onward(visits)
        # Frames later the same place failed, and the next one is tried.
        visits = behind + passed * (1 - confirmed[place]) * steps[place].after_failure()
    run = chances.run.copy()
    run[:, 0] = hazards
    return replace(chances, run=run)


class _Step:
    """How a place's syndrome leads to that of the place one symbol later; 0 is a right window."""

    def __init__(self, layout: FrameLayout, frames: FrameSpace, judge: Judge, offset: int) -> None:
        bits, base = judge.bits, frames.base
        span, rest = Span(), Span()
        rows: list[int] = []
        for vector in frames.basis:
            for first, second in ((vector, 0), (0, vector)):
                here = judge.linear(window(layout, first, second, offset))
                behind = judge.linear(window(layout, first, second, offset + 1))
                left = span.reduce_above(here << bits | behind, bits)
                if left >> bits:
                    span.add(left)
                    rows.append(left)
                else:
                    rest.add(left)
        low = (1 << bits) - 1
        here_at = judge.constant ^ judge.linear(window(layout, base, base, offset))
        behind_at = judge.constant ^ judge.linear(window(layout, base, base, offset + 1))
        self._size = 1 << bits
        self._here = np.array([here_at], np.int64)
        self._behind = np.array([behind_at], np.int64)
        for row in rows:
            self._here = np.concatenate([self._here, self._here ^ (row >> bits)])
            self._behind = np.concatenate([self._behind, self._behind ^ (row & low)])
        self._fresh = rest.rows

    def spread_evenly(self) -> Visits:
        """Return one visit, each syndrome that the place can have being as likely."""
        visits = np.zeros(self._size)
        visits[self._here] = 1 / len(self._here)
        return visits

    def after_failure(self) -> Visits:
        """Return one visit of the next place after this one failed; none if it cannot."""
        visits = self.spread_evenly()
        visits[0] = 0.0
        total = visits.sum()
        return self.onward(visits / total) if total else visits

    def onward(self, visits: Visits) -> Visits:
        """Return the visits of the next place that follow those of this one."""
        found = np.zeros(self._size)
        np.add.at(found, self._behind, visits[self._here])
        every = np.arange(self._size)
        for vector in self._fresh:
            found = (found + found[every ^ vector]) / 2
        return found
