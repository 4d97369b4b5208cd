"""Intervals of rates that were counted, and of means of a few values.

Source: Wilson's score interval, NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.4.1;
Student's t interval of a mean, 1.3.5.2, its quantiles from the table in 1.3.6.7.2
"""

from __future__ import annotations

from collections.abc import Sequence
from math import sqrt
from statistics import fmean, stdev
from typing import NamedTuple

# Standard normal quantile of 0.975, so that intervals hold 95 %.
QUANTILE_95 = 1.959963984540054


# Quantiles of 0.975 of Student's t with 1, 2, 3, ... degrees of freedom.
# fmt: off
T_QUANTILES_95 = (
    12.706, 4.303, 3.182, 2.776, 2.571, 2.447, 2.365, 2.306, 2.262, 2.228,
    2.201, 2.179, 2.160, 2.145, 2.131, 2.120, 2.110, 2.101, 2.093, 2.086,
    2.080, 2.074, 2.069, 2.064, 2.060, 2.056, 2.052, 2.048, 2.045, 2.042,
)
# fmt: on


class Interval(NamedTuple):
    """Where a rate lies, with 95 % confidence by default."""

    low: float
    high: float

    def __contains__(self, value: object) -> bool:
        return isinstance(value, int | float) and self.low <= value <= self.high


def wilson_interval(found: int, tried: int, *, quantile: float = QUANTILE_95) -> Interval:
    """Return the interval in which a rate lies of which `found` of `tried` were seen.

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


def t_quantile(degrees: int) -> float:
    """Return the quantile of 0.975 of Student's t; beyond the table that of the normal, corrected.

    Args:
        degrees: of freedom, 1 or more.

    Source: as above; the correction is two terms of Cornish and Fisher's expansion.
    """
    if degrees < 1:
        raise ValueError(f"{degrees} degrees of freedom")
    if degrees <= len(T_QUANTILES_95):
        return T_QUANTILES_95[degrees - 1]
    z = QUANTILE_95
    first = (z**3 + z) / (4 * degrees)
    return z + first + (5 * z**5 + 16 * z**3 + 3 * z) / (96 * degrees**2)


def mean_interval(values: Sequence[float]) -> Interval:
    """Return the interval, with 95 % confidence, in which the mean lies of which values were drawn.

    Args:
        values: independent of each other; two or more.

    Source: as above.

    >>> low, high = mean_interval([1.0, 2.0, 3.0])
    >>> round(low, 3), round(high, 3)
    (-0.484, 4.484)
    """
    count = len(values)
    if count < 2:
        raise ValueError(f"{count} values have no spread")
    quantile = t_quantile(count - 1)
    half = quantile * stdev(values) / sqrt(count)
    middle = fmean(values)
    return Interval(middle - half, middle + half)
