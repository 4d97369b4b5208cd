"""A thing that damage has in common, and how sure that is."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal

from busplay.analysis.compare.kinds import Kind

# A pattern is reported only if chance alone gives one as strong in fewer than this share of
# comparisons. Each pattern's probability is already multiplied by how many places (lanes,
# intervals, frequencies, scales) were looked at, and by TESTS, the patterns that are sought.
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
        fits_expected: how many would fit by chance.
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
    """Write a small probability as one in so many.

    >>> one_in(math.log(2e-4)), one_in(-2000.0)
    ('1 in 5,000', '1 in 10^868')
    """
    log10 = -probability_ln / math.log(10)
    if log10 < 6:
        return f"1 in {float(f'{10**log10:.2g}'):,.0f}"
    return f"1 in 10^{int(log10)}"
