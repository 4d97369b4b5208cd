"""When to run how much: play, pause, step, speed, seek, marks. No drawing, no sleeping.

How to think about it. Somebody calls `tick` often, say 60 times a second. The player looks at
the clock, works out how many cycles are owed since the last tick, and lets the playable run
them in slices, looking at the clock between slices so that one tick never takes much longer
than its budget.

- Owed cycles are whole; what is left of a cycle is carried in the unit of the clock, so that
  a day of ticks owes exactly a day of cycles.
- What a tick had no time for stays owed. More than `MOST_LAG_NS` of it is dropped and
  counted: after a long stall (a window that was dragged, a machine that slept) nobody wants
  to watch it catch up, and a core that is too slow would never do so.
- `run` may go some cycles past its end to finish an instruction. That is owed back.

Not here: keys, pixels, waiting for the next tick (`view`).
"""

from __future__ import annotations

from collections.abc import Callable

from busplay.player.playable import Playable
from busplay.player.speed import NORMAL, Speed, faster, slower
from busplay.units import NS_PER_S

MOST_LAG_NS = NS_PER_S // 4
BUDGET_NS = 12_000_000
# A slice is made longer or shorter until it takes about this long.
SLICE_NS = 1_500_000
LEAST_SLICE_CYCLES = 64
# However fast the machine is, one tick skips no more of the board's time than this.
MOST_TICK_S = 10
MEASURE_NS = NS_PER_S // 2


