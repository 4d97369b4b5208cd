"""A thing that damage has in common, and how sure that is."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal

from busplay.analysis.compare.kinds import Kind

# A pattern is told only if chance alone would give one this strong in fewer than this share of
# comparisons. Each pattern's chance is already multiplied by how many places (lanes, intervals,
# frequencies, scales) were looked at, and by TESTS, the patterns that are sought at all.
CHANCE_MOST = 1e-3
TESTS = 12

PatternKind = Literal["lane", "bit", "addresses", "period", "burst"]


@dataclass(frozen=True, slots=True)
class Pattern:
    """One pattern.

    Attributes:
        kind: which.
        about: the kind of damage that it is seen in.
        sentence: what is seen, in plain words, figures included.
        events: pieces of damage that were looked at, those next to each other taken as one
            where that matters.
        fits: how many of them fit the pattern.
        by_chance: how many would fit by chance.
        log_chance: natural logarithm of the chance that undirected damage shows a pattern as
            strong as this, of this or any other kind that was sought.
        figures: the pattern's own numbers, units in their names.
    """

    kind: PatternKind
    about: Kind
    sentence: str
    events: int
    fits: int
    by_chance: float
    log_chance: float
    figures: dict[str, int | float | str] = field(default_factory=dict)

    @property
    def chance(self) -> float:
        """The chance itself; 0 where it is too small for a float."""
        return math.exp(self.log_chance) if self.log_chance > -700 else 0.0

    @property
    def confidence(self) -> float:
        """1 less the chance."""
        return 1.0 - self.chance


def is_told(log_chance: float) -> bool:
    """Tell whether the evidence is enough to say so."""
    return log_chance < math.log(CHANCE_MOST)


def chance_text(log_chance: float) -> str:
    """Say a chance as one in so many.

    >>> chance_text(math.log(2e-4)), chance_text(-2000.0)
    ('1 in 5,000', '1 in 10^868')
    """
    log10 = -log_chance / math.log(10)
    if log10 < 6:
        return f"1 in {float(f'{10**log10:.2g}'):,.0f}"
    return f"1 in 10^{int(log10)}"
