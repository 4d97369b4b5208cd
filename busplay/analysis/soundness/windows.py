"""What constant streams have in common: kinds of window, and when a place is found or kept."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from busplay.analysis.soundness.unions import Rows
from busplay.description.link import StrobeFraming
from busplay.link.layout import FrameLayout

Sides = Literal["both", "idle behind", "idle before"]
SIDES: tuple[Sides, ...] = ("both", "idle behind", "idle before")


def affine_rows(linear: Sequence[int], constant: int, bits: int) -> Rows:
    """Return the rows of `sum of linear == constant`, one for each bit."""
    return tuple(
        sum((one >> bit & 1) << (index + 1) for index, one in enumerate(linear))
        | (constant >> bit & 1)
        for bit in range(bits)
    )


def release_of(layout: FrameLayout) -> int:
    """Return how many wrong frames in a row make a receiver let go; not for a strobe."""
    framing = layout.link.framing
    if isinstance(framing, StrobeFraming):
        raise ValueError("a strobe's receiver never lets go")
    return framing.release_frames


def longest_run(flags: Sequence[bool], value: bool) -> int:
    """Return the longest run of a value in a sequence that repeats; its length if all are so."""
    if all(flag is value for flag in flags):
        return len(flags)
    first = next(i for i, flag in enumerate(flags) if flag is not value)
    longest = run = 0
    for flag in [*flags[first:], *flags[:first]]:
        run = run + 1 if flag is value else 0
        longest = max(longest, run)
    return longest


def can_find(right: Sequence[bool], shown: Sequence[bool], confirm: int) -> bool:
    """Tell whether somewhere a window shows a start and `confirm` right ones follow."""
    count = len(right)
    return any(
        shown[first] and all(right[(first + k) % count] for k in range(min(confirm, count) + 1))
        for first in range(count)
    )


def can_keep(right: Sequence[bool], release: int) -> bool:
    """Tell whether wrong windows never come so many in a row."""
    return any(right) and longest_run(right, False) < release
