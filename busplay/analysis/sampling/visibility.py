"""Can an analyser that samples at a fixed rate see a link: worked out, before one is bought.

How to think about it. Time is counted in sample periods, and the analyser's samples lie at any
phase to the link, each as likely: two clocks are never quite the same, so all phases come by.
A wire's edge is seen at the first sample behind it. So a level that lasts longer than a sample
period is seen for sure, and of two edges that lie a sample period or more apart the order is
seen for sure. That is all an analyser can promise by itself.

A decoder does better than that where the clock is steady: it knows the clock's edges to a
small part of a sample. Then it reads each lane in the middle between the stretches in which
changes are seen, and doubts a symbol if one is seen less than a sample period behind that
moment, as it may have been before it. `doubts` does the same for every phase, by the words of
`busplay.capture.moments` and `sampling`; what share of symbols that is depends on how often
the lanes change.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from busplay.analysis.budget import link_wires
from busplay.batch import SymbolColumn
from busplay.capture.survey import SAMPLES_FOR_CERTAINTY
from busplay.description.link import Link
from busplay.units import PS_PER_S

# A jittering edge strays by up to so many times its root mean square, for all that is promised.
JITTER_PEAK = 3
# A lane keeps the moment that suits all lanes if that leaves it this share of its own margin.
_GOOD_MARGIN = 0.6
_PHASES = 2_520
# Times that are equal are no doubt, whatever rounding makes of them.
_TIE = 1e-6
_JITTER_STEPS = 15
_FEW_PHASES = 4
_FIRST_PHASES = 24
_RATE_STEPS = 80


@dataclass(frozen=True, slots=True)
class Sampling:
    """A link, and an analyser that is to see it.

    Attributes:
        link: sound.
        clock_hz: of the link's clock wire.
        rate_hz: samples in a second.
        channels: that the analyser has; None: enough.
        jitter_ps: root mean square by which each clock edge strays.
        skew_ps: for lanes from 0 on and the strobe, how much later than it should each comes.
    """

    link: Link
    clock_hz: int
    rate_hz: int
    channels: int | None = None
    jitter_ps: int = 0
    skew_ps: tuple[int, ...] = ()

    @property
    def wires(self) -> int:
        """Wires to probe, ground aside."""
        return link_wires(self.link)

    @property
    def level_ps(self) -> Fraction:
        """How long a level of the clock lasts, if high and low are alike."""
        return Fraction(PS_PER_S, 2 * self.clock_hz)

    @property
    def symbol_ps(self) -> Fraction:
        """From one edge on which the link samples to the next."""
        return Fraction(PS_PER_S, self.clock_hz * self.link.edges_per_cycle)

    @property
    def sample_ps(self) -> Fraction:
        """From one sample to the next."""
        return Fraction(PS_PER_S, self.rate_hz)

    @property
    def skews_ps(self) -> tuple[int, ...]:
        """The skew of every lane and of the strobe."""
        wires = self.wires - 1
        return (self.skew_ps + (0,) * wires)[:wires]

    @property
    def samples_per_cycle(self) -> Fraction:
        """Samples in a cycle of the link's clock."""
        return Fraction(self.rate_hz, self.clock_hz)

    @property
    def samples_per_edge(self) -> Fraction:
        """Samples in a level of the clock, as `busplay decode` counts them."""
        return Fraction(self.rate_hz, 2 * self.clock_hz)

    @property
    def follows_steady_clock(self) -> bool:
        """The decoder takes edges from the steady clock: there are too few samples to see them."""
        return self.samples_per_edge < SAMPLES_FOR_CERTAINTY

    @property
    def least_level_ps(self) -> Fraction:
        """The shortest level of the clock, both of its edges strayed as far as they do."""
        return self.level_ps - 2 * JITTER_PEAK * self.jitter_ps

    @property
    def least_gap_ps(self) -> Fraction:
        """The shortest time between a lane's change and a clock edge, on either side."""
        skew = max((abs(one) for one in self.skews_ps), default=0)
        return self.symbol_ps / 2 - skew - JITTER_PEAK * self.jitter_ps

    @property
    def sees_every_level(self) -> bool:
        """No level of the clock can fall between two samples."""
        return self.sample_ps < self.least_level_ps

    @property
    def sees_order(self) -> bool:
        """Whether a lane changed before or after a clock edge is seen for sure."""
        return self.sees_every_level and self.sample_ps <= self.least_gap_ps

    @property
    def has_channels(self) -> bool:
        """There is a channel for every wire."""
        return self.channels is None or self.channels >= self.wires

    @property
    def every_level_hz(self) -> int | None:
        """The rate above which every level of the clock is seen; None: none is enough."""
        return _rate(self.least_level_ps)

    @property
    def order_hz(self) -> int | None:
        """The rate from which the order of edges is seen; None: none is enough."""
        return _rate(min(self.least_gap_ps, self.least_level_ps))

    @property
    def usual_hz(self) -> int:
        """The usual advice: so many samples in each level of the clock."""
        return 2 * SAMPLES_FOR_CERTAINTY * self.clock_hz