class Player:
    """Plays a playable by a clock.

    Args:
        playable: a running program or a replay.
        clock: returns nanoseconds that never go back.
        refresh_hz: pictures in a second of the board's time; one is a single step.
        speed: at first.
        budget_ns: what one tick may take.
        whole_pictures: at the board's own speed and above, run up to a refresh and no further, so
            that a picture is taken where a screen would take it.

    Attributes:
        playing: it runs by the clock.
        speed: ratio to the board's own, or None: as fast as it can.
        begin_mark, end_mark: cycles at which the loop begins and ends, or None. Without a begin
            mark it begins at 0, without an end mark it ends with the playable. Playing that comes
            to the loop's end goes on at its beginning if the playable can seek, else it pauses.
        cycles_dropped: owed cycles that nobody will run, since the machine could not.
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
        self.speed = speed
        self.begin_mark: int | None = None
        self.end_mark: int | None = None
        self.cycles_dropped = 0
        self._clock = clock
        self._budget_ns = budget_ns
        self._whole_pictures = whole_pictures
        self._last_ns = clock()
        self._owed_cycles = 0
        self._rest = 0  # of a cycle, in 1 / (NS_PER_S * denominator of the speed)
        self._step_target: int | None = None
        self._slice_cycles = max(LEAST_SLICE_CYCLES, playable.clock_hz // 1000)
        self._measure_from_ns = self._last_ns
        self._measured_cycles = 0
        self._achieved_permille: int | None = None

    # -- what is asked for

    def play(self) -> None:
        """Run by the clock from now on; a replay that is over, or a loop, begins anew."""
        at_end = self.playable.ended or self.playable.cycle == self.end_mark
        if at_end and self.playable.can_seek:
            self._seek(self.begin_mark or 0)
        self._forget_time()
        self._step_target = None
        self.playing = not self.playable.ended

    def pause(self) -> None:
        """Stop the clock; the playable stays where it is."""
        self.playing = False
        self._step_target = None
        self._forget_time()

    def toggle(self) -> None:
        """Play if it does not, pause if it does."""
        if self.playing or self.stepping:
            self.pause()
        else:
            self.play()

    def step(self, pictures: int = 1) -> None:
        """Pause, and go some pictures on (ticks do it) or, for a replay, back (at once)."""
        from_cycle = self.playable.cycle if self._step_target is None else self._step_target
        self.pause()
        target = self._refresh_cycle(from_cycle, pictures)
        if pictures < 0:
            if self.playable.can_seek:
                self._seek(target)
        elif not self.playable.ended:
            self._step_target = target

    def faster(self) -> None:
        """Take the next higher speed."""
        self.set_speed(faster(self.speed))

    def slower(self) -> None:
        """Take the next lower speed."""
        self.set_speed(slower(self.speed))

    def set_speed(self, speed: Speed) -> None:
        """Run at another speed from now on; what is owed at the old one is dropped."""
        if speed != self.speed:
            self.speed = speed
            self._forget_time()

    def reset(self) -> None:
        """Bring the playable back to its beginning; it plays on if it played."""
        was_over = self.playable.ended
        self.playable.reset()
        self._step_target = None
        self._forget_time()
        if was_over:
            self.playing = True

    def seek_to(self, cycle: int) -> None:
        """Go to a cycle of a replay, or to the nearest that it has; nothing else can."""
        if self.playable.can_seek:
            self._step_target = None
            self._seek(cycle)
            self._forget_time()

    def seek_by(self, cycles: int) -> None:
        """Go that far forward or back in a replay."""
        self.seek_to(self.playable.cycle + cycles)

    def mark_begin(self) -> None:
        """Begin the loop here; an end mark that does not lie behind it goes."""
        self.begin_mark = self.playable.cycle
        if self.end_mark is not None and self.end_mark <= self.begin_mark:
            self.end_mark = None

    def mark_end(self) -> None:
        """End the loop here, and play on at its beginning; a begin mark not before it goes."""
        self.end_mark = self.playable.cycle
        if self.begin_mark is not None and self.begin_mark >= self.end_mark:
            self.begin_mark = None
        if self.playing:
            self._at_loop_end()

    def clear_marks(self) -> None:
        """Play without a loop."""
        self.begin_mark = self.end_mark = None

    def rest(self) -> None:
        """Skip time that does not count, as while a help text covers the picture."""
        self._forget_time()

    # -- how it goes

    @property
    def stepping(self) -> bool:
        """A single picture is on its way."""
        return self._step_target is not None

    @property
    def looping(self) -> bool:
        """Playing will come to the loop's end and go back to its beginning."""
        if not self.playable.can_seek:
            return False
        if self.end_mark is None:
            return self.begin_mark is not None
        return self.playable.cycle <= self.end_mark

    @property
    def achieved_permille(self) -> int | None:
        """Speed of the last half second or so in thousandths of the board's; None: not known."""
        return self._achieved_permille

    def tick(self) -> int:
        """Run what is owed by now, as far as the budget goes.

        Returns:
            cycles that were run.
        """
        now_ns = self._clock()
        elapsed_ns = max(0, now_ns - self._last_ns)
        self._last_ns = now_ns
        if self._step_target is not None:
            return self._tick_step(now_ns, self._step_target)
        if not self.playing:
            return 0
        self._owe(elapsed_ns)
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

    # -- inside

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

    def _owe(self, elapsed_ns: int) -> None:
        if self.speed is None:
            self._owed_cycles = MOST_TICK_S * self.playable.clock_hz
            return
        parts = elapsed_ns * self.playable.clock_hz * self.speed.numerator + self._rest
        cycles, self._rest = divmod(parts, NS_PER_S * self.speed.denominator)
        self._owed_cycles += cycles

    def _held_cycles(self) -> int:
        """Count the owed cycles that lie behind the last refresh, and wait for the next.

        A program draws between two refreshes, and may take its moving things away first, so
        that pictures from in between flicker. Slower, one wants to see how it draws.
        """
        slow = self.speed is not None and self.speed.numerator < self.speed.denominator
        if slow or not self._whole_pictures:
            return 0
        target = self.playable.cycle + self._owed_cycles
        return min(self._owed_cycles, target - self._refresh_cycle(target, 0))

    def _drop_lag(self) -> None:
        if self.speed is None:
            self._owed_cycles = 0
            return
        most = self.speed.floor(self.playable.clock_hz * MOST_LAG_NS // NS_PER_S)
        if self._owed_cycles > most:
            self.cycles_dropped += self._owed_cycles - most
            self._owed_cycles = most

    def _run_slice(self, most_cycles: int) -> int:
        """Run up to a slice, stopping at the end mark, and note how long slices take."""
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
        """Return the cycle of a refresh before or after one: refresh k is at ⌊k · clock / rate⌋."""
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
