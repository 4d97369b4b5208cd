"""How a receiver comes into sync and stays there, for each class of traffic.

How to think about it. There are three methods, and each figure names its own: an idle link has
few places, and all are followed (`exact`); frames that are random and independent
are a Markov chain (`computed`); all else is drawn from a seed and followed (`simulated`), which
comes with the interval of 95 %. Where even the chain would neglect that places depend on each
other, receivers are followed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import inf, log1p
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from busplay.analysis.intervals import t_quantile, wilson_interval
from busplay.analysis.soundness.chain import (
    PLACES_MAX,
    ChainTimes,
    chain_times,
    mean_frames_in_sync,
    noisy_power_on,
)
from busplay.analysis.soundness.frame_space import sent_frames
from busplay.analysis.soundness.passing import are_independent, confirm_frames
from busplay.analysis.soundness.traffic import (
    Traffic,
    TrafficKind,
    draw_rings,
    pattern_of,
)
from busplay.analysis.soundness.walk import NEVER, Integers, Walk, Walked
from busplay.analysis.soundness.weights import UndetectedErrors
from busplay.description.link import MarkerFraming, StrobeFraming
from busplay.link.layout import FrameLayout

Method = Literal["exact", "computed", "simulated"]
# One receiver in 100 has lost sync by then.
LOST_RATIO = 0.01
# Up to this mean the distribution is run frame by frame; beyond it is exponential, to within
# `release_frames` parts of the mean.
FOLLOWED_FRAMES_MAX = 200_000
# Receivers followed through the rings of a class.
TRIALS = 8_192
# Only idle frames carry a marker; where the link asks for none, one slot in this many is taken.
ASSUMED_IDLE_EVERY = 64
MINUTE = 1e-12


@dataclass(frozen=True, slots=True)
class Mean:
    """A mean, and where it lies.

    Attributes:
        value: the mean over receivers that resynchronise; infinite if none does.
        low: lower end of the interval of 95 % if it was simulated, else the value.
        high: upper end of it, else the value.
    """

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class SyncFigures:
    """Coming into sync under one class of traffic.

    Attributes:
        traffic: the class, in words.
        kind: what the stores of the class have in common.
        method: `exact` (all cases followed), `computed` (Markov chain) or `simulated`.
        power_on_symbols: symbols from power-on at a random symbol to SYNC.
        power_on_p99_symbols: symbols within which 99 % are in SYNC; null: they are not.
        power_on_false_ratio: probability that this is a false sync.
        lost_edge_symbols: symbols from a lost edge, at a random symbol, to SYNC.
        lost_edge_p99_symbols: symbols within which 99 % are in SYNC again; null: they are not.
        lost_edge_false_ratio: probability that this is a false sync.
        frames_lost: frames lost for each lost edge, from the damaged one until true sync; of the
            edges after which it comes.
        frames_lost_p99: frames that 99 % of lost edges cost at most; null: they do not end.
        never_ratio: probability that true sync does not come for as long as the traffic lasts.
        never_low_ratio: lower end of its interval of 95 % if simulated, else the same.
        never_high_ratio: upper end of it, else the same.
        never_at_once_ratio: probability that power-on ends in false sync, or in none, for good.
    """

    traffic: str
    kind: TrafficKind
    method: Method
    power_on_symbols: Mean
    power_on_p99_symbols: int | None
    power_on_false_ratio: float
    lost_edge_symbols: Mean
    lost_edge_p99_symbols: int | None
    lost_edge_false_ratio: float
    frames_lost: Mean
    frames_lost_p99: int | None
    never_ratio: float
    never_low_ratio: float
    never_high_ratio: float
    never_at_once_ratio: float

    @property
    def worst_never_ratio(self) -> float:
        """Probability that true sync does not come, from a lost edge or from power-on."""
        return max(self.never_ratio, self.never_at_once_ratio)


def shows_marker_in_idle_frames_only(layout: FrameLayout) -> bool:
    """Return whether a receiver needs idle frames to find the start of frames."""
    framing = layout.link.framing
    if not isinstance(framing, MarkerFraming):
        return False
    frames = sent_frames(layout)
    shift = layout.frame_bits - len(framing.symbols) * layout.lanes
    marker = layout.bits_of_symbols(framing.symbols)
    return frames.base >> shift != marker or any(one >> shift for one in frames.basis)


def with_idle_slots(layout: FrameLayout) -> FrameLayout:
    """Return the layout for which sync is worked out: with idle slots where it needs them."""
    if layout.link.idle_every is None and shows_marker_in_idle_frames_only(layout):
        return FrameLayout(replace(layout.link, idle_every=ASSUMED_IDLE_EVERY))
    return layout


def sync_figures(layout: FrameLayout, traffic: Traffic, *, seed: int) -> SyncFigures:
    """Work out how a receiver comes into sync under one class of traffic.

    Args:
        layout: of the link; see `with_idle_slots`.
        traffic: the class.
        seed: random seed of what is simulated.
    """
    if isinstance(layout.link.framing, StrobeFraming):
        return _by_strobe(layout, traffic)
    if layout.frame_symbols == 1:
        # A frame that is one symbol is lost whole, and the next begins where it should.
        return _at_once(traffic, [1 + confirm_frames(layout)], [0])
    rings = draw_rings(layout, traffic, seed=seed)
    walk = Walk(layout, rings.words)
    count = len(rings.words)
    per_ring = walk.places // count
    random = np.random.default_rng(seed)
    trials = max(1, TRIALS // count)
    if per_ring <= trials:
        places = np.arange(walk.places).reshape(count, per_ring)
    else:
        first = np.arange(count)[:, None] * per_ring
        # One in each of equal parts of the ring, so that long stretches count by their length.
        parts = np.arange(trials) + random.random((count, trials))
        places = first + np.minimum(parts * (per_ring / trials), per_ring - 1).astype(np.int64)
    on = walk.power_on(places.reshape(-1))
    lost = walk.lost_edge(places.reshape(-1))
    is_back = lost.true_symbols < NEVER
    passed = (places.reshape(-1) % layout.frame_symbols + 1 + lost.true_symbols) // (
        layout.frame_symbols
    )
    frames = np.where(is_back, passed, NEVER)
    found = _followed(traffic, on, lost, frames, count, is_exact=rings.is_all)
    chain = None if rings.is_all else _chain(layout, traffic)
    return found if chain is None else _by_chain(found, *chain)


def _chain(layout: FrameLayout, traffic: Traffic) -> tuple[ChainTimes, bool] | None:
    """Return the chain's figures and whether they are all that there is to know."""
    slots = pattern_of(layout, traffic)
    if slots is None or len(slots) * layout.frame_symbols > PLACES_MAX:
        return None
    if len(slots) > 1 and traffic.kind is not TrafficKind.RANDOM:
        # As many equations as slots for each unit: following receivers is quicker.
        return None
    is_exact = are_independent(layout, slots)
    if not is_exact and traffic.kind is not TrafficKind.RANDOM:
        return None
    times = chain_times(layout, slots)
    return None if times is None else (times, is_exact)


