"""The position bar of a replay: where it stands, the loop, and where a click goes."""

from __future__ import annotations

from dataclasses import dataclass

import pygame

from busplay.view import theme
from busplay.view.theme import Sizes


@dataclass(frozen=True, slots=True)
class PositionBar:
    """The bar's place in the window, and the cycles that it stands for.

    Attributes:
        left_px, width_px: the track.
        top_px, height_px: the stripe of the window in which a click counts.
        end_cycle: what the track's right end stands for; its left end is cycle 0.
    """

    left_px: int
    width_px: int
    top_px: int
    height_px: int
    end_cycle: int

    @classmethod
    def at(cls, width_px: int, bottom_px: int, end_cycle: int, sizes: Sizes) -> PositionBar:
        """Place the bar over the whole width, its lower edge at `bottom_px`."""
        height = 2 * sizes.pad_px + 2 * sizes.line_px
        margin = sizes.pad_px
        return cls(
            left_px=margin,
            width_px=max(1, width_px - 2 * margin),
            top_px=bottom_px - height,
            height_px=height,
            end_cycle=end_cycle,
        )

    def contains(self, x: int, y: int) -> bool:
        """Return whether a point of the window is on the bar."""
        return 0 <= y - self.top_px < self.height_px and x >= 0

    def cycle_at(self, x: int) -> int:
        """Return the cycle that a column of the window stands for; beyond the track, its ends."""
        along = min(max(x - self.left_px, 0), self.width_px)
        return along * self.end_cycle // self.width_px

    def x_of(self, cycle: int) -> int:
        """Return the column in which a cycle stands."""
        if self.end_cycle <= 0:
            return self.left_px
        along = min(max(cycle, 0), self.end_cycle) * self.width_px // self.end_cycle
        return self.left_px + along

    def draw(
        self,
        target: pygame.Surface,
        *,
        cycle: int,
        begin_mark: int | None,
        end_mark: int | None,
        sizes: Sizes,
    ) -> None:
        """Draw track, loop, marks and position."""
        target.fill(theme.BAR, (0, self.top_px, target.get_width(), self.height_px))
        thickness = max(4, 3 * sizes.line_px)
        middle = self.top_px + self.height_px // 2
        track_top = middle - thickness // 2
        here = self.x_of(cycle)
        target.fill(theme.LINE, (self.left_px, track_top, self.width_px, thickness))
        target.fill(theme.ACCENT, (self.left_px, track_top, here - self.left_px, thickness))
        if begin_mark is not None or end_mark is not None:
            first = self.x_of(begin_mark or 0)
            stop = self.x_of(self.end_cycle if end_mark is None else end_mark)
            stripe = (first, middle + thickness, max(1, stop - first), max(2, thickness // 2))
            target.fill(theme.PAUSED, stripe)
            reach = sizes.pad_px * 2 // 3
            for mark in (begin_mark, end_mark):
                if mark is not None:
                    x = self.x_of(mark)
                    width = max(2, sizes.line_px)
                    target.fill(theme.PAUSED, (x - width // 2, middle - reach, width, 2 * reach))
        radius = max(5, sizes.pad_px // 2)
        pygame.draw.aacircle(target, theme.BAR, (here, middle), radius + 2)
        pygame.draw.aacircle(target, theme.TEXT, (here, middle), radius)
