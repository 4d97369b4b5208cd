"""Does damage come at a frequency? A periodogram of event times against that of all frames.

How to think about it. At each frequency every event is a hand on a clock; hands that point the
same way are the sign of a period (the Rayleigh test). But frames themselves come in periods, a
program draws once a refresh, so undirected damage does too. So the mean hand of the events is
held against the mean hand of a sample of all frames: their difference, measured by how far
means of so few hands scatter (a covariance that the frames' second harmonic gives), has half a
squared length that is exponential with mean 1 if the damage is a random choice of frames.

Damage in heaps raises this at many neighbouring frequencies at once. So it is divided by its
median over a stretch of frequencies where that is higher than chance says, which never makes a
peak higher.

Follows: Rayleigh test of uniformity on a circle; periodogram of a point process (D. R. Cox and
P. A. W. Lewis, The Statistical Analysis of Series of Events); from memory.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from busplay.analysis.compare.folding import PERIODS_LEAST, Floats, Folding, Period

BINS_MOST = 1 << 19
EVENTS_LEAST = 8
STRETCH_LEAST = 32
# What makes a frequency below the peak the true one: this share of the peak's strength, and as
# much by itself as chance gives once in twenty thousand.
FUNDAMENTAL_SHARE, FUNDAMENTAL_LEAST = 0.5, 10.0
FRAMES_RHYTHM = 0.9
LOW_TURNS = 4_096
# Points between whole numbers of turns, so that no frequency falls between two points.
FINER = 2


def find_period(events: Floats, frames: Floats, *, finest: float) -> Period | None:
    """Find the clearest period of events that are a choice of frames.

    Only the time from the first event to the last is looked at, so that damage that begins or
    ends within a recording is no sign of a slow period.

    Args:
        events: times, rising.
        frames: times of a sample of all frames, rising.
        finest: times closer than this are one.
    """
    if len(events) < EVENTS_LEAST:
        return None
    start = float(events[0])
    # As much behind the last event as lies between two of them.
    span = (float(events[-1]) - start) * len(events) / (len(events) - 1)
    events = events - start
    frames = frames[(frames >= start) & (frames < start + span)] - start
    if len(frames) < EVENTS_LEAST or span <= finest:
        return None
    bins = 1 << max(6, min(BINS_MOST, int(span / finest)).bit_length() - 1)
    events_mean, frames_mean = _hands(events, bins, span), _hands(frames, bins, span)
    raised = _strength(events_mean, frames_mean, len(events), len(frames))
    strength = _flattened(raised)
    tried = len(strength) - PERIODS_LEAST * FINER
    if tried < 1:
        return None
    strength[: PERIODS_LEAST * FINER] = 0
    folding = Folding(events, frames, span, finest)
    rhythm = _frames_rhythm(folding, frames_mean)

    def judged(turns: float, by_hands: float) -> Period | None:
        turns = folding.lowest(turns)
        if not PERIODS_LEAST <= turns <= bins / 2 or _is_multiple(turns, rhythm):
            return None
        found = folding.judge(turns)
        # Either test may speak: twice the chance.
        log_chance = min(by_hands, found.log_chance) + math.log(2)
        return found._replace(log_chance=log_chance) if log_chance < 0 else None

    best: Period | None = None
    for point in _candidates(strength, np.abs(events_mean[: len(strength)]), len(events)):
        by_hands = math.log(tried) - float(strength[point])
        turns = folding.refine(_fundamental(raised, strength, point) / FINER)
        best = _clearer(best, judged(turns, by_hands))
    if best is None:
        return None
    return _clearer(best, judged(folding.refine_far(span / best.length), 0.0))


def _clearer(one: Period | None, other: Period | None) -> Period | None:
    if one is None or other is None:
        return one or other
    return min(one, other, key=lambda period: period.log_chance)


def _candidates(strength: Floats, agreement: Floats, event_count: int) -> list[int]:
    """Choose the frequencies to look at closely, in points: the clearest by either measure.

    Few events that keep a period exactly do not stand out by their hands, as chance makes as
    few agree somewhere among so many frequencies; how closely they agree tells them apart.
    """
    count = max(4, min(48, 4_096 // event_count))
    agreement = agreement.copy()
    agreement[: PERIODS_LEAST * FINER] = 0
    clearest: dict[int, None] = {}
    low = agreement[: 1 + FINER * LOW_TURNS]
    for values in (strength, strength[: len(low)], low):
        most = min(count, len(values))
        top = np.argpartition(values, -most)[-most:]
        clearest |= dict.fromkeys(top[np.argsort(values[top])[::-1]].tolist())
    return [point for point in clearest if point >= PERIODS_LEAST * FINER]


def _hands(times: Floats, bins: int, span: float) -> NDArray[np.complex128]:
    """Return the mean hand at each number of turns in the recording, in steps of 1 / FINER."""
    places = np.minimum((times * (bins / span)).astype(np.int64), bins - 1)
    counts = np.bincount(places, minlength=bins)
    hands: NDArray[np.complex128] = np.fft.rfft(counts, FINER * bins) / len(times)
    return hands


def _strength(
    events: NDArray[np.complex128], frames: NDArray[np.complex128], event_count: int, count: int
) -> Floats:
    """Return what is exponential with mean 1 at each frequency if damage is undirected."""
    usable = (len(frames) - 1) // 2 + 1  # of these twice the frequency is known
    mean, second = frames[:usable], frames[: 2 * usable : 2]
    x, y = mean.real, mean.imag
    # Covariance of one hand; the floor keeps a hand that hardly moves from meaning much.
    xx = np.maximum((1 + second.real) / 2 - x * x, 0.02)
    yy = np.maximum((1 - second.real) / 2 - y * y, 0.02)
    xy = second.imag / 2 - x * y
    room = 0.98 * np.sqrt(xx * yy)
    xy = np.clip(xy, -room, room)
    apart = events[:usable] - mean
    dx, dy = apart.real, apart.imag
    length = (yy * dx * dx - 2 * xy * dx * dy + xx * dy * dy) / (xx * yy - xy * xy)
    strength: Floats = length / (2 * (1 / event_count + 1 / count))
    return strength


def _flattened(raised: Floats) -> Floats:
    """Divide by the median of each stretch of frequencies, where that is higher than chance."""
    strength = raised.copy()
    start = 1
    while start < len(strength):
        stop = max(start + STRETCH_LEAST, start + start // 4)
        if len(strength) - stop < STRETCH_LEAST:
            stop = len(strength)
        stretch = strength[start:stop]
        stretch /= max(1.0, float(np.median(stretch)) / math.log(2))
        start = stop
    return strength


def _fundamental(raised: Floats, strength: Floats, peak: int) -> float:
    """Return the lowest frequency of which the peak is a multiple and that is about as clear.

    In points, as the peak.
    """
    most = max(1, peak // (PERIODS_LEAST * FINER))
    divisors = np.arange(1, most + 1)
    near = np.rint(peak / divisors).astype(np.int64)
    # The peak is known to half a point, and so are the frequencies below it.
    clear = np.zeros(len(divisors), np.bool_)
    for aside in (-1, 0, 1):
        at = np.clip(near + aside, 1, len(raised) - 1)
        clear |= (raised[at] >= FUNDAMENTAL_SHARE * raised[peak]) & (
            strength[at] >= FUNDAMENTAL_LEAST
        )
    clear[0] = True
    return peak / int(divisors[clear][-1])


def _frames_rhythm(folding: Folding, frames_mean: NDArray[np.complex128]) -> float | None:
    """Return the lowest number of turns at which nearly all frames come together, if any is."""
    first = PERIODS_LEAST * FINER
    together = np.abs(frames_mean[first:]) > FRAMES_RHYTHM
    if not together.any():
        return None
    start = int(np.argmax(together))
    stop = start + int(np.argmin(np.append(together[start:], False)))
    top = first + start + int(np.argmax(np.abs(frames_mean[first + start : first + stop])))
    return folding.refine_frames(top / FINER)


def _is_multiple(turns: float, rhythm: float | None) -> bool:
    """Tell whether a frequency is only a multiple of that in which all frames come.

    Damage that depends on a frame's place in a burst shows at multiples of the bursts' rate.
    """
    if rhythm is None:
        return False
    times = round(turns / rhythm)
    return times >= 2 and abs(turns - times * rhythm) < 1.0
