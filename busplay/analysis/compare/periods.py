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
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

BINS_MOST = 1 << 19
PERIODS_LEAST = 3  # fewer in the whole recording are no period
EVENTS_LEAST = 8
STRETCH_LEAST = 32
# What makes a frequency below the peak the true one: this share of the peak's strength, and as
# much by itself as chance gives once in twenty thousand.
FUNDAMENTAL_SHARE, FUNDAMENTAL_LEAST = 0.5, 10.0
FRAMES_RHYTHM = 0.9
# Points between whole numbers of turns, so that no frequency falls between two points.
FINER = 2

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
    peak = int(np.argmax(strength))
    log_chance = math.log(tried) - float(strength[peak])
    turns, divisors = _fundamental(raised, strength, peak)
    if log_chance >= 0 or _is_frames_rhythm(frames_mean, turns, divisors):
        return None
    length = _refine(events, FINER * span / turns, span)
    if span / length < PERIODS_LEAST:
        return None
    phases = events / length % 1.0
    spread = _circular_spread(phases)
    scatter = float(np.std(events)) or 1.0
    # The slope of phase over time, as in a straight line's least squares.
    error = spread * length * length / (2 * math.pi * math.sqrt(len(events)) * scatter)
    arc_start, arc = _smallest_arc(phases)
    inside = (frames / length - arc_start) % 1.0 <= arc
    return Period(length, error, log_chance, arc, float(inside.mean()))


def _hands(times: Floats, bins: int, span: float) -> NDArray[np.complex128]:
    """Give the mean hand at each number of turns in the recording, in steps of 1 / FINER."""
    places = np.minimum((times * (bins / span)).astype(np.int64), bins - 1)
    counts = np.bincount(places, minlength=bins)
    hands: NDArray[np.complex128] = np.fft.rfft(counts, FINER * bins) / len(times)
    return hands


def _strength(
    events: NDArray[np.complex128], frames: NDArray[np.complex128], event_count: int, count: int
) -> Floats:
    """Give what is exponential with mean 1 at each frequency if damage is undirected."""
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


def _fundamental(raised: Floats, strength: Floats, peak: int) -> tuple[float, int]:
    """Give the lowest frequency of which the peak is a multiple and that is about as clear.

    Returns:
        the frequency, in points, and how many divisors of it are frequencies at all.
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
    divisor = int(divisors[clear][-1])
    return peak / divisor, most // divisor


def _is_frames_rhythm(frames: NDArray[np.complex128], turns: float, divisors: int) -> bool:
    """Tell whether a frequency is only a multiple of that in which all frames come.

    Damage that depends on a frame's place in a burst shows at multiples of the bursts' rate.
    """
    lower = np.rint(turns / np.arange(2, divisors + 1)).astype(np.int64)
    return bool((np.abs(frames[lower]) > FRAMES_RHYTHM).any())


def _refine(events: Floats, length: float, span: float) -> float:
    """Move the period to where the hands agree best."""
    for reach in (0.5, 0.05):
        turns = span / length + np.linspace(-reach, reach, 201)
        angles = 2 * math.pi / span * turns[:, None] * events[None, :4096]
        agreement = np.abs(np.exp(1j * angles).mean(axis=1))
        length = span / float(turns[int(np.argmax(agreement))])
    return length


def _circular_spread(phases: Floats) -> float:
    """Give the standard deviation of phases, in radians."""
    agreement = abs(complex(np.exp(2j * math.pi * phases).mean()))
    return math.sqrt(max(0.0, -2 * math.log(max(agreement, 1e-12))))


def _smallest_arc(phases: Floats) -> tuple[float, float]:
    """Find the smallest part of a turn that has nine tenths of the phases: start and length."""
    ordered = np.sort(phases)
    count = len(ordered)
    need = math.ceil(0.9 * count)
    twice = np.concatenate([ordered, ordered + 1])
    lengths = twice[need - 1 : need - 1 + count] - twice[:count]
    first = int(np.argmin(lengths))
    return float(ordered[first]), float(lengths[first])