def _by_chain(found: SyncFigures, times: ChainTimes, is_exact: bool) -> SyncFigures:
    """Put the chain's figures in the place of simulated ones, or but its small probabilities."""
    found = replace(
        found,
        power_on_false_ratio=times.power_on_false_ratio,
        lost_edge_false_ratio=times.lost_edge_false_ratio,
    )
    if not is_exact:
        return found

    def exact(value: float) -> Mean:
        return Mean(value, value, value)

    return replace(
        found,
        method="computed",
        power_on_symbols=exact(times.power_on_symbols),
        lost_edge_symbols=exact(times.lost_edge_symbols),
        frames_lost=exact(times.lost_frames),
        never_ratio=times.never_ratio,
        never_low_ratio=times.never_ratio,
        never_high_ratio=times.never_ratio,
    )


def _by_strobe(layout: FrameLayout, traffic: Traffic) -> SyncFigures:
    """The next frame's strobe: the receiver is in sync once its first symbol has come."""
    framing = layout.link.framing
    size, slot = layout.frame_symbols, layout.slot_symbols
    # A held strobe must have rested before, so a frame that begins at power-on is missed.
    missed = int(isinstance(framing, StrobeFraming) and framing.span == "frame")
    on = [wait + missed for wait in range(1, slot + 1)]
    return _at_once(traffic, on, [slot - 1 - lost for lost in range(size)])


def _at_once(traffic: Traffic, on: Sequence[int], lost: Sequence[int]) -> SyncFigures:
    """Return figures of waits, each as likely as any other, at the end of which all is right."""
    at_on, at_lost = (
        Walked(symbols, np.zeros(len(symbols), np.bool_), symbols)
        for symbols in (np.array(on, np.int64), np.array(lost, np.int64))
    )
    return _followed(traffic, at_on, at_lost, np.ones(len(lost), np.int64), 1, is_exact=True)


