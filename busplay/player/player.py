"""When to run how much: play, pause, step, speed, seek, marks. No drawing, no sleeping.

How to think about it. The caller calls `tick` often, say 60 times a second. The player reads the
clock, computes how many cycles are due since the last tick, and runs the playable in slices,
reading the clock between slices so that a tick does not much exceed its budget.

- Cycles due are integers; the remainder is carried in the clock's unit, so that a day of ticks
  runs exactly a day of cycles.
- Cycles that a tick had no time for stay due. Beyond `MOST_LAG_NS` they are dropped and counted:
  after a long stall (a dragged window, a sleeping machine) catching up would only disturb, and a
  core that is too slow never could.
- `run` may exceed its cycles to complete an instruction; the excess is deducted.

Not here: keys, pixels, waiting for the next tick (`view`).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

from busplay.player.playable import Playable
from busplay.player.speed import NORMAL, Speed, StoreRate, faster, slower
from busplay.units import NS_PER_S

MOST_LAG_NS = NS_PER_S // 4
BUDGET_NS = 12_000_000
# Slices are adapted to take about this long.
SLICE_NS = 1_500_000
LEAST_SLICE_CYCLES = 64
# The most of the board's time in one tick, however fast the machine is.
MOST_TICK_S = 10
MEASURE_NS = NS_PER_S // 2


class StoreTimes(Protocol):
    """The times at which the stores of a recording are shown."""

    @property
    def frames(self) -> int:
        """Frames in the recording."""

    @property
    def shown_frames(self) -> int:
        """Frames shown at the present position."""

    def cycle_showing(self, frame: int) -> int:
        """Return the first cycle at which a frame, by its number, has been shown."""


class Player:
    """Plays a playable by a clock.

    Args:
        playable: a running program or a replay.
        clock: returns monotonic nanoseconds.
        refresh_hz: pictures in a second of the board's time; a step is one picture.
        speed: the initial speed.
        budget_ns: time that one tick may take.
        whole_pictures: at the board's own speed and above, stop each tick at a refresh, where a
            screen would take its picture.

    Attributes:
        playing: whether it runs by the clock.
        is_back: whether it runs backwards.
        speed: ratio to the board's own, stores a second, or None: as fast as possible.
        stores: times of single stores; None: not known, so there are no speeds by stores.
        begin_mark, end_mark: cycles at which the loop begins and ends, or None. Without a begin
            mark it begins at 0, without an end mark it ends with the playable. At the loop's end
            it goes back to the beginning if the playable can seek, else it pauses.
        cycles_dropped: cycles due that were not run, since the machine was too slow.
    """

    def __init__(
        self,
        playable: Playable,
        clock: Callable[[], int],
        *,
        refresh_hz: int = 60,
        speed: Speed = NORMAL,
        budget_ns: int = BUDGET_NS,
        whole_pictures: bool = False,
    ) -> None:
        if refresh_hz <= 0 or budget_ns <= 0:
            raise ValueError(f"refresh_hz {refresh_hz} and budget_ns {budget_ns} must be positive")
        self.playable = playable
        self.refresh_hz = refresh_hz
        self.playing = False
        self.is_back = False
        self.speed = speed
        self.stores: StoreTimes | None = None
        self.begin_mark: int | None = None
        self.end_mark: int | None = None
        self.cycles_dropped = 0
        self._clock = clock
        self._budget_ns = budget_ns
        self._whole_pictures = whole_pictures
        self._last_ns = clock()
        self._owed_cycles = 0
        self._rest = 0  # of a cycle, in 1 / (NS_PER_S * denominator of the speed)
        self._stores_rest = 0  # of a store, in 1 / NS_PER_S
        self._step_target: int | None = None
        self._slice_cycles = max(LEAST_SLICE_CYCLES, playable.clock_hz // 1000)
        self._measure_from_ns = self._last_ns
        self._measured_cycles = 0
        self._achieved_permille: int | None = None

    def for_another(self, playable: Playable, *, refresh_hz: int | None = None) -> Player:
        """Return a player of another playable, at the same speed, playing if this one plays.

        Args:
            playable: the other one.
            refresh_hz: its pictures in a second of the board's time; None: as many as before.
        """
        player = Player(
            playable,
            self._clock,
            refresh_hz=refresh_hz or self.refresh_hz,
            speed=self.speed,
            budget_ns=self._budget_ns,
            whole_pictures=self._whole_pictures,
        )
        # What has ended was playing, too, when it came to its end.
        if self.playing or self.playable.ended:
            player.play()
        return player

    # -- controls

    def play(self) -> None:
        """Run by the clock; a replay or a loop that has ended begins anew."""
        at_end = self.playable.ended or self.playable.cycle == self.end_mark
        if at_end and self.playable.can_seek:
            self._seek(self.begin_mark or 0)
        self._forget_time()
        self._step_target = None
        self.is_back = False
        self.playing = not self.playable.ended

    def play_back(self) -> None:
        """Run backwards by the clock; ignored if the playable cannot seek."""
        if self.playable.can_seek:
            self._forget_time()
            self._step_target = None
            self.is_back = self.playing = self.playable.cycle > 0

    def pause(self) -> None:
        """Pause."""
        self.playing = False
        self._step_target = None
        self._forget_time()

    def toggle(self) -> None:
        """Play or pause."""
        if self.playing or self.stepping:
            self.pause()
        else:
            self.play()

    def toggle_back(self) -> None:
        """Play backwards or pause."""
        if self.playing and self.is_back:
            self.pause()
        else:
            self.play_back()

    def step_stores(self, count: int) -> None:
        """Pause, and go COUNT stores of the recording forward, or back if negative."""
        if self.stores is not None and self.playable.can_seek:
            self.pause()
            self._show_stores(self.stores, count)

    def _show_stores(self, stores: StoreTimes, count: int) -> None:
        shown = stores.shown_frames + count
        self._seek(stores.cycle_showing(shown - 1) if shown > 0 else 0)

    def step(self, pictures: int = 1) -> None:
        """Pause, and go some pictures forward (by ticks) or, in a replay, back (at once)."""
        from_cycle = self.playable.cycle if self._step_target is None else self._step_target
        self.pause()
        target = self._refresh_cycle(from_cycle, pictures)
        if pictures < 0:
            if self.playable.can_seek:
                self._seek(target)
        elif not self.playable.ended:
            self._step_target = target

    def faster(self) -> None:
        """Select the next higher speed."""
        self.set_speed(faster(self.speed))

    def slower(self) -> None:
        """Select the next lower speed."""
        self.set_speed(slower(self.speed, by_stores=self.stores is not None))

    def set_speed(self, speed: Speed) -> None:
        """Set the speed, and drop cycles due at the old one."""
        if speed != self.speed:
            self.speed = speed
            self._forget_time()

    def reset(self) -> None:
        """Go back to the beginning; play on if it was playing."""
        was_over = self.playable.ended
        self.playable.reset()
        self._step_target = None
        self._forget_time()
        if was_over:
            self.playing = True

    def seek_to(self, cycle: int) -> None:
        """Go to a replay's cycle, or its nearest end; ignored if the playable cannot seek."""
        if self.playable.can_seek:
            self._step_target = None
            self._seek(cycle)
            self._forget_time()

    def seek_by(self, cycles: int) -> None:
        """Go CYCLES cycles forward or back in a replay."""
        self.seek_to(self.playable.cycle + cycles)

    def mark_begin(self) -> None:
        """Begin the loop here; remove an end mark that is not after it."""
        self.begin_mark = self.playable.cycle
        if self.end_mark is not None and self.end_mark <= self.begin_mark:
            self.end_mark = None

    def mark_end(self) -> None:
        """End the loop here, and play from its beginning; remove a begin mark not before it."""
        self.end_mark = self.playable.cycle
        if self.begin_mark is not None and self.begin_mark >= self.end_mark:
            self.begin_mark = None
        if self.playing:
            self._at_loop_end()

    def clear_marks(self) -> None:
        """Remove the loop."""
        self.begin_mark = self.end_mark = None

    def rest(self) -> None:
        """Skip time, as while a help text covers the picture."""
        self._forget_time()

    # -- state

    @property
    def stepping(self) -> bool:
        """Whether a step is being run."""
        return self._step_target is not None

    @property
    def looping(self) -> bool:
        """Whether playing will go back from the loop's end to its beginning."""
        if not self.playable.can_seek or self.is_back:
            return False
        if self.end_mark is None:
            return self.begin_mark is not None
        return self.playable.cycle <= self.end_mark

    @property
    def achieved_permille(self) -> int | None:
        """Recent speed in thousandths of the board's own; None: not known."""
        return self._achieved_permille

    def tick(self) -> int:
        """Run the cycles due, within the budget; return the count run."""
        now_ns = self._clock()
        elapsed_ns = max(0, now_ns - self._last_ns)
        self._last_ns = now_ns
        if self._step_target is not None:
            return self._tick_step(now_ns, self._step_target)
        if not self.playing:
            return 0
        if isinstance(self.speed, StoreRate):
            return self._tick_stores(elapsed_ns, self.speed)
        self._add_due(elapsed_ns)
        if self.is_back:
            return self._tick_back()
        held_cycles = self._held_cycles()
        ran = 0
        while self._owed_cycles > held_cycles:
            here = self._run_slice(self._owed_cycles - held_cycles)
            ran += here
            self._owed_cycles -= here
            if not self.playing or here <= 0 or self._clock() - now_ns >= self._budget_ns:
                break
        if self.playing:
            self._drop_lag()
            self._measure(ran)
        else:
            self._forget_time()
        return ran

    def _tick_step(self, now_ns: int, target: int) -> int:
        ran = 0
        while self.playable.cycle < target:
            here = self._run_slice(target - self.playable.cycle)
            ran += here
            if here <= 0 or self.playable.ended:
                self._step_target = None
                return ran
            if self._clock() - now_ns >= self._budget_ns:
                return ran
        self._step_target = None
        return ran

    def _tick_stores(self, elapsed_ns: int, rate: StoreRate) -> int:
        """Go forward or back by stores."""
        count, self._stores_rest = divmod(elapsed_ns * rate.stores_hz + self._stores_rest, NS_PER_S)
        if not count or self.stores is None or not self.playable.can_seek:
            return 0
        begin = self.playable.cycle
        self._show_stores(self.stores, -count if self.is_back else count)
        end_mark = self.end_mark
        if not self.is_back and end_mark is not None and begin < end_mark <= self.playable.cycle:
            self._at_loop_end()
        self.playing = self.playable.cycle > 0 if self.is_back else not self.playable.ended
        return abs(self.playable.cycle - begin)

    def _tick_back(self) -> int:
        """Go back by the cycles due, in one jump, which costs the same for any distance."""
        begin = self.playable.cycle
        target = begin - self._owed_cycles
        if self._is_whole_pictures() and target > 0:
            # To the first refresh at or after the cycles due; the remainder waits for the next.
            target = self._refresh_cycle(target - 1, 1)
        if target >= begin:
            return 0
        self._owed_cycles -= begin - max(0, target)
        self._seek(target)
        done = begin - self.playable.cycle
        self.playing = self.playable.cycle > 0 and done > 0
        self._drop_lag()
        self._measure(done)
        return done

    def _add_due(self, elapsed_ns: int) -> None:
        if isinstance(self.speed, StoreRate):
            return
        if self.speed is None:
            tick_s = 1 if self.is_back else MOST_TICK_S
            self._owed_cycles = tick_s * self.playable.clock_hz
            return
        parts = elapsed_ns * self.playable.clock_hz * self.speed.numerator + self._rest
        cycles, self._rest = divmod(parts, NS_PER_S * self.speed.denominator)
        self._owed_cycles += cycles

    def _held_cycles(self) -> int:
        """Count the cycles due past the last refresh, which wait for the next.

        A program draws between two refreshes, and may erase moving objects first, so pictures from
        in between flicker. Below the board's own speed people want to see how it draws.
        """
        if not self._is_whole_pictures():
            return 0
        target = self.playable.cycle + self._owed_cycles
        return min(self._owed_cycles, target - self._refresh_cycle(target, 0))

    def _is_whole_pictures(self) -> bool:
        speed = self.speed
        if isinstance(speed, StoreRate):
            return False
        slow = speed is not None and speed.numerator < speed.denominator
        return self._whole_pictures and not slow

    def _drop_lag(self) -> None:
        if self.speed is None or isinstance(self.speed, StoreRate):
            self._owed_cycles = 0
            return
        most = self.speed.floor(self.playable.clock_hz * MOST_LAG_NS // NS_PER_S)
        if self._owed_cycles > most:
            self.cycles_dropped += self._owed_cycles - most
            self._owed_cycles = most

    def _run_slice(self, most_cycles: int) -> int:
        """Run at most a slice, stopping at the end mark, and adapt the slice's length."""
        cycles = min(most_cycles, self._slice_cycles)
        begin = self.playable.cycle
        end_mark = self.end_mark if self.playing else None
        if end_mark is not None and begin < end_mark:
            cycles = min(cycles, end_mark - begin)
        before_ns = self._clock()
        ran = self.playable.run(cycles)
        took_ns = self._clock() - before_ns
        if took_ns > 2 * SLICE_NS:
            self._slice_cycles = max(LEAST_SLICE_CYCLES, self._slice_cycles // 2)
        elif took_ns < SLICE_NS // 2 and cycles == self._slice_cycles < self.playable.clock_hz:
            self._slice_cycles = min(self.playable.clock_hz, 2 * self._slice_cycles)
        if end_mark is not None and begin < end_mark <= self.playable.cycle:
            self._at_loop_end()
        elif self.playable.ended:
            if self.looping and self.playing:
                self._at_loop_end()
            self.playing = self.playing and not self.playable.ended
        return ran

    def _at_loop_end(self) -> None:
        if self.playable.can_seek:
            self._seek(self.begin_mark or 0)
        else:
            self.playing = False

    def _seek(self, cycle: int) -> None:
        end = self.playable.end_cycle
        self.playable.seek(max(0, cycle if end is None else min(cycle, end)))

    def _refresh_cycle(self, from_cycle: int, refreshes: int) -> int:
        """Return the cycle of a refresh relative to one; refresh k is at ⌊k · clock / rate⌋."""
        clock_hz, rate = self.playable.clock_hz, self.refresh_hz
        # The last refresh at or before the cycle.
        number = ((from_cycle + 1) * rate - 1) // clock_hz
        if refreshes < 0 and number * clock_hz // rate < from_cycle:
            number += 1
        return max(0, (number + refreshes) * clock_hz // rate)

    def _forget_time(self) -> None:
        self._last_ns = self._clock()
        self._owed_cycles = 0
        self._rest = 0
        self._stores_rest = 0
        self._measure_from_ns = self._last_ns
        self._measured_cycles = 0
        self._achieved_permille = None

    def _measure(self, ran: int) -> None:
        self._measured_cycles += ran
        passed_ns = self._last_ns - self._measure_from_ns
        if passed_ns < MEASURE_NS:
            return
        board_ns = passed_ns * self.playable.clock_hz
        self._achieved_permille = (self._measured_cycles * NS_PER_S * 1000) // board_ns
        self._measure_from_ns = self._last_ns
        self._measured_cycles = 0
