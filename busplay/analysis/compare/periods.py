"""Does damage come at a frequency? Damaged frames folded at a period, held against all frames.

How to think about it. Lay a turn of a period into parts and count, for each part, the damaged
frames and all frames. Damage that keeps a period crowds into a run of neighbouring parts, and
the frames themselves do not. How much it does is the `_score`: the relative entropy, in nats a
damaged frame, of damage inside and outside the run against frames inside and outside. Since
frames stand on both sides, a program that draws sixty times a second does not look like damage
that comes sixty times a second.

Folding at a multiple of the frequency widens the run, folding at a part of it splits the run in
two: so the frequency itself has the highest score, and names itself. A side lobe (frames that
pause make some) scores less for the same reason.

How large a score arises at random is read off the same damage, folded at frequencies that mean
nothing: over all of the spectrum, and near the one that is judged, since damage in heaps
raises all low frequencies at once. The highest of many scores follows Gumbel's distribution;
its two numbers come from the lower half of those scores, which no true period reaches.

A spectrum of the damage less that of the frames, summed over multiples, only proposes the
frequencies that are worth folding.

Follows: epoch folding, and sums over harmonics, as in searches for pulsars; Gumbel (1958) for
the extremes; from memory.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

EVENTS_LEAST = 8
PERIODS_LEAST = 3  # fewer between the first event and the last are no period
PARTS = 512
RUNS = (1, 2, 3, 4, 5, 6, 8, 10, 12, 16, 20, 24, 32, 40, 48, 64, 80, 96, 128, 160, 192, 256)
# Each part has this many frames besides those of the sample, as a sample may miss a short part.
FRAMES_BESIDE = 0.05
FOLDED_MOST = 20_000
FITTED_MOST = 1_024
# The spectrum: times in bins, two points to a turn, up to half as many turns as bins.
BINS_MOST = 1 << 19
FINER = 2
HARMONICS = (1, 2, 4, 8, 16)
PROPOSED = 24
# A part of the clearest frequency is taken for it if it scores nearly as much.
DIVISORS, AS_CLEAR = range(2, 9), 0.93
# Neighbouring points whose median is what is expected there.
FLOOR_POINTS = 64
STEPS = ((0.5, 24), (0.06, 16))  # reach in turns, places to each side
# Frequencies that mean nothing: how many, and how far aside, as a part of this many turns.
MEANINGLESS = 100
ASIDE, ASIDE_TURNS_MOST = (0.2, 0.45), 200.0
# Of Gumbel's distribution with scale 1: from a tenth of all values to the median, and from its
# mode to the median.
TENTH_TO_MEDIAN, MODE_TO_MEDIAN = 1.2006, 0.3665


class Period(NamedTuple):
    """A period, in the unit of the times.

    Attributes:
        length: of a period.
        length_error: one standard deviation.
        probability_ln: natural logarithm of the probability that damage without a period shows
            any as clearly.
        arc: the part of the period in which damage crowds.
        inside: share of the events there.
        background: share of all frames there.
    """

    length: float
    length_error: float
    probability_ln: float
    arc: float
    inside: float
    background: float


class _Score(NamedTuple):
    nats: float
    arc: float
    inside: float
    background: float


def find_period(events: Floats, frames: Floats, *, finest: float) -> Period | None:
    """Find the clearest period of events that are a choice of frames.

    A recording too long for the spectrum to reach the fastest periods is looked at twice: as a
    whole, and where events are densest.

    Args:
        events: times, rising.
        frames: times of a sample of all frames, rising.
        finest: how far apart frames usually are; half as fast as they come is the fastest period.
    """
    if len(events) < EVENTS_LEAST:
        return None
    found = [_find_in(events, frames, finest)]
    reach = BINS_MOST * finest
    if events[-1] - events[0] > reach:
        held = np.searchsorted(events, events + reach) - np.arange(len(events))
        first = int(np.argmax(held))
        dense = events[first : first + int(held[first])]
        found.append(_find_in(dense, frames, finest))
    periods = [one for one in found if one is not None]
    if not periods:
        return None
    best = min(periods, key=lambda one: one.probability_ln)
    return best._replace(probability_ln=best.probability_ln + math.log(len(found)))


def _find_in(events: Floats, frames: Floats, finest: float) -> Period | None:
    """Look at the time from the first event to the last only, so that where damage begins or
    ends is no sign of a slow period.
    """
    count, start = len(events), float(events[0])
    if count < EVENTS_LEAST:
        return None
    # As much behind the last event as lies between two of them.
    span = (float(events[-1]) - start) * count / (count - 1)
    events = events - start
    frames = frames[(frames >= start) & (frames < start + span)] - start
    if len(frames) < EVENTS_LEAST or span <= finest:
        return None
    bins = 1 << max(6, min(BINS_MOST, int(span / finest)).bit_length() - 1)
    events, frames = events / span, frames / span
    fitted, folded = _some(events, FITTED_MOST), _some(events, FOLDED_MOST)
    background = _some(frames, FOLDED_MOST)
    best, turns = _Score(0.0, 1.0, 1.0, 1.0), 0.0

    def judge(proposed: float, *, least_nats: float) -> None:
        nonlocal best, turns
        refined = _refined(fitted, proposed)
        if PERIODS_LEAST <= refined <= bins / 2:
            score = _score(folded, background, refined)
            if score.nats > least_nats:
                best, turns = score, refined

    for proposed in _proposals(events, frames, bins):
        judge(proposed, least_nats=best.nats)
    # Where frames come in only a part of the period, its multiples score as much.
    clearest, least_nats = turns, AS_CLEAR * best.nats
    for divisor in DIVISORS:
        judge(clearest / divisor, least_nats=least_nats)
    if not turns:
        return None
    random = np.random.default_rng(1)
    anywhere = np.exp(random.uniform(math.log(PERIODS_LEAST), math.log(bins / 2), MEANINGLESS))
    aside = min(turns, ASIDE_TURNS_MOST) * random.uniform(*ASIDE, MEANINGLESS)
    aside[::2] *= -1
    probability_ln = max(
        _tail_ln(best.nats, [_score(folded, background, float(one)).nats for one in turns_tried])
        for turns_tried in (anywhere, np.maximum(turns + aside, 1.0))
    )
    length = span / turns
    hands = np.exp(2j * math.pi * turns * folded)
    spread = math.sqrt(max(0.0, -2 * math.log(max(abs(complex(hands.mean())), 1e-12))))
    # The slope of phase over time, as in a straight line's least squares.
    scatter = float(np.std(folded)) or 1.0
    error = spread / (2 * math.pi * math.sqrt(len(folded)) * scatter) * length / turns
    return Period(
        length,
        error,
        min(0.0, probability_ln + math.log(FINER * bins)),
        best.arc,
        best.inside,
        best.background,
    )


def _some(times: Floats, most: int) -> Floats:
    """Choose some of the times, with no rhythm in the choice."""
    if len(times) <= most:
        return times
    return np.sort(np.random.default_rng(1).choice(times, most, replace=False))


def _score(events: Floats, frames: Floats, turns: float) -> _Score:
    """Fold, and find the run of parts in which damage crowds most."""
    shares = []
    for times, beside in ((events, 0.0), (frames, FRAMES_BESIDE)):
        parts = (times * turns % 1.0 * PARTS).astype(np.int64)
        counts = np.bincount(np.minimum(parts, PARTS - 1), minlength=PARTS) + beside
        twice = np.concatenate([counts, counts]) / counts.sum()
        shares.append(np.concatenate([[0.0], np.cumsum(twice)]))
    best = _Score(0.0, 1.0, 1.0, 1.0)
    for run in RUNS:
        inside, background = (np.clip(one[run:][:PARTS] - one[:PARTS], 0.0, 1.0) for one in shares)
        nats = _relative_entropy(inside, np.clip(background, 1e-9, 1 - 1e-9))
        nats[inside <= background] = 0.0
        first = int(np.argmax(nats))
        if nats[first] > best.nats:
            best = _Score(
                float(nats[first]), run / PARTS, float(inside[first]), float(background[first])
            )
    return best


def _relative_entropy(share: Floats, of: Floats) -> Floats:
    """Return in nats what shares inside (and the rest outside) say against `of`."""
    outside = 1 - share
    nats: Floats = share * np.log(np.where(share > 0, share / of, 1.0))
    nats += outside * np.log(np.where(outside > 0, outside / (1 - of), 1.0))
    return nats


def _tail_ln(nats: float, meaningless: list[float]) -> float:
    """Return ln of the probability of a score without a period, by meaningless folds."""
    tenth, median = np.quantile(meaningless, [0.1, 0.5])
    scale = max(float(median - tenth) / TENTH_TO_MEDIAN, 1e-9)
    return -(nats - float(median)) / scale - MODE_TO_MEDIAN


def _refined(events: Floats, turns: float) -> float:
    """Move a number of turns to where the hands of a clock agree best nearby."""
    for reach, places in STEPS:
        tried = turns + np.linspace(-reach, reach, 2 * places + 1)
        angles = 2 * math.pi * tried[:, None] * events[None, :]
        agreement = np.cos(angles).mean(axis=1) ** 2 + np.sin(angles).mean(axis=1) ** 2
        turns = float(tried[int(np.argmax(agreement))])
    return turns


# -- the spectrum


def _proposals(events: Floats, frames: Floats, bins: int) -> list[float]:
    """Return numbers of turns worth folding at: the strongest, alone or with their multiples."""
    strength = np.abs(_hands(events, bins) - _hands(frames, bins)) ** 2
    # Damage in heaps is strong at all frequencies nearby; what stands out there is wanted.
    whole = len(strength) // FLOOR_POINTS * FLOOR_POINTS
    blocks = strength[:whole].reshape(-1, FLOOR_POINTS)
    blocks /= np.maximum(np.median(blocks, axis=1, keepdims=True), 1e-12)
    strength = strength[:whole]
    first = PERIODS_LEAST * FINER
    strength[:first] = 0.0
    proposed: set[float] = set()
    for harmonics in HARMONICS:
        tops = np.arange(first * harmonics, len(strength))
        if not len(tops):
            break
        # By its highest multiple a frequency is known finely enough for all below it.
        total = np.zeros(len(tops))
        for number in range(1, harmonics + 1):
            total += strength[(tops * number + harmonics // 2) // harmonics]
        most = min(PROPOSED, len(tops))
        strongest = np.argpartition(total, -most)[-most:]
        proposed |= set((tops[strongest] / (harmonics * FINER)).tolist())
    return sorted(proposed)


def _hands(times: Floats, bins: int) -> NDArray[np.complex128]:
    """Return the mean hand at each number of turns in the recording, in steps of 1 / FINER.

    Args:
        times: 0 to 1.
    """
    counts = np.bincount(np.minimum((times * bins).astype(np.int64), bins - 1), minlength=bins)
    hands: NDArray[np.complex128] = np.fft.rfft(counts, FINER * bins) / len(times)
    return hands
