"""Samples to changes, one sample after the other."""

from __future__ import annotations

from collections.abc import Sequence


def changes_of(
    samples: Sequence[int], bits: Sequence[int], rate_hz: int
) -> tuple[list[tuple[int, int, int]], list[int]]:
    """Return rows, and how many values each wire took, the first included."""
    rows: list[tuple[int, int, int]] = []
    counts = [0] * len(bits)
    for number, sample in enumerate(samples):
        levels = [sample >> bit & 1 for bit in bits]
        level = sum(one << index for index, one in enumerate(levels))
        if not rows or rows[-1][1] != level:
            before = rows[-1][1] if rows else None
            for index, one in enumerate(levels):
                if before is None or before >> index & 1 != one:
                    counts[index] += 1
            rows.append((number * 10**12 // rate_hz, level, 0))
    return rows, counts
