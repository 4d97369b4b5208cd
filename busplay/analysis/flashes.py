"""Flashes in pictures, as WCAG 2.2 defines them: general and red flashes, how many and how large.

Follows: WCAG 2.2, "general flash and red flash thresholds" and "relative luminance".
Departs: the exception for fine balanced patterns is not made, so a flickering checkerboard counts.
This is no medical test: pictures below the thresholds can harm people, too.

How to think about it. Each pixel makes transitions: its luminance goes up or down by a tenth or
more from its last peak or valley, or its colour goes to or from a saturated red. Two opposing ones
are a flash. A picture is over the thresholds if pixels with more than three flashes in the second
up to it cover more than a quarter of a field of 10 degrees, wherever that is put. Only pixels that
change are examined, so a still picture costs next to nothing.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from busplay.analysis.flash_turns import (
    add_turns,
    luminance_turns,
    most_in_a_field,
    red_turns,
)
from busplay.display.arrangement import IndexedPicture
from busplay.wording import exact

FLASHES_MOST = 3
LUMINANCE_CHANGE = 0.1
DARKER_BELOW = 0.8
RED_RATIO = 0.8
RED_CHANGE = 0.2
FIELD_SHARE_MOST = 0.25
# A field of 10 degrees on a screen of 1024 by 768 pixels at the usual distance.
SCREEN_PX = (1024, 768)
FIELD_PX = (341, 256)
# Sums of coefficients are rounded; a change of exactly a tenth counts.
_ROUNDING = 1e-9
_NO_PIXELS: NDArray[np.int32] = np.empty(0, np.int32)

# sRGB to CIE XYZ (IEC 61966-2-1); the row of Y has the coefficients of relative luminance.
_XYZ = np.array(
    [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]], np.float64
)


@dataclass(frozen=True, slots=True)
class FlashSpan:
    """A stretch of pictures over the thresholds.

    Attributes:
        start_s: beginning of the first second with too many flashes.
        stop_s: end of the last one.
        flashes: most flashes of a pixel within a second.
        field_ratio: largest part of a field of 10 degrees that flashes, 0 to 1.
        left_px, top_px, width_px, height_px: rectangle of all pixels that flash too often.
    """

    start_s: Fraction
    stop_s: Fraction
    flashes: int
    field_ratio: float
    left_px: int
    top_px: int
    width_px: int
    height_px: int


@dataclass(frozen=True, slots=True)
class FlashReport:
    """Flashes in a row of pictures.

    Attributes:
        pictures: count of pictures examined.
        field_width_px, field_height_px: size of a field of 10 degrees, in pixels of a picture.
        general: stretches with too many general flashes.
        red: stretches with too many red flashes.
    """

    pictures: int
    field_width_px: int
    field_height_px: int
    general: tuple[FlashSpan, ...]
    red: tuple[FlashSpan, ...]

    @property
    def is_below(self) -> bool:
        """Whether nothing is over the thresholds."""
        return not self.general and not self.red

    def cautions(self) -> list[str]:
        """Return a sentence for each stretch over the thresholds."""
        return [
            f"{span.flashes} {what} a second from {exact(span.start_s)} s to"
            f" {exact(span.stop_s)} s, on {span.field_ratio:.1%} of a field of 10 degrees, within"
            f" {span.width_px:,} x {span.height_px:,} pixels from {span.left_px:,},"
            f" {span.top_px:,}; WCAG 2.2 allows {FLASHES_MOST}"
            for what, spans in (("flashes", self.general), ("red flashes", self.red))
            for span in spans
        ]


def relative_luminance(rgb: NDArray[np.uint8]) -> NDArray[np.float64]:
    """Return the relative luminance of sRGB colours, 0 to 1.

    Args:
        rgb: uint8[…, 3].
    """
    luminance: NDArray[np.float64] = _linear(rgb) @ _XYZ[1]
    return luminance


def red_ratio(rgb: NDArray[np.uint8]) -> NDArray[np.float64]:
    """Return R / (R + G + B) of sRGB colours in linear light, 0 for black."""
    linear = _linear(rgb)
    total = linear.sum(axis=-1)
    ratio: NDArray[np.float64] = linear[..., 0] / np.where(total > 0, total, 1)
    return ratio


def chromaticity(rgb: NDArray[np.uint8]) -> NDArray[np.float64]:
    """Return u' and v' of CIE 1976 of sRGB colours, float64[…, 2]; those of white for black."""
    # Black has none; white's is what a screen fades through.
    is_black = ~np.asarray(rgb.any(axis=-1, keepdims=True))
    xyz = np.where(is_black, 1.0, _linear(rgb)) @ _XYZ.T
    divisor = xyz @ np.array([1.0, 15.0, 3.0])
    return np.stack([4 * xyz[..., 0] / divisor, 9 * xyz[..., 1] / divisor], axis=-1)


def _linear(rgb: NDArray[np.uint8]) -> NDArray[np.float64]:
    part = rgb.astype(np.float64) / 255
    return np.where(part <= 0.04045, part / 12.92, ((part + 0.055) / 1.055) ** 2.4)


def field_on_screen(
    width_px: int, height_px: int, *, screen_px: tuple[int, int] = SCREEN_PX
) -> tuple[int, int]:
    """Return the size of a field of 10 degrees in pixels of a picture that fills a screen.

    Args:
        width_px, height_px: the picture's size.
        screen_px: width and height of the screen on which it is shown at the largest whole
            scale that fits; the field is the same part of any screen.
    """
    scale = max(1, min(screen_px[0] // width_px, screen_px[1] // height_px))
    return (
        max(1, screen_px[0] * FIELD_PX[0] // (SCREEN_PX[0] * scale)),
        max(1, screen_px[1] * FIELD_PX[1] // (SCREEN_PX[1] * scale)),
    )


class FlashMeter:
    """Counts flashes in pictures that follow each other.

    Args:
        width_px, height_px: size of each picture.
        rate_hz: pictures in a second.
        field_px: width and height of a field of 10 degrees, in pixels of a picture; None: as
            `field_on_screen` returns.
        first_picture: number of the first picture; the report's seconds count from number 0.
        can_take_back: keep what `take_back` needs.

    >>> import busplay
    >>> from busplay.display.arrangement import compose_indices
    >>> panel = busplay.Session("dunlin", program="tides.bin").display("panel")
    >>> meter = busplay.FlashMeter(256, 192, rate_hz=60)
    >>> for number in range(80):
    ...     panel.write_memory(range(24_576), [0xFF * (number // 7 % 2)] * 24_576)
    ...     found = meter.feed(compose_indices([panel], borders=False))
    >>> [(span.flashes, span.field_ratio) for span in meter.report().general]
    [(4, 1.0)]
    """

    def __init__(
        self,
        width_px: int,
        height_px: int,
        *,
        rate_hz: int,
        field_px: tuple[int, int] | None = None,
        first_picture: int = 0,
        can_take_back: bool = False,
    ) -> None:
        self._field_px = field_px or field_on_screen(width_px, height_px)
        self._general = _Counter((height_px, width_px), rate_hz, self._field_px, first_picture)
        self._red = _Counter((height_px, width_px), rate_hz, self._field_px, first_picture)
        self._pixels: _Pixels | None = None
        self._can_take_back = can_take_back
        self._kept: _Pixels | None = None
        self._palette = np.empty((0, 3), np.uint8)
        self._number = -1

    def feed(
        self, picture: IndexedPicture, *, number: int | None = None
    ) -> tuple[FlashSpan | None, FlashSpan | None]:
        """Look at the next picture.

        Args:
            picture: the picture.
            number: its place in the row, where the one before stood for several; None: the next.

        Returns:
            The seconds up to this picture if they have too many general flashes, and too many
            red ones.
        """
        self._number = max(self._number + 1, 0 if number is None else number)
        if not np.array_equal(self._palette, picture.palette):
            self._palette = picture.palette.copy()
            self._colours = _PaletteColours.of(self._palette)
        indices = np.ascontiguousarray(picture.indices).ravel()
        if self._pixels is None:
            self._pixels = _Pixels.of(self._colours, indices)
        if self._can_take_back:
            is_near = self._general.may_go_over or self._red.may_go_over
            self._kept = self._pixels.copy() if is_near else None
        brighter, redder = self._pixels.turns(self._colours, indices)
        return (
            self._general.feed(brighter, self._number),
            self._red.feed(redder, self._number),
        )

    def repeat(self) -> None:
        """Take the next picture to be the last one again."""
        self._number += 1
        self._general.feed(_NO_PIXELS, self._number)
        self._red.feed(_NO_PIXELS, self._number)

    def take_back(self) -> None:
        """Forget the picture fed last, which was over, as one that nobody has seen.

        Its time has passed all the same.

        Raises:
            ValueError: the meter was not made for it, or the picture was below the thresholds.
        """
        if self._kept is None:
            raise ValueError("no picture over the thresholds to take back")
        self._pixels, self._kept = self._kept, None
        self._general.take_back()
        self._red.take_back()

    def report(self) -> FlashReport:
        """Return what was found so far."""
        return FlashReport(
            self._number + 1, *self._field_px, self._general.spans(), self._red.spans()
        )


@dataclass(frozen=True, slots=True, eq=False)
class _PaletteColours:
    """What a palette's colours are in the meter's terms."""

    number: NDArray[np.uint32]
    luminance: NDArray[np.float64]
    is_red: NDArray[np.uint8]
    place: NDArray[np.float64]

    @classmethod
    def of(cls, palette: NDArray[np.uint8]) -> _PaletteColours:
        red, green, blue = palette.astype(np.uint32).T
        return cls(
            red << 16 | green << 8 | blue,
            relative_luminance(palette),
            (red_ratio(palette) >= RED_RATIO).astype(np.uint8),
            np.ascontiguousarray(chromaticity(palette)),
        )


@dataclass(slots=True, eq=False)
class _Pixels:
    """Where each pixel stands: between its last peak and valley, in or out of red."""

    colour: NDArray[np.uint32]
    low: NDArray[np.float64]
    high: NDArray[np.float64]
    way: NDArray[np.int8]
    was_red: NDArray[np.uint8]
    was_place: NDArray[np.float64]
    turned: NDArray[np.int32]

    @classmethod
    def of(cls, colours: _PaletteColours, indices: NDArray[np.uint32]) -> _Pixels:
        luminance = colours.luminance[indices]
        return cls(
            colours.number[indices],
            luminance,
            luminance.copy(),
            np.zeros(len(indices), np.int8),
            colours.is_red[indices],
            colours.place[indices],
            np.empty(len(indices), np.int32),
        )

    def copy(self) -> _Pixels:
        return _Pixels(
            self.colour.copy(),
            self.low.copy(),
            self.high.copy(),
            self.way.copy(),
            self.was_red.copy(),
            self.was_place.copy(),
            self.turned,
        )

    def turns(
        self, colours: _PaletteColours, indices: NDArray[np.uint32]
    ) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
        """Return the pixels with a transition of luminance, and those with one of red."""
        count = luminance_turns(
            colours.number,
            indices,
            self.colour,
            colours.luminance,
            self.low,
            self.high,
            self.way,
            LUMINANCE_CHANGE - _ROUNDING,
            DARKER_BELOW,
            self.turned,
        )
        brighter = self.turned[:count].copy()
        count = red_turns(
            colours.number,
            indices,
            self.colour,
            colours.is_red,
            colours.place,
            self.was_red,
            self.was_place,
            RED_CHANGE,
            self.turned,
        )
        return brighter, self.turned[:count].copy()


class _Counter:
    """Flashes of each pixel in the last second, and the stretches over the thresholds."""

    def __init__(
        self, shape: tuple[int, int], rate_hz: int, field_px: tuple[int, int], first_picture: int
    ) -> None:
        self._first_picture = first_picture
        self._shape = shape
        self._rate_hz = rate_hz
        self._field_px = field_px
        self._turns = np.zeros(shape[0] * shape[1], np.uint16)
        self._sums = np.empty((shape[0] + 1, shape[1] + 1), np.int32)
        self._second: deque[tuple[int, NDArray[np.int32]]] = deque()
        self._most = 0
        self._spans: list[FlashSpan] = []
        self._spans_before: list[FlashSpan] = []
        self._is_new = False

    @property
    def may_go_over(self) -> bool:
        """Whether the next picture can be over: it adds one transition to each pixel at most."""
        least = 2 * FLASHES_MOST + 1
        if self._most < least:
            return False
        field = self._field_px[0] * self._field_px[1]
        return int(np.count_nonzero(self._turns >= least)) > FIELD_SHARE_MOST * field

    def spans(self) -> tuple[FlashSpan, ...]:
        """Return the stretches so far."""
        return tuple(self._spans)

    def feed(self, turned: NDArray[np.int32], number: int) -> FlashSpan | None:
        """Count the pixels that make a transition in a picture; return the second up to it."""
        while self._second and self._second[0][0] <= number - self._rate_hz:
            add_turns(self._turns, self._second.popleft()[1], -1)
        self._is_new = bool(len(turned))
        self._spans_before = self._spans[-1:]
        if self._is_new:
            add_turns(self._turns, turned, 1)
            self._second.append((number, turned))
        # A flash is two transitions.
        self._most = int(self._turns.max()) if self._second else 0
        most = self._most // 2
        if most <= FLASHES_MOST:
            return None
        rows, columns = self._shape
        width, height = min(self._field_px[0], columns), min(self._field_px[1], rows)
        least = 2 * (FLASHES_MOST + 1)
        over = most_in_a_field(self._turns, columns, width, height, least, self._sums)
        share = over / (self._field_px[0] * self._field_px[1])
        if share <= FIELD_SHARE_MOST:
            return None
        span = self._span(
            self._first_picture + number, most, share, (self._turns >= least).reshape(self._shape)
        )
        join_span(self._spans, span)
        return span

    def take_back(self) -> None:
        """Forget the picture fed last."""
        if self._is_new:
            add_turns(self._turns, self._second.pop()[1], -1)
            self._is_new = False
        kept = len(self._spans_before)
        if self._spans[-1:] != self._spans_before:
            # The stretch is the picture's own, or was made longer by it.
            is_longer = kept and self._spans[-1].start_s == self._spans_before[0].start_s
            self._spans[-1:] = self._spans_before if is_longer else []

    def _span(self, number: int, most: int, share: float, over: NDArray[np.bool_]) -> FlashSpan:
        rows = np.flatnonzero(over.any(axis=1))
        columns = np.flatnonzero(over.any(axis=0))
        first = max(self._first_picture, number + 1 - self._rate_hz)
        return FlashSpan(
            start_s=Fraction(first, self._rate_hz),
            stop_s=Fraction(number + 1, self._rate_hz),
            flashes=most,
            field_ratio=share,
            left_px=int(columns[0]),
            top_px=int(rows[0]),
            width_px=int(columns[-1] - columns[0]) + 1,
            height_px=int(rows[-1] - rows[0]) + 1,
        )


def join_span(spans: list[FlashSpan], span: FlashSpan) -> None:
    """Add a stretch to others, joined to the last one if the two overlap."""
    if not spans or not spans[-1].start_s <= span.start_s <= spans[-1].stop_s:
        spans.append(span)
        return
    last = spans[-1]
    left, top = min(last.left_px, span.left_px), min(last.top_px, span.top_px)
    right = max(last.left_px + last.width_px, span.left_px + span.width_px)
    bottom = max(last.top_px + last.height_px, span.top_px + span.height_px)
    spans[-1] = FlashSpan(
        start_s=last.start_s,
        stop_s=max(last.stop_s, span.stop_s),
        flashes=max(last.flashes, span.flashes),
        field_ratio=max(last.field_ratio, span.field_ratio),
        left_px=left,
        top_px=top,
        width_px=right - left,
        height_px=bottom - top,
    )
