"""Pictures for forms that say how long each one stands: GIF, APNG and WebP.

Equal pictures in a row are one still, and a still is only the rectangle that has changed. A still
begins at its refresh, rounded to the form's unit of time; since beginnings are rounded and not
durations, nothing adds up over a film.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from busplay.display.arrangement import IndexedPicture
from busplay.export.film_pictures import FilmPictures


@dataclass(frozen=True, slots=True)
class Still:
    """What changes in a film's picture, and for how long it then stands.

    Attributes:
        left_px, top_px: where the pixels stand, scaled.
        picture: the pixels, not scaled.
        ticks: how long it stands, in the form's unit of time.
        time_ps: when it begins in the recording.
    """

    left_px: int
    top_px: int
    picture: IndexedPicture
    ticks: int
    time_ps: int


class Stills:
    """The stills of a film, made as they are taken.

    Args:
        pictures: the film's pictures.
        ticks_per_s: the form's unit of time.
        ticks_most: longest time that a still can stand; a longer one is repeated.
        align_px: the form begins rectangles at multiples of this only.

    Attributes:
        count: stills so far.
        left_out: pictures that would have stood for less than a tick, so far.
        brief: stills of one tick, so far.
    """

    def __init__(
        self, pictures: FilmPictures, *, ticks_per_s: int, ticks_most: int, align_px: int = 1
    ) -> None:
        self._pictures = pictures
        self._ticks_per_s = ticks_per_s
        self._ticks_most = ticks_most
        self._align_px = align_px
        self.count = self.left_out = self.brief = self._ticks = 0

    @property
    def duration_s(self) -> Fraction:
        """How long the film is, so far."""
        return Fraction(self._ticks, self._ticks_per_s)

    def __iter__(self) -> Iterator[Still]:
        shown: NDArray[np.uint32] | None = None
        held: tuple[int, IndexedPicture, NDArray[np.uint32]] | None = None
        for number, picture in enumerate(self._pictures):
            colours = _colours(picture)
            if held is not None:
                begun, before, before_colours = held
                if np.array_equal(colours, before_colours):
                    continue
                if self._tick(begun) < self._tick(number):
                    yield from self._stills(begun, number, before, before_colours, shown)
                    shown = before_colours
                else:
                    self.left_out += 1
            held = number, picture, colours
        assert held is not None
        yield from self._stills(held[0], len(self._pictures), held[1], held[2], shown)

    def _stills(
        self,
        begun: int,
        stop: int,
        picture: IndexedPicture,
        colours: NDArray[np.uint32],
        shown: NDArray[np.uint32] | None,
    ) -> Iterator[Still]:
        left = max(1, self._tick(stop) - self._tick(begun))
        place = _changed(colours, shown)
        while left:
            ticks = min(left, self._ticks_most)
            left -= ticks
            self.count += 1
            self._ticks += ticks
            self.brief += ticks == 1
            yield self._still(picture, place, ticks, self._pictures.time_ps(begun))
            # What follows repeats the picture: its first pixel will do.
            place = slice(0, 1), slice(0, 1)

    def _still(
        self, picture: IndexedPicture, place: tuple[slice, slice], ticks: int, time_ps: int
    ) -> Still:
        scale, align = self._pictures.scale, self._align_px
        rows, columns = (
            slice(one.start - one.start % align if scale % align else one.start, one.stop)
            for one in place
        )
        return Still(
            left_px=scale * columns.start,
            top_px=scale * rows.start,
            picture=IndexedPicture(picture.indices[rows, columns], picture.palette),
            ticks=ticks,
            time_ps=time_ps,
        )

    def _tick(self, number: int) -> int:
        """Return the tick nearest to when a picture begins."""
        rate = self._pictures.rate_hz
        return (2 * number * self._ticks_per_s + rate) // (2 * rate)


def _colours(picture: IndexedPicture) -> NDArray[np.uint32]:
    """Return each pixel's colour as one number, so that pictures compare quickly."""
    red, green, blue = picture.palette.astype(np.uint32).T
    colours: NDArray[np.uint32] = (red << 16 | green << 8 | blue)[picture.indices]
    return colours


def _changed(colours: NDArray[np.uint32], shown: NDArray[np.uint32] | None) -> tuple[slice, slice]:
    """Return the rows and columns of all pixels that change; one pixel if none does."""
    if shown is None:
        return slice(0, colours.shape[0]), slice(0, colours.shape[1])
    differs = colours != shown
    rows = np.flatnonzero(differs.any(axis=1))
    columns = np.flatnonzero(differs.any(axis=0))
    if not len(rows):
        return slice(0, 1), slice(0, 1)
    return (
        slice(int(rows[0]), int(rows[-1]) + 1),
        slice(int(columns[0]), int(columns[-1]) + 1),
    )
