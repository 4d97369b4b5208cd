"""The units' pictures side by side with their names, and which pixel a place of the window is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TypeAlias, TypeVar

import numpy as np
import pygame
from numpy.typing import NDArray

from busplay.description.board import Unit
from busplay.display.arrangement import Arrangement, UnitPlace, arrange
from busplay.display.display import Display
from busplay.view import theme
from busplay.view.picture import draw_display, draw_image, shrunk
from busplay.view.text import Texts
from busplay.view.theme import Colour, Sizes
from busplay.view.widgets.box import Box

SHRINK_MOST = 8
"""The most pixels each way that are shown as one."""

Placed = TypeVar("Placed")
# Rows of columns of pictures, or of units.
Layout: TypeAlias = Sequence[Sequence[Sequence[Placed]]]


@dataclass(frozen=True, slots=True, eq=False)
class ShownScreen:
    """One picture in the window.

    Attributes:
        display: whose picture it is, or whose pixels it is about.
        title: stands above it.
        image: uint8[height, width, 3] in place of the display's own picture, or None.
        border_rgb: likewise, of its border.
    """

    display: Display
    title: str
    image: NDArray[np.uint8] | None = None
    border_rgb: Colour | None = None


@dataclass(frozen=True, slots=True)
class PlacedScreens:
    """Where the units stand in the window.

    Attributes:
        scale: side of a pixel's square.
        left_px, top_px: the corner of the arrangement.
        arrangement: the units' places from there.
        box: what of the window they may cover.
        shrink: pixels each way that are shown as one, where there is too little room; then the
            arrangement's units have so much smaller pictures.
    """

    scale: int
    left_px: int
    top_px: int
    arrangement: Arrangement
    box: Box
    shrink: int = 1

    def pixel_at(self, x: int, y: int) -> tuple[str, int, int] | None:
        """Return unit, column and row of the pixel at a place of the window, or None."""
        if not self.box.contains(x, y):
            return None
        for place in self.arrangement.places:
            column = (x - self.left_px - place.picture_left_px) // self.scale
            row = (y - self.top_px - place.picture_top_px) // self.scale
            if 0 <= column < place.unit.width_px and 0 <= row < place.unit.height_px:
                return place.unit.name, column * self.shrink, row * self.shrink
        return None

    def boxes_of(self, unit: str, x: int, y: int) -> list[Box]:
        """Return the squares of a pixel in the window, one for each picture that shows it."""
        boxes = []
        for place in self.arrangement.places:
            if place.unit.name == unit:
                box = Box(
                    self.left_px + place.picture_left_px + x // self.shrink * self.scale,
                    self.top_px + place.picture_top_px + y // self.shrink * self.scale,
                    self.scale,
                    self.scale,
                )
                if self.box.contains(box.left, box.top):
                    boxes.append(box)
        return boxes


def layouts_compared(units: Sequence[Sequence[ShownScreen]]) -> list[Layout[ShownScreen]]:
    """Return the layouts of units of several pictures each: expected, actual, difference.

    A unit's pictures stand in a row if there is room, for that is read most easily.
    """
    in_rows = [[[one] for one in pictures] for pictures in units]
    if not units:
        return [in_rows]
    (*pair, last), others = units[0], units[1:]
    begin = [[one] for one in pair]
    return [
        in_rows,
        [[column for row in in_rows for column in row]],
        [begin, [[last], *others]],
        [begin, [[last]], *in_rows[1:]],
        [units],
        [[pictures] for pictures in units],
    ]


class Screens:
    """Draws the units' pictures; keeps only letters."""

    def __init__(self, texts: Texts) -> None:
        self._texts = texts

    def gap(self, sizes: Sizes) -> int:
        """Return the room between neighbours."""
        return 2 * sizes.pad_px

    def caption_height(self, sizes: Sizes) -> int:
        """Return the room above each unit."""
        return self._texts.height(sizes.text_px) + sizes.pad_px // 2

    def arrange(self, layout: Layout[Unit], scale: int, sizes: Sizes) -> Arrangement:
        """Return the places of a layout's units from their common corner."""
        gap = self.gap(sizes)
        places: list[UnitPlace] = []
        width = height = 0
        for row in layout:
            left, top = 0, height + (gap if height else 0)
            for column in row:
                one = arrange(
                    column,
                    scale=scale,
                    gap_px=gap,
                    caption_px=self.caption_height(sizes),
                    stacked=True,
                )
                places += [
                    replace(place, left_px=place.left_px + left, top_px=place.top_px + top)
                    for place in one.places
                ]
                width, height = max(width, left + one.width_px), max(height, top + one.height_px)
                left += one.width_px + gap
        return Arrangement(tuple(places), width, height)

    def choose(
        self, layouts: Sequence[Layout[Unit]], box: Box, sizes: Sizes, *, scale: int | None
    ) -> tuple[int, PlacedScreens]:
        """Return which layout shows the units largest in a box, or hides least, and their places.

        Args:
            layouts: at least one; the earlier of two equal ones is chosen.
            box, sizes: the room, and the sizes of letters and lines.
            scale: the scale asked for, or None.
        """
        room = box.inset(sizes.margin_px)
        placed = [self.place(one, box, sizes, scale=scale) for one in layouts]

        def worth(index: int) -> tuple[int, float]:
            one = placed[index].arrangement
            across, down = min(one.width_px, room.width), min(one.height_px, room.height)
            # Nothing hidden is best, then the largest scale.
            scale = placed[index].scale / placed[index].shrink
            return across * down - one.width_px * one.height_px, scale

        best = max(range(len(placed)), key=lambda index: (*worth(index), -index))
        return best, placed[best]

    def has_room(self, layout: Layout[Unit], box: Box, sizes: Sizes) -> bool:
        """Return whether units fit a box at scale 1."""
        room, one = box.inset(sizes.margin_px), self.arrange(layout, 1, sizes)
        return one.width_px <= room.width and one.height_px <= room.height

    def place(
        self, layout: Layout[Unit], box: Box, sizes: Sizes, *, scale: int | None
    ) -> PlacedScreens:
        """Return where the units stand in a box, as large as fits unless a scale is asked for."""
        room = box.inset(sizes.margin_px)

        def fits(one: Arrangement) -> bool:
            return one.width_px <= room.width and one.height_px <= room.height

        shrink, is_free = 1, scale is None
        if scale is None:
            scale = 1
            while any(layout) and fits(self.arrange(layout, scale + 1, sizes)):
                scale += 1
        arrangement = self.arrange(layout, scale, sizes)
        if scale == 1 and is_free:
            while shrink < SHRINK_MOST and not fits(arrangement):
                shrink += 1
                arrangement = self.arrange(_shrunk(layout, shrink), 1, sizes)
        left = max(room.left, box.left + (box.width - arrangement.width_px) // 2)
        top = max(room.top, box.top + (box.height - arrangement.height_px) // 2)
        return PlacedScreens(scale, left, top, arrangement, box, shrink)

    def draw(
        self,
        target: pygame.Surface,
        shown: Sequence[ShownScreen],
        placed: PlacedScreens,
        sizes: Sizes,
    ) -> None:
        """Draw all pictures; what reaches out of their box, panels cover later.

        Args:
            target: a surface of 32 bits a pixel.
            shown: in the order of their places.
            placed: where.
            sizes: of letters and lines.
        """
        target.fill(theme.BACKGROUND, placed.box)
        corner = placed.left_px, placed.top_px
        titles = self._titles(shown, placed.arrangement.places, sizes)
        for one, title, place in zip(shown, titles, placed.arrangement.places, strict=True):
            self._draw_unit(target, one, title, place, corner, placed, sizes)

    def _titles(
        self, shown: Sequence[ShownScreen], places: Sequence[UnitPlace], sizes: Sizes
    ) -> list[tuple[str, int]]:
        """Return each title and its size: alike for a unit's pictures, small before it is cut."""
        room: dict[str, list[tuple[str, int]]] = {}
        for one, place in zip(shown, places, strict=True):
            room.setdefault(one.display.unit.name, []).append((one.title, place.width_px))
        found = []
        for one, place in zip(shown, places, strict=True):
            titles = room[one.display.unit.name]
            fitting = [
                size_px
                for size_px in (sizes.text_px, sizes.small_px)
                if all(self._texts.width(text, size_px) <= width for text, width in titles)
            ]
            size_px = fitting[0] if fitting else sizes.small_px
            # Without room for the unit's name: `difference`.
            title = one.title if fitting else one.title.rpartition(": ")[2]
            found.append((self._texts.shortened(title, size_px, place.width_px), size_px))
        return found

    def _draw_unit(
        self,
        target: pygame.Surface,
        shown: ShownScreen,
        title: tuple[str, int],
        place: UnitPlace,
        corner: tuple[int, int],
        placed: PlacedScreens,
        sizes: Sizes,
    ) -> None:
        display, scale, shrink = shown.display, placed.scale, placed.shrink
        unit = display.unit
        left, top = corner[0] + place.left_px, corner[1] + place.top_px
        caption_top = top - self.caption_height(sizes)
        text, size_px = title
        width = self._texts.draw(
            target, text, (left, caption_top), size_px=size_px, colour=theme.TEXT
        )
        facts = f"{unit.width_px} × {unit.height_px}, {1 << unit.bits_per_pixel} colours"
        if shrink > 1:
            facts = f"1/{shrink} of {facts}"
        facts_left = width + sizes.pad_px
        if facts_left + self._texts.width(facts, sizes.text_px) <= place.width_px:
            self._texts.draw(
                target,
                facts,
                (left + facts_left, caption_top),
                size_px=sizes.text_px,
                colour=theme.DIM,
            )
        # A line round it, so that a dark picture does not melt into the background.
        outline = (left - 1, top - 1, place.width_px + 2, place.height_px + 2)
        pygame.draw.rect(target, theme.LINE, outline, width=1)
        if place.border_px:
            border_rgb = display.border_rgb if shown.border_rgb is None else shown.border_rgb
            target.fill(border_rgb, (left, top, place.width_px, place.height_px))
        left, top = left + place.border_px, top + place.border_px
        image = shown.image
        if shrink > 1:
            image = shrunk(display.image() if image is None else image, shrink)
        if image is None:
            draw_display(display, target, left_px=left, top_px=top, scale=scale)
        else:
            draw_image(image, target, left_px=left, top_px=top, scale=scale)


def _shrunk(layout: Layout[Unit], shrink: int) -> Layout[Unit]:
    """Return the units of a layout with pictures so much smaller."""
    return [
        [
            [
                replace(
                    unit,
                    width_px=-(-unit.width_px // shrink),
                    height_px=-(-unit.height_px // shrink),
                    border_px=-(-unit.border_px // shrink),
                )
                for unit in column
            ]
            for column in row
        ]
        for row in layout
    ]
