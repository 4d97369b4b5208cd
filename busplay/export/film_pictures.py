"""The pictures of a replay, one for each refresh of the board.

Refresh k is at cycle ⌊k · clock / rate⌋; picture k is what the displays show then, and it stands
until refresh k + 1. The last picture is that of the first refresh at or behind the end of the
recording, so it shows how the recording ends.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import NDArray

from busplay.analysis.flashes import SCREEN_PX, FlashMeter, field_on_screen
from busplay.display.arrangement import GAP_PX, IndexedPicture, arrange, compose_indices
from busplay.errors import InputError
from busplay.formats.quantities import time_text
from busplay.run.replay import Replay
from busplay.units import PS_PER_S


class FilmPictures:
    """The pictures of some units; each time they are taken, the replay plays anew.

    Args:
        replay: what plays.
        unit: this unit alone; None: all, side by side as in the window.
        scale: side of a pixel's square.
        from_ps: leave out what is earlier.
        to_ps: leave out this time and what is later.
        screen_px: size of the screen on which flashes are looked at.
        progress: called with how many pictures are done, and of how many.

    Attributes:
        rate_hz: pictures in a second.
        scale: side of a pixel's square.
        width_px, height_px: size of a picture, scaled.
        meter: of flashes in the pictures taken last.

    Raises:
        InputError: the board has no such unit, or no refresh is in the part.
    """

    def __init__(
        self,
        replay: Replay,
        *,
        unit: str | None = None,
        scale: int = 1,
        from_ps: int | None = None,
        to_ps: int | None = None,
        screen_px: tuple[int, int] = SCREEN_PX,
        progress: Callable[[int, int], None] | None = None,
    ) -> None:
        units = [one for one in replay.board.units if unit in (None, one.name)]
        if not units:
            names = ", ".join(one.name for one in replay.board.units)
            raise InputError(
                place="--unit", found=f"unit {unit!r}", wanted=f"the units are {names}"
            )
        self._replay = replay
        self._names = [one.name for one in units]
        self._progress = progress
        self._screen_px = screen_px
        self.rate_hz = replay.board.refresh_hz
        self._refreshes = self._find_refreshes(from_ps, to_ps)
        arrangement = arrange(units, scale=1, gap_px=GAP_PX)
        self.scale = scale
        self.width_px = scale * arrangement.width_px
        self.height_px = scale * arrangement.height_px
        self.meter = self._new_meter()

    def __len__(self) -> int:
        return len(self._refreshes)

    def __iter__(self) -> Iterator[IndexedPicture]:
        """Play, and return each picture at scale 1."""
        self.meter = self._new_meter()
        self._replay.seek(self._cycle(self._refreshes.start))
        for done, refresh in enumerate(self._refreshes, 1):
            self._replay.run(self._cycle(refresh) - self._replay.cycle)
            picture = compose_indices([self._replay.display(name) for name in self._names])
            self.meter.feed(picture)
            yield picture
            if self._progress is not None:
                self._progress(done, len(self))

    def time_ps(self, number: int) -> int:
        """Return the time of a picture of the film, counted from 0, in the recording."""
        return (self._refreshes.start + number) * PS_PER_S // self.rate_hz

    def scaled(self, pixels: NDArray[np.uint8]) -> NDArray[np.uint8]:
        """Return pixels, uint8[rows, columns, …], each as a square of side `scale`."""
        return np.repeat(np.repeat(pixels, self.scale, axis=0), self.scale, axis=1)

    def _new_meter(self) -> FlashMeter:
        size = self.width_px // self.scale, self.height_px // self.scale
        field_px = field_on_screen(*size, screen_px=self._screen_px)
        return FlashMeter(*size, rate_hz=self.rate_hz, field_px=field_px)

    def _cycle(self, refresh: int) -> int:
        cycle = refresh * self._replay.clock_hz // self.rate_hz
        return min(cycle, self._replay.end_cycle)

    def _find_refreshes(self, from_ps: int | None, to_ps: int | None) -> range:
        first_ps = from_ps or 0
        first = -(-first_ps * self.rate_hz // PS_PER_S)
        end_cycle, clock_hz = self._replay.end_cycle, self._replay.clock_hz
        stop = -(-end_cycle * self.rate_hz // clock_hz) + 1
        if first_ps < 0 or first >= stop:
            end = time_text(end_cycle * PS_PER_S // clock_hz)
            wanted = f"the recording goes from 0 to {end}"
            raise InputError(place="--from", found=time_text(first_ps), wanted=wanted)
        if to_ps is not None:
            stop = min(stop, -(-to_ps * self.rate_hz // PS_PER_S))
            if first >= stop:
                raise InputError(
                    place="--to",
                    found=f"a part from {time_text(first_ps)} to {time_text(to_ps)}",
                    wanted=f"no refresh is in it; the board has {self.rate_hz:,} in a second",
                )
        return range(first, stop)
