"""A clock moved by hand, and a playable that records its calls."""

from __future__ import annotations

from collections.abc import Mapping

from busplay.display.display import Display
from busplay.player.playable import Status


class HandClock:
    """A clock that a test advances."""

    def __init__(self) -> None:
        self.now_ns = 1_000

    def __call__(self) -> int:
        return self.now_ns

    def pass_ns(self, span_ns: int) -> None:
        self.now_ns += span_ns


class FakePlayable:
    """Counts cycles; `cost_ns_per_kilocycle` of the clock pass while it runs.

    Instructions take `instruction_cycles`, and `run` completes one, as a processor does.
    """

    def __init__(
        self,
        clock: HandClock,
        *,
        clock_hz: int = 8_000_000,
        end_cycle: int | None = None,
        can_seek: bool = False,
        hears_keys: bool | None = None,
        cost_ns_per_kilocycle: int = 0,
        instruction_cycles: int = 1,
        displays: Mapping[str, Display] | None = None,
    ) -> None:
        self.clock_hz = clock_hz
        self.end_cycle = end_cycle
        self.can_seek = can_seek
        self.hears_keys = not can_seek if hears_keys is None else hears_keys
        self.cycle = 0
        self.displays = displays or {}
        self.asked: list[int] = []
        self.seeks: list[int] = []
        self.pressed: list[int] = []
        self.resets = 0
        self.state = Status(
            cycle=0, clock_hz=clock_hz, frames=0, frames_in_last_span=0, slots_in_last_span=0
        )
        self._clock = clock
        self._cost = cost_ns_per_kilocycle
        self._instruction_cycles = instruction_cycles

    @property
    def ended(self) -> bool:
        return self.end_cycle is not None and self.cycle >= self.end_cycle

    def run(self, cycles: int) -> int:
        assert cycles > 0
        self.asked.append(cycles)
        ran = -(-cycles // self._instruction_cycles) * self._instruction_cycles
        if self.end_cycle is not None:
            ran = min(ran, self.end_cycle - self.cycle)
        self.cycle += ran
        self._clock.pass_ns(ran * self._cost // 1000)
        return ran

    def seek(self, cycle: int) -> None:
        self.seeks.append(cycle)
        self.cycle = cycle

    def reset(self) -> None:
        self.resets += 1
        self.cycle = 0

    def press(self, code: int) -> None:
        self.pressed.append(code)

    def status(self) -> Status:
        return self.state
