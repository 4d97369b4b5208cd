"""Flashes of what displays show at each refresh of a board, as it runs or from a trace.

Refresh k is at cycle ⌊k · clock / rate⌋, as in a film. A picture is drawn only where a unit's
memory, palette or registers have changed since the refresh before, so that a run that draws
little costs little.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from os import PathLike
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from busplay.analysis.flashes import SCREEN_PX, FlashMeter, FlashReport, field_on_screen
from busplay.description.board import Board
from busplay.description.faults import Faults
from busplay.display.arrangement import GAP_PX, IndexedPicture, arrange, compose_indices
from busplay.display.display import Display
from busplay.errors import InputError
from busplay.run.replay import Replay

_Shown = tuple[NDArray[np.uint8], NDArray[np.uint8], tuple[int, ...]]


class FlashWatch:
    """Watches displays, side by side as in the window, at each refresh.

    Args:
        displays: in order.
        rate_hz: refreshes in a second.
        first_refresh: number of the first one that is looked at; seconds count from refresh 0.
        screen_px: width and height of the screen on which they are shown, at the largest whole
            scale that fits.

    >>> import busplay
    >>> session = busplay.Session("dunlin", program="tides.bin")
    >>> watch = busplay.FlashWatch(session.displays.values(), rate_hz=60)
    >>> for refresh in range(60):
    ...     done = session.run(max(0, refresh * session.clock_hz // 60 - session.cycle))
    ...     picture = watch.look()
    >>> watch.report().is_below
    True
    """

    def __init__(
        self,
        displays: Iterable[Display],
        *,
        rate_hz: int,
        first_refresh: int = 0,
        screen_px: tuple[int, int] = SCREEN_PX,
    ) -> None:
        self._displays = list(displays)
        whole = arrange([one.unit for one in self._displays], scale=1, gap_px=GAP_PX)
        size = whole.width_px, whole.height_px
        self._meter = FlashMeter(
            *size,
            rate_hz=rate_hz,
            field_px=field_on_screen(*size, screen_px=screen_px),
            first_picture=first_refresh,
        )
        self._shown: list[_Shown] = []

    def look(self) -> IndexedPicture | None:
        """Take what is shown now as the picture of the next refresh.

        Returns:
            The picture; None: it is the last one again.
        """
        if self._shown and all(map(_shows, self._displays, self._shown)):
            self._meter.repeat()
            return None
        self._shown = [
            (one.memory.copy(), one.palette.copy(), one.shown_registers) for one in self._displays
        ]
        picture = compose_indices(self._displays)
        self._meter.feed(picture)
        return picture

    def report(self) -> FlashReport:
        """Return what was found so far."""
        return self._meter.report()


def _shows(display: Display, shown: _Shown) -> bool:
    """Return whether a display's picture is made of what was there before."""
    memory, palette, registers = shown
    return (
        registers == display.shown_registers
        and np.array_equal(memory, display.memory)
        and np.array_equal(palette, display.palette)
    )


def refreshes_of(board: Board, *, first_cycle: int, stop_cycle: int) -> range:
    """Return the refreshes from a cycle on, up to the first one at or behind another cycle."""
    rate_hz, clock_hz = board.refresh_hz, board.clock_hz
    return range(-(-first_cycle * rate_hz // clock_hz), -(-stop_cycle * rate_hz // clock_hz) + 1)


def flash_report(
    trace: str | PathLike[str],
    *,
    unit: str | None = None,
    screen_px: tuple[int, int] = SCREEN_PX,
    faults: Faults | str | Path | None = None,
    first_cycle: int = 0,
    progress: Callable[[int, int], None] | None = None,
) -> FlashReport:
    """Return the flashes in a trace's pictures, one for each refresh of the board.

    It is no medical test: pictures below the thresholds can harm people, too.

    Args:
        trace: with a board.
        unit: this unit alone; None: all, side by side as in the window.
        screen_px: width and height of the screen on which they are shown, at the largest whole
            scale that fits.
        faults: faults to inject on the way, or the path of their file.
        first_cycle: leave out what is shown before this processor cycle.
        progress: called with how many refreshes are done, and of how many.

    Raises:
        InputError: the trace has no board, is damaged, or has no such unit or cycle.

    >>> import busplay
    >>> report = busplay.flash_report("tides.trace")
    >>> report.is_below, len(report.cautions())
    (True, 0)
    """
    with Replay(trace, faults=faults) as replay:
        displays = [one for name, one in replay.displays.items() if unit in (None, name)]
        if not displays:
            raise InputError(
                file=str(replay.reader.path),
                found=f"no unit {unit!r}" if unit is not None else "a board without units",
                wanted=f"the units are {', '.join(replay.displays)}"
                if unit is not None
                else "what flashes is a display",
            )
        if not 0 <= first_cycle <= replay.end_cycle:
            raise InputError(
                file=str(replay.reader.path),
                found=f"no cycle {first_cycle:,}",
                wanted=f"it goes from 0 to {replay.end_cycle:,}",
            )
        rate_hz = replay.board.refresh_hz
        refreshes = refreshes_of(replay.board, first_cycle=first_cycle, stop_cycle=replay.end_cycle)
        watch = FlashWatch(
            displays, rate_hz=rate_hz, first_refresh=refreshes.start, screen_px=screen_px
        )
        for done, refresh in enumerate(refreshes, 1):
            # The last picture is how the recording ends.
            cycle = min(refresh * replay.clock_hz // rate_hz, replay.end_cycle)
            replay.run(cycle - replay.cycle)
            watch.look()
            if progress is not None:
                progress(done, len(refreshes))
    return watch.report()
