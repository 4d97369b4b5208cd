"""Flashes in what a window shows, by the seconds of the board's time in which they were shown."""

from __future__ import annotations

from collections import deque
from dataclasses import replace
from fractions import Fraction

from busplay.analysis.flashes import (
    FlashMeter,
    FlashReport,
    FlashSpan,
    field_on_screen,
    join_span,
)
from busplay.display.arrangement import IndexedPicture
from busplay.player.flash_guard import Meter
from busplay.player.playable import Playable
from busplay.view.window import PICTURES_HZ


class ShownFlashes:
    """Makes a window's meters, and takes up what they find.

    A window plays at any speed, stands still and jumps, so a second in front of it is another
    stretch of the board's time: that from the earliest to the latest cycle shown in it.

    Args:
        playable: what the window plays.
        screen_px: size of the screen on which the pictures are looked at.
    """

    def __init__(self, playable: Playable, *, screen_px: tuple[int, int]) -> None:
        self.playable = playable
        self._screen_px = screen_px
        self._field_px = 0, 0
        self._pictures = 0
        self._cycles: deque[tuple[int, int]] = deque()
        self._general: list[FlashSpan] = []
        self._red: list[FlashSpan] = []

    def make_meter(self, width_px: int, height_px: int, *, can_take_back: bool) -> Meter:
        """Return a meter for pictures of a size; one that takes back looks at what is held."""
        self._field_px = field_on_screen(width_px, height_px, screen_px=self._screen_px)
        meter = FlashMeter(
            width_px,
            height_px,
            rate_hz=PICTURES_HZ,
            field_px=self._field_px,
            can_take_back=can_take_back,
        )
        return meter if can_take_back else _NotedMeter(meter, self)

    def note(self, number: int, over: tuple[FlashSpan | None, FlashSpan | None]) -> None:
        """Take up a picture: its number by the window's clock, and what is over up to it."""
        self._pictures += 1
        while self._cycles and self._cycles[0][0] <= number - PICTURES_HZ:
            self._cycles.popleft()
        self._cycles.append((number, self.playable.cycle))
        for span, spans in zip(over, (self._general, self._red), strict=True):
            if span is not None:
                shown = [cycle for _, cycle in self._cycles]
                clock_hz = self.playable.clock_hz
                start, stop = Fraction(min(shown), clock_hz), Fraction(max(shown), clock_hz)
                join_span(spans, replace(span, start_s=start, stop_s=stop))

    def begin_again(self, playable: Playable) -> None:
        """Forget what was found; the window plays another playable from now on."""
        self.playable = playable
        self._pictures = 0
        self._cycles.clear()
        self._general.clear()
        self._red.clear()

    def report(self) -> FlashReport:
        """Return what was found so far."""
        return FlashReport(self._pictures, *self._field_px, tuple(self._general), tuple(self._red))


class _NotedMeter:
    """A meter whose findings are taken up."""

    def __init__(self, meter: FlashMeter, flashes: ShownFlashes) -> None:
        self._meter = meter
        self._flashes = flashes

    def feed(
        self, picture: IndexedPicture, *, number: int | None = None
    ) -> tuple[FlashSpan | None, FlashSpan | None]:
        """Look at a picture."""
        over = self._meter.feed(picture, number=number)
        self._flashes.note(number or 0, over)
        return over

    def take_back(self) -> None:
        """Forget the picture fed last."""
        self._meter.take_back()
