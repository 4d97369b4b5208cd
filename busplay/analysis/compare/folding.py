"""Events laid on a circle, a turn a period: how close together they are, and how surely so.

What tells a period of few events is how closely they keep it: nine losses within a thousandth
of their period are no chance, though among so many periods nine hands often point one way.

Follows: epoch folding of event times; least squares for phase against time; from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from busplay.analysis.compare.significance import log_interval_chance

PERIODS_LEAST = 3  # fewer in the whole recording are no period
ARC_SHARE = 0.9  # of the events lie in the part of a period that is told
# So many frames a sample may miss in a short part of the period.
SHORT_PART_FRAMES = 3
DIVISORS_MOST = 64
EVENTS_TO_FIT, EVENTS_TO_LOOK = 1_024, 256
# How far from a first guess, in turns in the recording, and at how many places.
NEAR = ((4.0, 160), (0.5, 40), (0.03, 24))
FAR = ((512.0, 4_096), (0.25, 40), (0.02, 40))
# At a divisor, events may take so much more of the time; and the other parts of the period must
# have frames: they are spread over it, or so few of them are where the events are.
SAME_TIME, FRAMES_SPREAD, FEWER_FRAMES = 1.25, 0.5, 0.75

Floats = NDArray[np.float64]


class Period(NamedTuple):
    """A period, in the unit of the times.

    Attributes:
        length: of a period.
        length_error: one standard deviation.
        log_chance: natural logarithm of the chance that a random choice of frames shows any
            period as clearly.
        arc: the smallest share of the period that has nine tenths of the events.
        background: share of all frames that fall there.
    """

    length: float
    length_error: float
    log_chance: float
    arc: float
    background: float


@dataclass(frozen=True, slots=True)
class Folding:
    """Events, and the frames that they were chosen from, to be folded at any period.

    Attributes:
        events: times from 0, rising.
        frames: times of a sample of all frames, rising.
        span: time that the events stand for.
        finest: times closer than this are one.
    """

    events: Floats
    frames: Floats
    span: float
    finest: float

    def judge(self, turns: float) -> Period:
        """Measure a period, and how likely a random choice of frames keeps it so closely.

        The chance counts all periods that differ where events lie so close together.
        """
        length = self.span / turns
        phases = self.events / length % 1.0
        scatter = float(np.std(self.events)) or 1.0
        # The slope of phase over time, as in a straight line's least squares.
        error = _circular_spread(phases) * length * length
        error /= 2 * math.pi * math.sqrt(len(phases)) * scatter
        start, arc = smallest_arc(phases)
        background = self._share_inside(turns, start, arc)
        # A sample of frames may miss a short part by chance.
        count = len(self.frames)
        seen = (background * count + SHORT_PART_FRAMES) / (count + SHORT_PART_FRAMES)
        inside = math.ceil(ARC_SHARE * len(phases))
        periods = math.log(self.span / self.finest / max(arc, self.finest / length))
        log_chance = log_interval_chance(inside, len(phases), seen) + periods
        return Period(length, error, log_chance, arc, background)

    def refine(self, turns: float) -> float:
        """Move a number of turns to where the hands agree best nearby.

        Where frames pause, agreement has side lobes some turns away that may be higher than the
        peak itself at the points of a transform: so look that far.
        """
        return self._agreeing_best(turns, NEAR, _some(self.events, EVENTS_TO_FIT))

    def refine_far(self, turns: float) -> float:
        """Move a number of turns to where the hands agree best at all around.

        A program that draws once a refresh makes side lobes that are a whole refresh rate away.
        """
        around = self._agreeing_best(turns, FAR, _some(self.events, EVENTS_TO_LOOK))
        return self.refine(around)

    def refine_frames(self, turns: float) -> float:
        """Move a number of turns to where the frames themselves agree best nearby."""
        return self._agreeing_best(turns, NEAR[1:], _some(self.frames, EVENTS_TO_FIT))

    def _agreeing_best(
        self, turns: float, steps: tuple[tuple[float, int], ...], events: Floats
    ) -> float:
        turn = 2 * math.pi / self.span * events
        for reach, count in steps:
            tried = turns + np.linspace(-reach, reach, count + 1)
            tried = tried[tried >= 1]
            if not len(tried):
                return turns
            agreement = np.abs(np.exp(1j * tried[:, None] * turn[None, :]).mean(axis=1))
            turns = float(tried[int(np.argmax(agreement))])
        # Between those steps a straight line through the phases, each at its nearest turn.
        centred = turn - turn.mean()
        for _ in range(2):
            angles = turns * turn
            middle = np.angle(np.exp(1j * angles).mean())
            apart = (angles - middle + math.pi) % (2 * math.pi) - math.pi
            turns -= float(centred @ apart) / max(float(centred @ centred), 1e-300)
        return turns

    def lowest(self, turns: float) -> float:
        """Return the lowest part of a number of turns at which events keep as close in time.

        What comes 60 times a second agrees at 240 too. It is 60 if the events take no more time
        of the longer period than they did of the shorter, unless that is the frames' doing:
        frames that themselves come 60 times a second let nothing be seen of the other three.
        """
        events = _some(self.events, EVENTS_TO_FIT) / self.span
        frames = _some(self.frames, EVENTS_TO_FIT)
        start, arc = smallest_arc(events * turns % 1.0)
        share = self._share_inside(turns, start, arc)
        least = self.finest / self.span * turns
        lowest = turns
        for divisor in range(2, min(DIVISORS_MOST, int(turns / PERIODS_LEAST)) + 1):
            part_turns = turns / divisor
            start, part = smallest_arc(events * part_turns % 1.0)
            if part * divisor > SAME_TIME * max(arc, least):
                continue
            hands = np.exp(2j * math.pi / self.span * part_turns * frames)
            if (
                abs(complex(hands.mean())) < FRAMES_SPREAD
                or self._share_inside(part_turns, start, part) <= FEWER_FRAMES * share
            ):
                lowest = part_turns
        return lowest

    def _share_inside(self, turns: float, start: float, arc: float) -> float:
        """Return the share of all frames in a part of the period, and in what is one with it."""
        near = self.finest / self.span * turns / 2
        inside = (self.frames / self.span * turns - start + near) % 1.0 <= arc + 2 * near
        return float(inside.mean())


def _some(times: Floats, most: int) -> Floats:
    """Choose some of the times, with no rhythm in the choice."""
    if len(times) <= most:
        return times
    return np.sort(np.random.default_rng(1).choice(times, most, replace=False))


def _circular_spread(phases: Floats) -> float:
    """Return the standard deviation of phases, in radians."""
    agreement = abs(complex(np.exp(2j * math.pi * phases).mean()))
    return math.sqrt(max(0.0, -2 * math.log(max(agreement, 1e-12))))


def smallest_arc(phases: Floats) -> tuple[float, float]:
    """Find the smallest part of a turn that has nine tenths of the phases: start and length."""
    ordered = np.sort(phases)
    count = len(ordered)
    need = math.ceil(ARC_SHARE * count)
    twice = np.concatenate([ordered, ordered + 1])
    lengths = twice[need - 1 : need - 1 + count] - twice[:count]
    first = int(np.argmin(lengths))
    return float(ordered[first]), float(lengths[first])
