"""Flashes in the pictures that a window shows, as they happen; and holding what flashes.

How to think about it. One meter looks at what the displays show at each picture, the other at what
the window shows. Without `calm` the two are the same and there is one. With it, a picture that
would bring a fourth flash into a second is not shown: the one before it stands for at least a
second, and as long as the displays flash. What the window shows so never goes over the thresholds.

Overlays are not looked at: they are somebody's choice, and stand still while pictures are held.

The meters come from outside (`analysis.flashes`), as this package knows nothing of analysis.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from busplay.description.board import Unit
from busplay.display.arrangement import GAP_PX, IndexedPicture, UnitPlace, arrange, compose_indices
from busplay.display.display import Display
from busplay.units import NS_PER_S

Shown = Sequence[Mapping[str, Display]]


class FlashSecond(Protocol):
    """A second with too many flashes."""

    @property
    def flashes(self) -> int:
        """Most flashes of a pixel."""

    @property
    def field_ratio(self) -> float:
        """Largest part of a field of 10 degrees that flashes, 0 to 1."""

    @property
    def left_px(self) -> int:
        """Left edge of the rectangle of all pixels that flash too often."""

    @property
    def top_px(self) -> int:
        """Its top edge."""

    @property
    def width_px(self) -> int:
        """Its width."""

    @property
    def height_px(self) -> int:
        """Its height."""


class Meter(Protocol):
    """Counts flashes in pictures that follow each other."""

    def feed(
        self, picture: IndexedPicture, *, number: int | None = None
    ) -> tuple[FlashSecond | None, FlashSecond | None]:
        """Look at a picture; return the second up to it if it is over: general, and red."""

    def take_back(self) -> None:
        """Forget the picture fed last, as one that nobody has seen."""


class MakeMeter(Protocol):
    """Makes meters for pictures of one size."""

    def __call__(self, width_px: int, height_px: int, *, can_take_back: bool) -> Meter:
        """Make one."""


@dataclass(frozen=True, slots=True)
class FlashWarning:
    """Flashes over the thresholds, in the last second.

    Attributes:
        flashes: most flashes of a pixel in that second.
        is_red: they go to and from a saturated red.
        field_ratio: largest part of a field of 10 degrees that flashes, 0 to 1.
        units: names of the units that flash.
        left_px, top_px, width_px, height_px: rectangle of all pixels that flash too often, in
            the picture of the first of these units; empty where none is in it.
    """

    flashes: int
    is_red: bool
    field_ratio: float
    units: tuple[str, ...]
    left_px: int
    top_px: int
    width_px: int
    height_px: int


@dataclass(frozen=True, slots=True, eq=False)
class HeldPicture:
    """A unit's picture that stands still.

    Attributes:
        image: uint8[height, width, 3], without the border.
        border_rgb: the border's colour.
    """

    image: NDArray[np.uint8]
    border_rgb: tuple[int, int, int]


class FlashGuard:
    """Looks at a window's pictures; see above.

    Args:
        make_meter: makes a meter for pictures of a size, which come `pictures_hz` times a second.
        calm: hold what flashes.
        pictures_hz: pictures in a second.

    Attributes:
        calm: as given.
        warning: flashes in the last second, or None.
        held: for each mapping of displays, the pictures to show in their place; None: nothing is
            held.
    """

    def __init__(self, make_meter: MakeMeter, *, calm: bool, pictures_hz: int) -> None:
        self.calm = calm
        self.warning: FlashWarning | None = None
        self.held: tuple[Mapping[str, HeldPicture], ...] | None = None
        self._make_meter = make_meter
        self._hz = pictures_hz
        self._units: tuple[tuple[Unit, ...], ...] = ()
        self._key: object = None
        self._last: list[IndexedPicture] = []
        self._warned = 0
        self._hold_until = 0

    def look(self, shown: Shown, now_ns: int, *, key: object) -> None:
        """Take the picture that is to be shown next.

        Args:
            shown: the displays; several mappings where recordings are compared.
            now_ns: by the window's clock.
            key: of what the displays show; the same key is the same picture.
        """
        number = now_ns * self._hz // NS_PER_S
        units = tuple(tuple(one.unit for one in displays.values()) for displays in shown)
        if units != self._units:
            self._begin(units)
        elif key == self._key and self.held is None:
            if number - self._warned >= self._hz:
                self.warning = None
            return
        self._key = key
        if not any(units):
            return
        pictures = [compose_indices(displays.values()) for displays in shown]
        picture = _joined(pictures)
        is_flashing = self._note(self._displayed.feed(picture, number=number), number)
        if self.calm:
            self._hold(picture, number, is_flashing=is_flashing)
        if self.held is None:
            self._last = pictures

    def _begin(self, units: tuple[tuple[Unit, ...], ...]) -> None:
        self._units = units
        self.warning = self.held = None
        self._last = []
        self._places: list[tuple[UnitPlace, ...]] = []
        width = height = 0
        for some in units:
            arrangement = arrange(some, scale=1, gap_px=GAP_PX)
            self._places.append(arrangement.places)
            width, height = width + arrangement.width_px, max(height, arrangement.height_px)
        self._displayed = self._make_meter(width, height, can_take_back=False)
        self._seen = self._make_meter(width, height, can_take_back=self.calm)

    def _note(self, over: tuple[FlashSecond | None, FlashSecond | None], number: int) -> bool:
        """Take up what the meter found; return whether it is over the thresholds."""
        general, red = over
        second = general or red
        if second is None:
            if number - self._warned >= self._hz:
                self.warning = None
            return False
        self._warned = number
        places = [place for place in self._all_places() if _overlaps(place, second)]
        self.warning = FlashWarning(
            second.flashes,
            general is None,
            second.field_ratio,
            tuple(dict.fromkeys(place.unit.name for place in places)),
            *_part_of(places[0], second),
        )
        return True

    def _all_places(self) -> list[UnitPlace]:
        """Return the units' places in the picture of all."""
        found: list[UnitPlace] = []
        left = 0
        for places in self._places:
            found += [replace(one, left_px=one.left_px + left) for one in places]
            left = max((one.left_px + one.width_px for one in found), default=0)
        return found

    def _hold(self, picture: IndexedPicture, number: int, *, is_flashing: bool) -> None:
        if self.held is not None and (is_flashing or number < self._hold_until):
            return
        if any(self._seen.feed(picture, number=number)) and self._last:
            self._seen.take_back()
            self._hold_until = number + self._hz
            if self.held is None:
                self.held = tuple(
                    _held(last, places)
                    for last, places in zip(self._last, self._places, strict=True)
                )
        else:
            self.held = None


