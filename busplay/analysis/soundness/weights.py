"""Undetected errors by their weight, the count of wrong bits.

How to think about it. An error goes undetected exactly if its bits' columns sum to 0: such errors
are the words of a linear code, and a layout's constants are checks too. The code's dual has one
word for each combination of check bits, so where these are few a Walsh-Hadamard transform of the
columns gives the weights of all dual words at once, and the MacWilliams identity turns them into
the number of undetected errors of every weight. Where instead these errors are few they are
listed. In between, errors of low weight are counted by meeting in the middle: the syndromes of
the errors in the first half of the frame against those of the second half.

Source: MacWilliams identity for binary linear codes, with Krawtchouk polynomials.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import comb, expm1, log1p

import numpy as np
from numpy.typing import NDArray

from busplay.link.gf2 import coordinates, solution_space

# A transform of this many bits takes a tenth of a second.
TRANSFORM_BITS_MAX = 18
LISTED_BITS_MAX = 20
MIDDLE_WEIGHT = 6


@dataclass(frozen=True, slots=True)
class UndetectedErrors:
    """How many errors of each weight go undetected.

    Attributes:
        frame_bits: bits of a frame.
        check_rank: independent check bits, constants among them.
        counts: entry w is the number of undetected errors of w bits, entry 0 is 1; complete if it
            has `frame_bits + 1` entries, else it ends at the weight that was counted.
    """

    frame_bits: int
    check_rank: int
    counts: tuple[int, ...]

    @property
    def min_distance(self) -> int | None:
        """Fewest bit errors that go undetected; None: more than were counted, or none do."""
        return next((w for w, count in enumerate(self.counts) if w and count), None)

    @property
    def random_ratio(self) -> float:
        """Share of random damage that goes undetected, all wrong words being equally likely."""
        undetected = (1 << (self.frame_bits - self.check_rank)) - 1
        return undetected / ((1 << self.frame_bits) - 1)

    def undetected_probability(self, bit_error_rate: float) -> float:
        """Probability that a frame is damaged, undetected.

        Weights that were not counted are taken as if each of their errors went undetected with
        the probability of random damage.
        """
        p = bit_error_rate
        known = sum(
            count * p**w * (1 - p) ** (self.frame_bits - w)
            for w, count in enumerate(self.counts)
            if w
        )
        for w in range(len(self.counts), self.frame_bits + 1):
            errors = comb(self.frame_bits, w) * p**w * (1 - p) ** (self.frame_bits - w)
            known += errors * 2.0**-self.check_rank
        return known

    def detected_probability(self, bit_error_rate: float) -> float:
        """Probability that a frame is damaged and invalid; a sum without a subtraction."""
        p = bit_error_rate
        found = 0.0
        for w in range(1, self.frame_bits + 1):
            errors = float(comb(self.frame_bits, w))
            if w < len(self.counts):
                errors = float(comb(self.frame_bits, w) - self.counts[w])
            else:
                errors *= 1 - 2.0**-self.check_rank
            found += errors * p**w * (1 - p) ** (self.frame_bits - w)
        return found

    def damaged_probability(self, bit_error_rate: float) -> float:
        """Probability that a frame has a bit error."""
        return -expm1(self.frame_bits * log1p(-bit_error_rate))

    def right_probability(self, bit_error_rate: float) -> float:
        """Probability that a frame is valid: undamaged, or damaged but undetected."""
        return (1 - bit_error_rate) ** self.frame_bits + self.undetected_probability(bit_error_rate)


def count_undetected(columns: list[int]) -> UndetectedErrors:
    """Count the undetected errors of a frame.

    Args:
        columns: `FrameLayout.syndrome_columns`: what each bit changes in the syndrome.
    """
    return _count_undetected(tuple(columns))


@lru_cache(maxsize=64)
def _count_undetected(columns: tuple[int, ...]) -> UndetectedErrors:
    short, check_rank = coordinates(columns)
    size = len(columns)
    if check_rank <= TRANSFORM_BITS_MAX:
        return UndetectedErrors(size, check_rank, _by_dual(short, check_rank))
    if size - check_rank <= LISTED_BITS_MAX:
        return UndetectedErrors(size, check_rank, _by_listing(short, check_rank))
    counts = _by_meeting(short, min(MIDDLE_WEIGHT, size))
    return UndetectedErrors(size, check_rank, counts)


def dual_weights(columns: list[int], check_rank: int) -> list[int]:
    """Count the dual code's words by weight: entry w is how many have w ones.

    Args:
        columns: independent in `check_rank` bits.
    """
    size = 1 << check_rank
    sums = np.bincount(np.array(columns, np.int64), minlength=size).astype(np.int32)
    half = 1
    while half < size:
        pairs = sums.reshape(-1, 2, half)
        sums = np.stack([pairs[:, 0] + pairs[:, 1], pairs[:, 0] - pairs[:, 1]], axis=1).reshape(-1)
        half *= 2
    weights = (len(columns) - sums) // 2
    return [int(count) for count in np.bincount(weights, minlength=len(columns) + 1)]


def _by_dual(columns: list[int], check_rank: int) -> tuple[int, ...]:
    size = len(columns)
    totals = [0] * (size + 1)
    for weight, count in enumerate(dual_weights(columns, check_rank)):
        if count:
            for power, factor in enumerate(_krawtchouk(size, weight)):
                totals[power] += count * factor
    return tuple(total >> check_rank for total in totals)


@lru_cache(maxsize=4096)
def _krawtchouk(size: int, weight: int) -> list[int]:
    """Return the coefficients of (1 - z)^weight (1 + z)^(size - weight)."""
    factors = [1]
    for index in range(size):
        sign = -1 if index < weight else 1
        factors = [
            here + sign * before for here, before in zip([*factors, 0], [0, *factors], strict=True)
        ]
    return factors


def _by_listing(columns: list[int], check_rank: int) -> tuple[int, ...]:
    equations = [
        (sum((column >> bit & 1) << place for place, column in enumerate(columns)), 0)
        for bit in range(check_rank)
    ]
    space = solution_space(equations, len(columns))
    if space is None:
        raise AssertionError("equations without a constant always have the solution 0")
    words = np.zeros(1, np.uint64)
    for vector in space[1]:
        words = np.concatenate([words, words ^ np.uint64(vector)])
    return tuple(np.bincount(np.bitwise_count(words), minlength=len(columns) + 1).tolist())


def _half_syndromes(columns: list[int], heaviest: int) -> list[NDArray[np.uint64]]:
    """Return the syndromes of all errors within some columns, by weight."""
    by_weight = [np.zeros(1, np.uint64)]
    last = np.full(1, -1, np.int64)
    for _ in range(heaviest):
        sums, lasts = [], []
        for index, column in enumerate(columns):
            # Ordered by their last column, so that each error is made once.
            some = by_weight[-1][: int(np.searchsorted(last, index))]
            sums.append(some ^ np.uint64(column))
            lasts.append(np.full(len(some), index, np.int64))
        by_weight.append(np.concatenate(sums))
        last = np.concatenate(lasts)
    return by_weight


def _by_meeting(columns: list[int], heaviest: int) -> tuple[int, ...]:
    middle = len(columns) // 2
    first = [np.unique(s, return_counts=True) for s in _half_syndromes(columns[:middle], heaviest)]
    other = [np.unique(s, return_counts=True) for s in _half_syndromes(columns[middle:], heaviest)]
    counts = []
    for weight in range(heaviest + 1):
        total = 0
        for part in range(weight + 1):
            keys, times = first[part]
            other_keys, other_times = other[weight - part]
            _, here, there = np.intersect1d(
                keys, other_keys, assume_unique=True, return_indices=True
            )
            total += int((times[here] * other_times[there]).sum())
        counts.append(total)
    return tuple(counts)
