"""The arrangement of several units side by side: one rule for the window and for pictures."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from busplay.description.board import Unit
from busplay.display.display import Display

# Gap between adjacent units at scale 1, and its colour.
GAP_PX = 8
GAP_RGB = (24, 26, 31)


@dataclass(frozen=True, slots=True)
class UnitPlace:
    """Position of one unit, in pixels of the picture of all units.

    Attributes:
        unit: the unit.
        left_px, top_px, width_px, height_px: the picture with its border.
        border_px: width of the border, scaled.
    """

    unit: Unit
    left_px: int
    top_px: int
    width_px: int
    height_px: int
    border_px: int

    @property
    def picture_left_px(self) -> int:
        """Left edge of the picture without border."""
        return self.left_px + self.border_px

    @property
    def picture_top_px(self) -> int:
        """Top edge of the picture without border."""
        return self.top_px + self.border_px


@dataclass(frozen=True, slots=True)
class Arrangement:
    """The places of all units, and their total size."""

    places: tuple[UnitPlace, ...]
    width_px: int
    height_px: int


def arrange(
    units: Iterable[Unit],
    *,
    scale: int,
    gap_px: int,
    caption_px: int = 0,
    stacked: bool = False,
) -> Arrangement:
    """Arrange units side by side, top-aligned, or one below the other.

    Args:
        units: in order.
        scale: side of a pixel's square.
        gap_px: gap between adjacent units.
        caption_px: room above each unit.
        stacked: one below the other instead, left-aligned.
    """
    places = []
    left = top = 0
    width = height = 0
    for unit in units:
        border = unit.border_px * scale
        place = UnitPlace(
            unit=unit,
            left_px=left,
            top_px=top + caption_px,
            width_px=unit.width_px * scale + 2 * border,
            height_px=unit.height_px * scale + 2 * border,
            border_px=border,
        )
        places.append(place)
        width = max(width, left + place.width_px)
        height = max(height, place.top_px + place.height_px)
        if stacked:
            top = height + gap_px
        else:
            left = width + gap_px
    return Arrangement(tuple(places), width, height)


def largest_scale(
    units: Iterable[Unit],
    *,
    room_width_px: int,
    room_height_px: int,
    gap_px: int,
    caption_px: int = 0,
    stacked: bool = False,
) -> int:
    """Return the largest scale at which the units fit; 1 if none does."""
    listed = list(units)
    scale = 1
    while True:
        larger = arrange(
            listed, scale=scale + 1, gap_px=gap_px, caption_px=caption_px, stacked=stacked
        )
        if not listed or larger.width_px > room_width_px or larger.height_px > room_height_px:
            return scale
        scale += 1


@dataclass(frozen=True, slots=True, eq=False)
class IndexedPicture:
    """Several units as one picture, before the palettes make colours of it.

    Attributes:
        indices: uint32[rows, columns], into `palette`.
        palette: uint8[colours, 3]: the background's colour, then the palette of each unit.
    """

    indices: NDArray[np.uint32]
    palette: NDArray[np.uint8]

    def image(self) -> NDArray[np.uint8]:
        """Return the picture as uint8[rows, columns, 3]."""
        return self.palette[self.indices]

    def compact(self) -> IndexedPicture:
        """Return the same picture with a palette of the colours that it has, none of them twice."""
        used = np.flatnonzero(np.bincount(self.indices.ravel(), minlength=len(self.palette)))
        colours, places = np.unique(self.palette[used], axis=0, return_inverse=True)
        numbers = np.zeros(len(self.palette), np.uint32)
        numbers[used] = places.ravel()
        return IndexedPicture(numbers[self.indices], colours)


def compose(
    displays: Iterable[Display], *, stacked: bool = False, borders: bool = True
) -> NDArray[np.uint8]:
    """Join the pictures of several units side by side, at scale 1.

    Args:
        displays: in order.
        stacked: one below the other instead.
        borders: with each unit's border, as in the window.

    Returns:
        uint8[rows, columns, 3]; the rest has the colour of the window's background.
    """
    return compose_indices(displays, stacked=stacked, borders=borders).image()


def compose_indices(
    displays: Iterable[Display], *, stacked: bool = False, borders: bool = True
) -> IndexedPicture:
    """Join the pictures of several units as `compose` does, but as indices with a palette."""
    by_unit = {display.unit.name: display for display in displays}
    units = [
        display.unit if borders else replace(display.unit, border_px=0)
        for display in by_unit.values()
    ]
    arrangement = arrange(units, scale=1, gap_px=GAP_PX, stacked=stacked)
    out = np.zeros((arrangement.height_px, arrangement.width_px), np.uint32)
    palettes = [np.array([GAP_RGB], np.uint8)]
    first = 1
    for place in arrangement.places:
        display = by_unit[place.unit.name]
        rows = slice(place.top_px, place.top_px + place.height_px)
        columns = slice(place.left_px, place.left_px + place.width_px)
        out[rows, columns] = first + display.border_index
        display.draw(
            out,
            np.arange(first, first + display.colours, dtype=np.uint32),
            left_px=place.picture_left_px,
            top_px=place.picture_top_px,
            scale=1,
        )
        palettes.append(display.palette)
        first += display.colours
    return IndexedPicture(out, np.concatenate(palettes))