def _joined(pictures: list[IndexedPicture]) -> IndexedPicture:
    """Return pictures side by side, as one."""
    if len(pictures) == 1:
        return pictures[0]
    height = max(one.indices.shape[0] for one in pictures)
    parts, first = [], 0
    for one in pictures:
        part = np.full((height, one.indices.shape[1]), first, np.uint32)
        part[: one.indices.shape[0]] = one.indices + np.uint32(first)
        parts.append(part)
        first += len(one.palette)
    return IndexedPicture(np.hstack(parts), np.concatenate([one.palette for one in pictures]))


def _overlaps(place: UnitPlace, second: FlashSecond) -> bool:
    return (
        place.left_px < second.left_px + second.width_px
        and second.left_px < place.left_px + place.width_px
        and place.top_px < second.top_px + second.height_px
        and second.top_px < place.top_px + place.height_px
    )


def _part_of(place: UnitPlace, second: FlashSecond) -> tuple[int, int, int, int]:
    """Return left, top, width and height of what flashes of a unit's picture, without border."""
    unit = place.unit
    left, top = second.left_px - place.picture_left_px, second.top_px - place.picture_top_px
    right = min(left + second.width_px, unit.width_px)
    bottom = min(top + second.height_px, unit.height_px)
    left, top = max(0, left), max(0, top)
    return left, top, max(0, right - left), max(0, bottom - top)


def _held(picture: IndexedPicture, places: Sequence[UnitPlace]) -> dict[str, HeldPicture]:
    image = picture.image()
    held = {}
    for place in places:
        left, top, unit = place.picture_left_px, place.picture_top_px, place.unit
        red, green, blue = image[place.top_px, place.left_px].tolist()
        inside = image[top : top + unit.height_px, left : left + unit.width_px].copy()
        held[unit.name] = HeldPicture(inside, (red, green, blue))
    return held
