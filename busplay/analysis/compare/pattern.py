"""A thing that damage has in common, and how probable it is without a cause.

Follows: the binomial distribution; union (Bonferroni) bounds wherever a test was one of many.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from busplay.analysis.compare.streams import Kind

# A pattern is reported only if random damage shows one as strong in fewer than this share of
# comparisons. Each pattern's probability is already multiplied by how many places (lanes,
# intervals, frequencies, scales) were examined, and by TESTS, the patterns that are sought.
SIGNIFICANCE = 1e-3
TESTS = 12

PatternKind = Literal["lane", "bit", "addresses", "period", "burst"]


@dataclass(frozen=True, slots=True)
class Pattern:
    """One pattern.

    Attributes:
        kind: `lane`, `bit`, `addresses`, `period` or `burst`.
        about: the kind of damage that it is found in.
        sentence: the finding in words, figures included.
        events: pieces of damage, those next to each other taken as one where that matters.
        fits: how many of them fit the pattern.
        fits_expected: how many are expected to fit without a pattern.
        probability_ln: natural logarithm of `probability`.
        figures: the pattern's own numbers, units in their names.
        probability: that undirected damage shows a pattern as strong, of any kind that was
            sought; 0 where it is too small for a float.
    """

    kind: PatternKind
    about: Kind
    sentence: str
    events: int
    fits: int
    fits_expected: float
    probability_ln: float
    figures: dict[str, int | float | str] = field(default_factory=dict)
    probability: float = field(init=False)

    def __post_init__(self) -> None:
        """Work the probability out."""
        object.__setattr__(self, "probability", math.exp(max(self.probability_ln, -745.0)))


def is_significant(probability_ln: float) -> bool:
    """Return whether the evidence is enough to report a pattern."""
    return probability_ln < math.log(SIGNIFICANCE)


def one_in(probability_ln: float) -> str:
    """Write a small probability as one in a round number.

    >>> one_in(math.log(2e-4)), one_in(-2000.0)
    ('1 in 5,000', '1 in 10^868')
    """
    log10 = -probability_ln / math.log(10)
    if log10 < 6:
        return f"1 in {float(f'{10**log10:.2g}'):,.0f}"
    return f"1 in 10^{int(log10)}"


def log_binomial_tail(hits: int, trials: int, share: float) -> float:
    """Return ln P(X >= hits) for X binomial; `share` is each trial's probability.

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


def log_interval_probability(inside: int, events: int, share: float) -> float:
    """Bound ln P(some interval of this share of all frames has `inside` of `events`).

    Two of the events are the interval's ends; given those, the others fall between them
    at random. Summed over all pairs that is a bound, whatever the distribution of addresses.
    """
    if inside < 3 or share >= 1:
        return 0.0
    pairs = math.log(events * (events - 1) / 2)
    ends = math.log(min(1.0, 2 * max(share, 1e-300)))
    return min(0.0, pairs + ends + log_binomial_tail(inside - 2, events - 2, share))
