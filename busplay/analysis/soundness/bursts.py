"""Bursts that the check does not detect: how many of each length, counted by rank.

A burst of length L begins and ends with a wrong bit; what lies between is anything. So the
undetected ones between two fixed bits are the solutions of one set of equations, and their number
is a power of two, or 0.
"""

from __future__ import annotations

from dataclasses import dataclass

from busplay.link.gf2 import LinearSpan, rank


@dataclass(frozen=True, slots=True)
class BurstCounts:
    """Bursts of one kind by length; entry 0 is for length 1.

    Attributes:
        undetected: how many go undetected.
        tried: how many there are.
    """

    undetected: tuple[int, ...]
    tried: tuple[int, ...]

    @property
    def detected_to_length(self) -> int:
        """Length up to which every burst is detected."""
        return next((i for i, count in enumerate(self.undetected) if count), len(self.undetected))

    def undetected_ratio(self, length: int) -> float:
        """Share of the bursts of a length that goes undetected."""
        return self.undetected[length - 1] / self.tried[length - 1]

    @property
    def longer_ratio(self) -> float:
        """Undetected share of all bursts longer than `detected_to_length`; 0 if there are none."""
        first = self.detected_to_length
        return sum(self.undetected[first:]) / max(1, sum(self.tried[first:]))


def bit_bursts(columns: list[int]) -> BurstCounts:
    """Count bursts over bits that follow each other.

    Args:
        columns: what each bit changes in the syndrome; of all bits in the order of the wire,
            or of those that one lane carries.
    """
    size = len(columns)
    undetected, tried = [0] * size, [0] * size
    for first in range(size):
        undetected[0] += columns[first] == 0
        tried[0] += 1
        middle = LinearSpan()
        for last in range(first + 1, size):
            length = last - first + 1
            tried[length - 1] += 1 << (length - 2)
            if columns[first] ^ columns[last] in middle:
                undetected[length - 1] += 1 << (length - 2 - middle.rank)
            middle.add(columns[last])
    return BurstCounts(tuple(undetected), tuple(tried))


def lane_bursts(columns: list[int], lanes: int) -> BurstCounts:
    """Count bursts on one lane, over edges that follow each other, all lanes together."""
    each = [bit_bursts(columns[lane::lanes]) for lane in range(lanes)]
    return BurstCounts(
        tuple(sum(counts) for counts in zip(*(one.undetected for one in each), strict=True)),
        tuple(sum(counts) for counts in zip(*(one.tried for one in each), strict=True)),
    )


def edge_bursts(columns: list[int], lanes: int) -> BurstCounts:
    """Count bursts over whole edges: any lanes wrong on the first and on the last edge."""
    size = len(columns) // lanes
    undetected, tried = [0] * size, [0] * size
    values = 1 << lanes

    def kernel(first: int, stop: int) -> int:
        block = columns[first * lanes : stop * lanes]
        return 1 << (len(block) - rank(block))

    kernels = {
        (first, stop): kernel(first, stop)
        for first in range(size + 1)
        for stop in range(first, size + 1)
    }
    for first in range(size):
        for stop in range(first + 1, size + 1):
            length = stop - first
            both = kernels[first, stop] - kernels[first + 1, stop]
            if length > 1:
                both += kernels[first + 1, stop - 1] - kernels[first, stop - 1]
                tried[length - 1] += (values - 1) ** 2 * values ** (length - 2)
            else:
                tried[0] += values - 1
            undetected[length - 1] += both
    return BurstCounts(tuple(undetected), tuple(tried))
