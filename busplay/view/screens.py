"""The units' pictures side by side with their names, and which pixel a place of the window is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pygame
from numpy.typing import NDArray

from busplay.description.board import Unit
from busplay.display.arrangement import Arrangement, UnitPlace, arrange, largest_scale
from busplay.display.display import Display
from busplay.view import theme
from busplay.view.picture import draw_display, draw_image
from busplay.view.text import Texts
from busplay.view.theme import Sizes
from busplay.view.widgets.box import Box


@dataclass(frozen=True, slots=True)
class PlacedScreens:
    """Where the units stand in the window.

    Attributes:
        scale: side of a pixel's square.
        left_px, top_px: the corner of the arrangement.
        arrangement: the units' places from there.
        box: what of the window they may cover.
    """

    scale: int
    left_px: int
    top_px: int
    arrangement: Arrangement
    box: Box

    def pixel_at(self, x: int, y: int) -> tuple[str, int, int] | None:
        """Return unit, column and row of the pixel at a place of the window, or None."""
        if not self.box.contains(x, y):
            return None
        for place in self.arrangement.places:
            column = (x - self.left_px - place.picture_left_px) // self.scale
            row = (y - self.top_px - place.picture_top_px) // self.scale
            if 0 <= column < place.unit.width_px and 0 <= row < place.unit.height_px:
                return place.unit.name, column, row
        return None

    def box_of(self, unit: str, x: int, y: int) -> Box | None:
        """Return the square of a pixel in the window, or None if it is not seen."""
        for place in self.arrangement.places:
            if place.unit.name == unit:
                box = Box(
                    self.left_px + place.picture_left_px + x * self.scale,
                    self.top_px + place.picture_top_px + y * self.scale,
                    self.scale,
                    self.scale,
                )
                return box if self.box.contains(box.left, box.top) else None
        return None


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

    def arrange(
        self, units: Sequence[Unit], scale: int, sizes: Sizes, *, stacked: bool
    ) -> Arrangement:
        """Return the places of the units from their common corner."""
        return arrange(
            units,
            scale=scale,
            gap_px=self.gap(sizes),
            caption_px=self.caption_height(sizes),
            stacked=stacked,
        )

    def place(
        self, units: Sequence[Unit], box: Box, sizes: Sizes, *, scale: int | None, stacked: bool
    ) -> PlacedScreens:
        """Return where the units stand in a box, as large as fits unless a scale is asked for."""
        room = box.inset(sizes.margin_px)
        if scale is None:
            scale = largest_scale(
                units,
                room_width_px=room.width,
                room_height_px=room.height,
                gap_px=self.gap(sizes),
                caption_px=self.caption_height(sizes),
                stacked=stacked,
            )
        arrangement = self.arrange(units, scale, sizes, stacked=stacked)
        left = max(room.left, box.left + (box.width - arrangement.width_px) // 2)
        top = max(room.top, box.top + (box.height - arrangement.height_px) // 2)
        return PlacedScreens(scale, left, top, arrangement, box)

    def draw(
        self,
        target: pygame.Surface,
        displays: Mapping[str, Display],
        placed: PlacedScreens,
        sizes: Sizes,
        *,
        images: Mapping[str, NDArray[np.uint8]] | None = None,
        titles: Mapping[str, str] | None = None,
    ) -> None:
        """Draw all units; what reaches out of their box on the right or below, panels cover later.

        Args:
            target: a surface of 32 bits a pixel.
            displays: by the names of the units.
            placed: where.
            sizes: of letters and lines.
            images: uint8[height, width, 3] to show in place of a unit's own picture.
            titles: in place of the units' names.
        """
        target.fill(theme.BACKGROUND, placed.box)
        corner = placed.left_px, placed.top_px
        for place in placed.arrangement.places:
            name = place.unit.name
            image = None if images is None else images.get(name)
            title = name if titles is None else titles.get(name, name)
            self._draw_unit(
                target, displays[name], place, corner, placed.scale, sizes, image, title
            )

    def _draw_unit(
        self,
        target: pygame.Surface,
        display: Display,
        place: UnitPlace,
        corner: tuple[int, int],
        scale: int,
        sizes: Sizes,
        image: NDArray[np.uint8] | None,
        title: str,
    ) -> None:
        unit = place.unit
        left, top = corner[0] + place.left_px, corner[1] + place.top_px
        caption_top = top - self.caption_height(sizes)
        width = self._texts.draw(
            target,
            self._texts.shortened(title, sizes.text_px, place.width_px),
            (left, caption_top),
            size_px=sizes.text_px,
            colour=theme.TEXT,
        )
        facts = f"{unit.width_px} × {unit.height_px}, {1 << unit.bits_per_pixel} colours"
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
            target.fill(display.border_rgb, (left, top, place.width_px, place.height_px))
        left, top = left + place.border_px, top + place.border_px
        if image is None:
            draw_display(display, target, left_px=left, top_px=top, scale=scale)
        else:
            draw_image(image, target, left_px=left, top_px=top, scale=scale)
