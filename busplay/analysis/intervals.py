"""Intervals of rates that were counted.

Source: Wilson's score interval, NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.4.1
"""

from __future__ import annotations

from math import sqrt
from typing import NamedTuple

# Standard normal quantile of 0.975, so that intervals hold 95 %.
QUANTILE_95 = 1.959963984540054


class Interval(NamedTuple):
    """Where a rate lies, with 95 % confidence unless the caller says otherwise."""

    low: float
    high: float

    def __contains__(self, value: object) -> bool:
        return isinstance(value, int | float) and self.low <= value <= self.high


def wilson_interval(found: int, tried: int, *, quantile: float = QUANTILE_95) -> Interval:
    """Give the interval in which a rate lies of which `found` of `tried` were seen.

    Args:
        found: how often it happened, 0 to `tried`.
        tried: how often it could have; 0 says nothing: the interval is 0 to 1.
        quantile: standard normal quantile; 95 % by default.

    Source: as above.

    >>> low, high = wilson_interval(4, 20)
    >>> round(low, 6), round(high, 6)
    (0.080658, 0.416017)
    """
    if not 0 <= found <= tried:
        raise ValueError(f"{found} of {tried} cannot be found")
    if tried == 0:
        return Interval(0.0, 1.0)
    square = quantile * quantile
    ratio = found / tried
    middle = ratio + square / (2 * tried)
    half = quantile * sqrt(ratio * (1 - ratio) / tried + square / (4 * tried * tried))
    scale = 1 + square / tried
    low = 0.0 if found == 0 else (middle - half) / scale
    high = 1.0 if found == tried else (middle + half) / scale
    return Interval(low, high)
