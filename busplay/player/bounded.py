"""A playable that stops at a cycle, with callbacks after every run and at every refresh."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from busplay.display.display import Display
from busplay.player.playable import Playable, Status


class BoundedPlayable:
    """Plays another playable up to a cycle.

    Args:
        inner: the other playable.
        stop_cycle: where to end at the latest; None: where the other ends.
        after_run: called after every run.
        at_refresh: called at each refresh, first for the one at or before the present cycle, in
            the end for how it ends; None: a run is not cut at refreshes.
        refresh_hz: refreshes in a second.
    """

    def __init__(
        self,
        inner: Playable,
        *,
        stop_cycle: int | None,
        after_run: Callable[[], None] = lambda: None,
        at_refresh: Callable[[], object] | None = None,
        refresh_hz: int = 60,
    ) -> None:
        self._inner = inner
        self._stop_cycle = stop_cycle
        self._after_run = after_run
        self._at_refresh = at_refresh
        self._refresh_hz = refresh_hz
        self._looked_at_cycle = -1
        self._refresh = inner.cycle * refresh_hz // inner.clock_hz

    @property
    def clock_hz(self) -> int:
        """Processor cycles in a second of the board."""
        return self._inner.clock_hz

    @property
    def cycle(self) -> int:
        """Cycles so far."""
        return self._inner.cycle

    @property
    def ended(self) -> bool:
        """Whether the other has ended, or the stop cycle is reached."""
        return self._inner.ended or self._at_stop

    @property
    def _at_stop(self) -> bool:
        return self._stop_cycle is not None and self._inner.cycle >= self._stop_cycle

    @property
    def end_cycle(self) -> int | None:
        """Where it ends, if that is known."""
        ends = [end for end in (self._inner.end_cycle, self._stop_cycle) if end is not None]
        return min(ends, default=None)

    @property
    def displays(self) -> Mapping[str, Display]:
        """The units, by name."""
        return self._inner.displays

    @property
    def can_seek(self) -> bool:
        """Whether the other can jump."""
        return self._inner.can_seek

    @property
    def hears_keys(self) -> bool:
        """Whether the other's program may read keys."""
        return self._inner.hears_keys

    def run(self, cycles: int) -> int:
        """Run CYCLES cycles, at most to the stop cycle; return the count run."""
        if self._stop_cycle is not None:
            cycles = min(cycles, self._stop_cycle - self._inner.cycle)
        if cycles <= 0:
            return 0
        done = self._inner.run(cycles) if self._at_refresh is None else self._run_watched(cycles)
        self._after_run()
        return done

    def _run_watched(self, cycles: int) -> int:
        """Run up to each refresh, and look."""
        assert self._at_refresh is not None
        done = 0
        while done < cycles and not self._inner.ended:
            due = self._refresh * self._inner.clock_hz // self._refresh_hz
            piece = min(cycles - done, due - self._inner.cycle)
            if piece > 0:
                came = self._inner.run(piece)
                done += came
                if not came:
                    break
            if self._inner.cycle >= due:
                self._refresh += 1
                # A run goes on to the end of an instruction, which is later.
                self._looked_at_cycle = due
                self._at_refresh()
        if self.ended and self._looked_at_cycle < self._inner.cycle:
            self._looked_at_cycle = self._inner.cycle
            self._at_refresh()
        return done

    def seek(self, cycle: int) -> None:
        """Go to a cycle, at most to the stop cycle."""
        self._inner.seek(cycle if self._stop_cycle is None else min(cycle, self._stop_cycle))

    def reset(self) -> None:
        """Go back to the beginning."""
        self._inner.reset()

    def press(self, code: int) -> None:
        """Press a key."""
        self._inner.press(code)

    def status(self) -> Status:
        """Return the present status."""
        return self._inner.status()
