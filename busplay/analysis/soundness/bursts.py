"""Bursts that the check does not detect: how many of each length, counted by rank.

A burst of length L begins and ends with a bit error; the bits between are arbitrary. So the
undetected ones between two fixed bits are the solutions of one set of equations, and their number
is a power of two, or 0.
"""

from __future__ import annotations

from dataclasses import dataclass

from busplay.link.gf2 import LinearSpan


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

    @property
    def longer_ratio(self) -> float:
        """Undetected share of all bursts longer than `detected_to_length`; 0 if there are none."""
        first = self.detected_to_length
        return sum(self.undetected[first:]) / max(1, sum(self.tried[first:]))


def edge_bursts(columns: list[int], lanes: int) -> BurstCounts:
    """Count bursts over whole edges: any lanes in error on the first and on the last edge.

    Args:
        columns: what each bit changes in the syndrome, in the order of the wire.
        lanes: bits of an edge; 1: bursts over bits that follow each other, of all bits or of
            those that one lane carries.
    """
    size = len(columns) // lanes
    undetected, tried = [0] * size, [0] * size
    # How many errors within a run of edges go undetected, none among them.
    within: dict[tuple[int, int], int] = {}
    for first in range(size):
        span = LinearSpan()
        for stop in range(first + 1, size + 1):
            for column in columns[(stop - 1) * lanes : stop * lanes]:
                span.add(column)
            within[first, stop] = 1 << ((stop - first) * lanes - span.rank)
    values = 1 << lanes
    for (first, stop), count in within.items():
        length = stop - first
        inner = within.get((first + 1, stop - 1), 1)
        ends = within.get((first + 1, stop), 1) + within.get((first, stop - 1), 1)
        undetected[length - 1] += count - ends + inner
        tried[length - 1] += (
            (values - 1) ** 2 * values ** (length - 2) if length > 1 else values - 1
        )
    return BurstCounts(tuple(undetected), tuple(tried))


def lane_bursts(columns: list[int], lanes: int) -> BurstCounts:
    """Count bursts on one lane, over edges that follow each other, all lanes together."""
    each = [edge_bursts(columns[lane::lanes], 1) for lane in range(lanes)]
    return BurstCounts(
        tuple(sum(counts) for counts in zip(*(one.undetected for one in each), strict=True)),
        tuple(sum(counts) for counts in zip(*(one.tried for one in each), strict=True)),
    )
