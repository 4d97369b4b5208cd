"""When to read each lane: the best moment between changes, found from the data.

Where nothing changes there may be several stretches to choose from (a device that answers to
the clock changes its lanes at another time than the one that drives it). Then a receiver
tries them on the beginning of the capture, and the one with which the check holds best is
taken; where the link has no check, the widest.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import islice, product

import numpy as np

from busplay.batch import ChangeBatch
from busplay.capture.clock import Int64Column
from busplay.capture.lane_map import LaneMap
from busplay.capture.sampling import SymbolSampler
from busplay.capture.survey import ClockSurvey, find_openings, phases
from busplay.link.layout import FrameLayout
from busplay.receiver.receiver import Receiver

# A lane keeps the common moment if that leaves it this share of its own best margin.
_GOOD_MARGIN = 0.75
_TRIED_OPENINGS = 6
_OWN_OPENINGS = 3
_SHORT_CHANGES = 4_000
_COMBINATIONS_MAX = 729
_FINALS = 8
# With fewer samples an edge than this a lane may need a moment of its own.
_FEW_SAMPLES = 2


@dataclass(frozen=True, slots=True)
class ReceiverTrial:
    """What a receiver made of a stretch of a capture.

    Attributes:
        valid: frames in sync that were valid, idle ones among them.
        invalid: frames in sync that were invalid or aborted.
        missed: frames that the sequence field says were missed.
        syncs: times that it came into sync.
        symbols: symbols that it was given.
    """

    valid: int
    invalid: int
    missed: int
    syncs: int
    symbols: int

    @property
    def score(self) -> tuple[int, int, int]:
        """The higher the better: valid frames less invalid ones; then fewer missed."""
        return (self.valid - 2 * self.invalid, -self.missed, -self.syncs)


def try_receiver(
    changes: ChangeBatch,
    layout: FrameLayout,
    lane_map: LaneMap,
    survey: ClockSurvey,
    offsets_ps: tuple[int, ...],
) -> ReceiverTrial:
    """Decode a stretch of a capture with a receiver."""
    sampler = SymbolSampler(layout, lane_map, survey.plan, offsets_ps)
    receiver = Receiver(layout)
    number = 0
    for run in (sampler.feed(changes), sampler.flush()):
        receiver.feed_symbols(run.symbols, number)
        number += len(run)
    seen = receiver.counters
    return ReceiverTrial(
        valid=seen.frames_received + seen.frames_idle,
        invalid=seen.checks_failed + seen.frames_aborted,
        missed=seen.frames_missed,
        syncs=seen.syncs_gained,
        symbols=number,
    )


def find_moments(
    changes: ChangeBatch, layout: FrameLayout, lane_map: LaneMap, survey: ClockSurvey
) -> tuple[int, ...]:
    """Find the moment at which each lane, and the strobe behind them, is best read.

    Returns:
        for each the time from the clock's edge in ps, within half a period of it.
    """
    period_ps = survey.plan.period_ps
    own = [phases(changes, probe, survey.edge_ps, period_ps) for probe in lane_map.data]
    openings = find_openings(np.concatenate(own), period_ps, most=_TRIED_OPENINGS)
    common = [opening.middle_ps for opening in openings]
    mean = _mean_middle(own, period_ps)
    if openings[0].width_ps * 4 < period_ps or openings[0].noise:
        # Lanes that are skewed against each other leave no stretch that suits them all.
        common.append(mean)
    tried: list[tuple[int, ...]] = []
    for middle in common:
        offsets = tuple(_refined(one, middle, period_ps) for one in own)
        if offsets not in tried:
            tried.append(offsets)
    if len(tried) == 1:
        return tried[0]
    best, best_trial = tried[0], None
    for offsets in tried:
        trial = try_receiver(changes, layout, lane_map, survey, offsets)
        if best_trial is None or trial.score > best_trial.score:
            best, best_trial = offsets, trial
        if trial.valid and not trial.invalid and not trial.missed and layout.syndrome_bits:
            return offsets
    few_samples = 0 < survey.samples_per_edge < _FEW_SAMPLES
    if layout.syndrome_bits and (few_samples or (best_trial and best_trial.valid == 0)):
        return _each_its_own(changes, layout, lane_map, survey, own, best, common)
    return best


def _each_its_own(
    changes: ChangeBatch,
    layout: FrameLayout,
    lane_map: LaneMap,
    survey: ClockSurvey,
    own: Sequence[Int64Column],
    best: tuple[int, ...],
    common: Sequence[int],
) -> tuple[int, ...]:
    """Try each lane's openings with each of the others'; return `best` where that is no better.

    An analyser whose rate is an exact ratio of the clock's sees a lane change at few places,
    and a lane that is a nanosecond late may be seen a whole sample later.
    """
    period_ps = survey.plan.period_ps
    choices = [
        [one.middle_ps for one in find_openings(phase_ps, period_ps, most=_OWN_OPENINGS)]
        if len(phase_ps)
        else list(common[:1])
        for phase_ps in own
    ]
    busy = _busiest(changes, lane_map)
    graded = [
        (try_receiver(busy, layout, lane_map, survey, offsets).score, offsets)
        for offsets in islice(product(*choices), _COMBINATIONS_MAX)
    ]
    graded.sort(reverse=True)
    finals = [best, *(offsets for _, offsets in graded[:_FINALS])]
    trials = [try_receiver(changes, layout, lane_map, survey, offsets) for offsets in finals]
    return max(zip(trials, finals, strict=True), key=lambda pair: pair[0].score)[1]


def _busiest(changes: ChangeBatch, lane_map: LaneMap) -> ChangeBatch:
    """Return the stretch in which the lanes change most, as idle frames show little."""
    mask = sum(1 << probe.index for probe in lane_map.data)
    moved = (changes.level[1:] ^ changes.level[:-1]) & np.uint64(mask)
    busy = np.bitwise_count(moved).astype(np.int64)
    starts = range(0, max(1, len(busy) - _SHORT_CHANGES), _SHORT_CHANGES // 2)
    first = max(starts, key=lambda one: int(busy[one : one + _SHORT_CHANGES].sum()))
    return changes[first : first + _SHORT_CHANGES]


def _mean_middle(own: Sequence[Int64Column], period_ps: int) -> int:
    """Return the mean of the lanes' own best moments, on the circle of one period."""
    middles = [find_openings(one, period_ps)[0].middle_ps for one in own if len(one)]
    turn = 2j * np.pi / period_ps
    direction = sum(np.exp(turn * middle) for middle in middles)
    return int(np.rint(np.angle(direction) / (2 * np.pi) * period_ps))


def _refined(phase_ps: Int64Column, middle_ps: int, period_ps: int) -> int:
    """Keep the common moment if it suits the lane, or return the lane's own nearest to it."""
    if not len(phase_ps):
        return middle_ps
    best: tuple[int, int] | None = None
    for opening in find_openings(phase_ps, period_ps):
        away = _turned(opening.middle_ps - middle_ps, period_ps)
        margin = opening.width_ps // 2 - abs(away)
        if margin >= _GOOD_MARGIN * (opening.width_ps // 2):
            return middle_ps
        if opening.width_ps * 8 >= period_ps and (best is None or abs(away) < abs(best[0])):
            best = away, opening.middle_ps
    return middle_ps if best is None else middle_ps + best[0]


def _turned(difference_ps: int, period_ps: int) -> int:
    """Bring a difference of moments to within half a period."""
    return (difference_ps + period_ps // 2) % period_ps - period_ps // 2