def _followed(
    traffic: Traffic, on: Walked, lost: Walked, frames: Integers, rings: int, *, is_exact: bool
) -> SyncFigures:
    """Return the figures of receivers that were followed.

    Args:
        traffic: that they met.
        on, lost: what became of them from power-on, and from a lost edge.
        frames: int64[len(lost)]; frames lost; `NEVER` where no sync came.
        rings: into which the receivers are parted evenly.
        is_exact: these are all cases that there are.
    """
    nevers = (frames >= NEVER).reshape(rings, -1).mean(axis=1)
    never = float(nevers.mean())
    low = high = never
    if not is_exact:
        # Receivers on a ring of one store meet nothing else, so the rings are what was drawn.
        drawn = rings if traffic.kind is TrafficKind.REPEATED else len(frames)
        low, high = wilson_interval(round(never * drawn), drawn)
        if drawn != rings and 0 < never < 1:
            spread = _interval(nevers)
            low, high = max(0.0, min(low, spread.low)), min(1.0, max(high, spread.high))
    return SyncFigures(
        traffic=traffic.name,
        kind=traffic.kind,
        method="exact" if is_exact else "simulated",
        power_on_symbols=_mean(on.symbols, rings, is_exact=is_exact),
        power_on_p99_symbols=_quantile(on.symbols),
        power_on_false_ratio=float(on.is_false.mean()),
        lost_edge_symbols=_mean(lost.symbols, rings, is_exact=is_exact),
        lost_edge_p99_symbols=_quantile(lost.symbols),
        lost_edge_false_ratio=float(lost.is_false.mean()),
        frames_lost=_mean(frames, rings, is_exact=is_exact),
        frames_lost_p99=_quantile(frames),
        never_ratio=never,
        never_low_ratio=low,
        never_high_ratio=high,
        never_at_once_ratio=float((on.true_symbols >= NEVER).mean()),
    )


def _interval(values: NDArray[np.float64]) -> Mean:
    """Return the mean of independent values with its interval."""
    middle = float(values.mean())
    if len(values) < 2:
        return Mean(middle, middle, middle)
    half = t_quantile(len(values) - 1) * float(values.std(ddof=1)) / float(np.sqrt(len(values)))
    return Mean(middle, middle - half, middle + half)


def _mean(symbols: Integers, rings: int, *, is_exact: bool) -> Mean:
    """Return the mean of what ended, ring by ring."""
    ended = symbols < NEVER
    if not ended.any():
        return Mean(inf, inf, inf)
    value = float(symbols[ended].mean())
    if is_exact:
        return Mean(value, value, value)
    counts = ended.reshape(rings, -1).sum(axis=1)
    sums = np.where(ended, symbols, 0).reshape(rings, -1).sum(axis=1)
    some = counts > 0
    found = _interval(sums[some] / counts[some])
    half = (found.high - found.low) / 2
    return Mean(value, value - half, value + half)


def _quantile(symbols: Integers) -> int | None:
    """Return the time within which 99 % ended; None: they did not."""
    ordered = np.sort(symbols)
    found = int(ordered[-(-len(ordered) * 99 // 100) - 1])
    return None if found >= NEVER else found


# -- noise


@dataclass(frozen=True, slots=True)
class RateFigures:
    """Figures at one bit error rate.

    Attributes:
        bit_error_rate: probability of an error in each bit, independently.
        damaged_ratio: probability that a frame has a bit error.
        undetected_ratio: probability that a frame has one that goes undetected.
        frames_in_sync: mean number of frames until the receiver loses sync; null: it never does,
            or after more than 1e300.
        frames_in_sync_p1: frames within which one receiver in a hundred loses sync; null likewise.
        power_on_symbols: mean symbols from power-on to SYNC on a link full of random words; null
            where the chain does not apply.
    """

    bit_error_rate: float
    damaged_ratio: float
    undetected_ratio: float
    frames_in_sync: float | None
    frames_in_sync_p1: float | None
    power_on_symbols: float | None


def rate_figures(
    layout: FrameLayout, undetected: UndetectedErrors, bit_error_rate: float
) -> RateFigures:
    """Compute the figures at a bit error rate.

    Args:
        layout: of the link.
        undetected: of its check and constants.
        bit_error_rate: probability that a bit is wrong, each by itself.
    """
    mean = first = None
    framing = layout.link.framing
    if not isinstance(framing, StrobeFraming):
        wrong = undetected.detected_probability(bit_error_rate)
        found = mean_frames_in_sync(wrong, framing.release_frames)
        if found < inf:
            mean = found
            first = frames_to_first_losses(wrong, framing.release_frames)
    symbols = None
    slots = pattern_of(layout, Traffic("random words", TrafficKind.RANDOM))
    if slots is not None:
        symbols = noisy_power_on(layout, slots, bit_error_rate)
    return RateFigures(
        bit_error_rate,
        undetected.damaged_probability(bit_error_rate),
        undetected.undetected_probability(bit_error_rate),
        mean,
        first,
        symbols,
    )


def frames_to_first_losses(wrong_probability: float, release_frames: int) -> float:
    """Return the number of frames by which one receiver in a hundred has lost sync.

    Args:
        wrong_probability, release_frames: as for `mean_frames_in_sync`.

    >>> frames_to_first_losses(0.5, 1)
    1.0
    """
    mean = mean_frames_in_sync(wrong_probability, release_frames)
    if mean > FOLLOWED_FRAMES_MAX:
        return -log1p(-LOST_RATIO) * mean
    running = np.zeros(release_frames)
    running[0] = 1.0
    lost, frames = 0.0, 0
    while lost < LOST_RATIO - MINUTE:
        lost += running[-1] * wrong_probability
        right = running.sum() * (1 - wrong_probability)
        running[1:] = running[:-1] * wrong_probability
        running[0] = right
        frames += 1
    return float(frames)