def _rate(period_ps: Fraction) -> int | None:
    return None if period_ps <= 0 else -(-PS_PER_S // period_ps)


@dataclass(frozen=True, slots=True)
class Doubt:
    """Lanes whose change puts a symbol in doubt, at a share of all phases.

    Attributes:
        mask: bits of a symbol.
        ratio: of phases.
    """

    mask: int
    ratio: float


def doubts(sampling: Sampling) -> tuple[Doubt, ...]:
    """Work out at which phases a change of which lanes puts a symbol in doubt."""
    phase = (np.arange(_PHASES) + 0.5) / _PHASES
    return _doubts(sampling, phase, -_TIE)


def doubt_ratio(sampling: Sampling, symbols: SymbolColumn | None = None) -> float:
    """Return the share of symbols in doubt that is to be expected.

    Args:
        sampling: what is sampled, and how.
        symbols: what the wires carry; None: every wire changes at every second edge, by chance.
    """
    return _share(doubts(sampling), symbols)


def doubt_range(
    sampling: Sampling, symbols: SymbolColumn | None = None
) -> tuple[float, float] | None:
    """Return least and most that are in doubt where rate and clock are in an exact small ratio.

    Then samples come at a few phases only, and which these are is chance. None where the ratio
    has so many that it makes no difference.
    """
    count = (sampling.symbol_ps / sampling.sample_ps).denominator
    if count > _FEW_PHASES:
        return None
    found = []
    for first in range(_FIRST_PHASES):
        phase = (np.arange(count) + (first + 0.5) / _FIRST_PHASES) / count
        # A lane that changes a sample behind the moment: a hair decides whether it is in doubt.
        found += [_share(_doubts(sampling, phase, tie), symbols) for tie in (-_TIE, _TIE)]
    return min(found), max(found)


def no_doubt_hz(sampling: Sampling) -> int | None:
    """Return the rate from which a decoder that follows a steady clock doubts no symbol.

    Where no lane is late the stretch without changes is a symbol less a sample, and its middle
    has to lie a sample before the next change: three samples a symbol. Late lanes need more,
    which is searched for in steps, up to some more than the usual advice; None: not even that.
    """
    least = -(-3 * PS_PER_S // sampling.symbol_ps)
    if not any(sampling.skews_ps):
        return least
    most = max(least, sampling.usual_hz) * 5 // 4
    enough = None
    for step in range(_RATE_STEPS, -1, -1):
        rate_hz = least + (most - least) * step // _RATE_STEPS
        if doubts(replace(sampling, rate_hz=rate_hz)):
            break
        enough = rate_hz
    return enough


def _doubts(sampling: Sampling, phase: NDArray[np.float64], tie: float) -> tuple[Doubt, ...]:
    sample_ps = float(sampling.sample_ps)
    symbol = float(sampling.symbol_ps) / sample_ps
    skews = [one / sample_ps for one in sampling.skews_ps]
    count = len(phase)
    if sampling.follows_steady_clock:
        # Edges are known as late as they are seen in the mean.
        late = float(_seen(0, phase).mean())
        runs = [(np.full(count, late), np.full(count, late + symbol))]
    else:
        strays = _strays(sampling.jitter_ps / sample_ps)
        runs = [(_seen(one, phase), _seen(symbol + one, phase)) for one in strays]
    lanes = [_seen(symbol / 2 + skew, phase) for skew in skews]
    moments = _moments(lanes, runs, symbol)
    before = 0 if sampling.follows_steady_clock else 1
    found: dict[int, float] = {}
    for edge, following in runs:
        masks = np.zeros(count, np.int64)
        for lane, (seen, moment) in enumerate(zip(lanes, moments, strict=True)):
            after = seen - (edge + moment)
            ahead = following + moment - seen
            doubted = (after < 1 + tie) | (ahead < before + tie)
            masks |= doubted.astype(np.int64) << lane
        values, counts = np.unique(masks, return_counts=True)
        for mask, phases in zip(values.tolist(), counts.tolist(), strict=True):
            if mask:
                found[mask] = found.get(mask, 0.0) + phases / (count * len(runs))
    return tuple(Doubt(mask, ratio) for mask, ratio in sorted(found.items()))


def _share(found: tuple[Doubt, ...], symbols: SymbolColumn | None) -> float:
    total = 0.0
    moved = np.array([], np.uint64) if symbols is None else symbols[1:] ^ symbols[:-1]
    values, counts = np.unique(moved, return_counts=True)
    for doubt in found:
        if symbols is None:
            share = 1 - 0.5 ** doubt.mask.bit_count()
        else:
            hit = (values & values.dtype.type(doubt.mask)) != 0
            share = float(counts[hit].sum()) / max(1, len(symbols))
        total += doubt.ratio * share
    return min(1.0, total)


def _seen(moment: float, phase: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return when a change at that moment is seen, for samples at each phase."""
    return np.asarray(phase + np.ceil(moment - phase), np.float64)


def _strays(jitter: float) -> list[float]:
    """Return how far edges stray, at equal shares of chance."""
    if not jitter:
        return [0.0]
    shares = (np.arange(_JITTER_STEPS) + 0.5) / _JITTER_STEPS
    return [NormalDist(0, jitter).inv_cdf(float(share)) for share in shares]


def _moments(
    lanes: list[NDArray[np.float64]],
    runs: list[tuple[NDArray[np.float64], NDArray[np.float64]]],
    symbol: float,
) -> list[float]:
    """Return when each lane is read, from the edge: amid where none changes, or its own."""
    own = []
    for seen in lanes:
        phases = np.concatenate(
            [part for edge, behind in runs for part in (seen - edge, symbol - (behind - seen))]
        )
        own.append((float(phases.min()), float(phases.max())))
    first, last = min(low for low, _ in own), max(high for _, high in own)
    common = (first + last - symbol) / 2
    moments = []
    for low, high in own:
        middle, width = (low + high - symbol) / 2, max(0.0, symbol - (high - low))
        margin = width / 2 - abs(middle - common)
        moments.append(common if margin >= _GOOD_MARGIN * width / 2 else middle)
    return moments
