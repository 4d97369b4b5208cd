"""How many points of a space over GF(2) meet at least one of several sets of equations.

How to think about it. Each event is an affine subspace, so the share of points in any
intersection is a power of two by its rank, or 0. The union is counted in the first of these ways
that is affordable, and the result says which:

- `counted`: all points, where there are few;
- `independent`: no equation of any event depends on the others, so the chances multiply;
- `inclusion`: inclusion and exclusion over the sets of events that can hold together;
- `sampled`: drawn points, with the interval of what was counted.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from busplay.analysis.intervals import wilson_interval
from busplay.batch import UInt64Column
from busplay.link.gf2 import Span

Method = Literal["counted", "independent", "inclusion", "sampled"]
# Rows of an event: bits 1 and up are the factors of the unknowns, bit 0 is the value.
Rows = tuple[int, ...]

COUNTED_DIMENSIONS_MAX = 16
NODES_MAX = 4_000
SAMPLES = 100_000
IMPOSSIBLE = 1


@dataclass(frozen=True, slots=True)
class Share:
    """A share of all words.

    Attributes:
        ratio: 0 to 1.
        method: how it was found; see this module.
        low, high: the interval of 95 % if it was sampled, else `ratio` twice.
        samples: points that were drawn; 0 if none were.
    """

    ratio: float
    method: Method
    low: float
    high: float
    samples: int = 0


def exact_share(ratio: Fraction | float, method: Method) -> Share:
    """Return a share that is known exactly."""
    value = float(ratio)
    return Share(value, method, value, value)


def union_share(
    events: Sequence[Rows], dimensions: int, *, seed: int, samples: int = SAMPLES
) -> Share:
    """Return the share of points that meet all equations of at least one event.

    Args:
        events: an event without equations holds everywhere.
        dimensions: unknowns, up to 64.
        seed: of the points that are drawn where counting is too much.
        samples: how many those are.
    """
    return _union_share(tuple(events), dimensions, seed, samples)


@lru_cache(maxsize=64)
def _union_share(events: tuple[Rows, ...], dimensions: int, seed: int, samples: int) -> Share:
    possible = _simplified(events)
    if not possible:
        return exact_share(0, "inclusion")
    if any(not event for event in possible):
        return exact_share(1, "inclusion")
    if dimensions <= COUNTED_DIMENSIONS_MAX:
        points = np.arange(1 << dimensions, dtype=np.uint64)
        met = int(_meets_any(possible, points).sum())
        return exact_share(Fraction(met, len(points)), "counted")
    total = sum(len(event) for event in possible)
    if Span(row >> 1 for event in possible for row in event).rank == total:
        missed = Fraction(1)
        for event in possible:
            missed *= 1 - Fraction(1, 1 << len(event))
        return exact_share(1 - missed, "independent")
    # Who asks for few samples is in a hurry.
    found = _by_inclusion(possible, nodes_max=NODES_MAX * min(samples, SAMPLES) // SAMPLES)
    if found is not None:
        return exact_share(found, "inclusion")
    random = np.random.default_rng(seed)
    highest = (1 << dimensions) - 1
    points = random.integers(0, highest, samples, np.uint64, endpoint=True)
    met = int(_meets_any(possible, points).sum())
    interval = wilson_interval(met, samples)
    return Share(met / samples, "sampled", interval.low, interval.high, samples)


def _simplified(events: Sequence[Rows]) -> list[Rows]:
    """Return each event as independent rows; impossible ones and repetitions are left out."""
    kept: dict[Rows, None] = {}
    for event in events:
        span = Span()
        rows = tuple(row for row in event if span.add(row))
        if IMPOSSIBLE not in span:
            kept[rows] = None
    return list(kept)


def _meets_any(events: Sequence[Rows], points: UInt64Column) -> NDArray[np.bool_]:
    met = np.zeros(len(points), np.bool_)
    for event in events:
        here = np.ones(len(points), np.bool_)
        for row in event:
            ones = np.bitwise_count(points & np.uint64(row >> 1)) & np.uint8(1)
            here &= ones == np.uint8(row & 1)
        met |= here
    return met


def _by_inclusion(events: Sequence[Rows], *, nodes_max: int) -> Fraction | None:
    """Add and take away intersections; None if there are too many that can hold together."""
    nodes = 0
    # Whole numbers in units of the smallest possible chance keep this quick.
    unit_bits = Span(row >> 1 for event in events for row in event).rank

    def below(first: int, span: Span, sign: int) -> int | None:
        nonlocal nodes
        total = 0
        for index in range(first, len(events)):
            nodes += 1
            if nodes > nodes_max:
                return None
            both = span.copy()
            for row in events[index]:
                both.add(row)
            if IMPOSSIBLE in both:
                continue
            total += sign << (unit_bits - both.rank)
            deeper = below(index + 1, both, -sign)
            if deeper is None:
                return None
            total += deeper
        return total

    found = below(0, Span(), 1)
    return None if found is None else Fraction(found, 1 << unit_bits)
