"""How likely chance alone explains something: binomial tails, in logarithms.

Follows: the binomial distribution; union (Bonferroni) bounds wherever a test was one of many.
"""

from __future__ import annotations

import math

import numpy as np


def log_binomial_tail(hits: int, trials: int, share: float) -> float:
    """Return ln P(X >= hits) for X binomial; `share` is each trial's chance.

    >>> round(math.exp(log_binomial_tail(9, 10, 0.5)), 6)
    0.010742
    """
    if hits <= 0 or share >= 1:
        return 0.0
    if hits > trials or share <= 0:
        return -math.inf
    k = np.arange(hits, trials + 1, dtype=np.float64)
    log_factorial = _log_factorials(trials)
    terms = (
        log_factorial[trials]
        - log_factorial[hits:]
        - log_factorial[trials - hits :: -1]
        + k * math.log(share)
        + (trials - k) * math.log1p(-share)
    )
    most = float(terms.max())
    return min(0.0, most + math.log(float(np.exp(terms - most).sum())))


def _log_factorials(most: int) -> np.ndarray:
    return np.concatenate([[0.0], np.cumsum(np.log(np.arange(1, most + 1, dtype=np.float64)))])


def log_interval_chance(inside: int, events: int, share: float) -> float:
    """Bound ln P(some interval of this share of all frames has `inside` of `events`).

    Two of the events are the interval's ends; given those, the others fall between them by
    chance. Summed over all pairs that is a bound, whatever the distribution of addresses.
    """
    if inside < 3 or share >= 1:
        return 0.0
    pairs = math.log(events * (events - 1) / 2)
    ends = math.log(min(1.0, 2 * max(share, 1e-300)))
    return min(0.0, pairs + ends + log_binomial_tail(inside - 2, events - 2, share))
