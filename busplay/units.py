"""Exact conversions between cycles, link edges, slots and nanoseconds. Integers only."""

from __future__ import annotations

from dataclasses import dataclass
from math import gcd
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    # The command line reads the constants without loading NumPy.
    from busplay.batch import UInt64Column

NS_PER_S = 1_000_000_000
PS_PER_S = 10**12


@dataclass(frozen=True, slots=True)
class Ratio:
    """A positive fraction that scales counts exactly, in lowest terms."""

    numerator: int
    denominator: int

    @classmethod
    def of(cls, numerator: int, denominator: int) -> Ratio:
        """Make the fraction; both parts must be positive."""
        if numerator <= 0 or denominator <= 0:
            raise ValueError(f"a ratio needs positive parts, not {numerator}/{denominator}")
        common = gcd(numerator, denominator)
        return cls(numerator // common, denominator // common)

    def floor(self, count: int) -> int:
        """Scale and round down."""
        return count * self.numerator // self.denominator

    def ceil(self, count: int) -> int:
        """Scale and round up."""
        return -(-count * self.numerator // self.denominator)

    def ceil_column(self, counts: UInt64Column) -> UInt64Column:
        """Scale a column and round up; exact as long as the results fit 64 bits."""
        uint64 = counts.dtype.type
        numerator, denominator = uint64(self.numerator), uint64(self.denominator)
        # Split so that no product exceeds 64 bits unless the result does.
        whole, rest = divmod(counts, denominator)
        return whole * numerator + (rest * numerator + denominator - uint64(1)) // denominator


def edges_per_processor_cycle(
    processor_hz: int, link_hz: int | None, edges_per_link_cycle: int
) -> Ratio:
    """Return the link edges in one processor cycle; `link_hz` None: the processor's clock."""
    return Ratio.of((link_hz or processor_hz) * edges_per_link_cycle, processor_hz)
