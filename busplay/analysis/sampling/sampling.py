"""A link, and an analyser that samples it at a fixed rate; with the trade's rules of thumb."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from busplay.analysis.budget import link_wires
from busplay.capture.survey import SAMPLES_FOR_CERTAINTY
from busplay.description.link import Link
from busplay.units import PS_PER_S

# A jittering edge strays by up to this many times its root mean square, for all that is promised.
JITTER_PEAK = 3


@dataclass(frozen=True, slots=True)
class Sampling:
    """A link, and an analyser that is to see it.

    Attributes:
        link: sound.
        clock_hz: of the link's clock wire.
        rate_hz: samples in a second.
        jitter_ps: root mean square by which each clock edge strays.
        skew_ps: for lanes from 0 on and the strobe, how much later than it should each comes.
    """

    link: Link
    clock_hz: int
    rate_hz: int
    jitter_ps: int = 0
    skew_ps: tuple[int, ...] = ()

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
        wires = link_wires(self.link) - 1
        return (self.skew_ps + (0,) * wires)[:wires]

    @property
    def every_level_hz(self) -> int | None:
        """The rate above which every level of the clock is seen; None: none is enough.

        The shortest level has both of its edges strayed as far as they do.
        """
        level_ps = Fraction(PS_PER_S, 2 * self.clock_hz) - 2 * JITTER_PEAK * self.jitter_ps
        return _rate(level_ps)

    @property
    def order_hz(self) -> int | None:
        """The rate from which a lane's change is seen on its side of an edge; None: none is."""
        skew = max((abs(one) for one in self.skews_ps), default=0)
        gap_ps = self.symbol_ps / 2 - skew - JITTER_PEAK * self.jitter_ps
        gap_hz, level_hz = _rate(gap_ps), self.every_level_hz
        return None if gap_hz is None or level_hz is None else max(gap_hz, level_hz)

    @property
    def usual_hz(self) -> int:
        """The usual advice: several samples in each level of the clock."""
        return 2 * SAMPLES_FOR_CERTAINTY * self.clock_hz


def _rate(period_ps: Fraction) -> int | None:
    return None if period_ps <= 0 else -(-PS_PER_S // period_ps)
