"""Boxes in window pixels, and how they are cut into smaller ones."""

from __future__ import annotations

from typing import NamedTuple


class Box(NamedTuple):
    """A rectangle of the window; `right` and `bottom` are not in it."""

    left: int
    top: int
    width: int
    height: int

    @property
    def right(self) -> int:
        """The first column beyond it."""
        return self.left + self.width

    @property
    def bottom(self) -> int:
        """The first row beyond it."""
        return self.top + self.height

    def contains(self, x: int, y: int) -> bool:
        """Return whether a pixel of the window is in it."""
        return self.left <= x < self.right and self.top <= y < self.bottom

    def inset(self, across_px: int, down_px: int | None = None) -> Box:
        """Return what is left within a margin; never less than nothing."""
        down = across_px if down_px is None else down_px
        return Box(
            self.left + across_px,
            self.top + down,
            max(0, self.width - 2 * across_px),
            max(0, self.height - 2 * down),
        )

    def cut_top(self, height_px: int) -> tuple[Box, Box]:
        """Return the upper part, so high, and the rest."""
        height = min(max(0, height_px), self.height)
        return (
            Box(self.left, self.top, self.width, height),
            Box(self.left, self.top + height, self.width, self.height - height),
        )

    def cut_bottom(self, height_px: int) -> tuple[Box, Box]:
        """Return the rest, and the lower part, so high."""
        return self.cut_top(self.height - min(max(0, height_px), self.height))

    def cut_left(self, width_px: int) -> tuple[Box, Box]:
        """Return the left part, so wide, and the rest."""
        width = min(max(0, width_px), self.width)
        return (
            Box(self.left, self.top, width, self.height),
            Box(self.left + width, self.top, self.width - width, self.height),
        )

    def cut_right(self, width_px: int) -> tuple[Box, Box]:
        """Return the rest, and the right part, so wide."""
        return self.cut_left(self.width - min(max(0, width_px), self.width))
