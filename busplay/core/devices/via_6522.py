"""A 6522 on the bus: its state, and what the board file connects its pins to."""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import cast

import numpy as np

from busplay.core.devices import via_state as at
from busplay.core.devices.bank_switch import BankSwitch
from busplay.core.devices.compiled_access import CompiledAccess
from busplay.core.devices.interface import NO_EVENT
from busplay.core.devices.pin_levels import KeySnapshot, PinLevels
from busplay.core.devices.via_access import (
    next_output,
    port_levels,
    set_control_input,
    set_port_inputs,
    via_access,
)
from busplay.core.devices.via_paging import (
    PagedPins,
    follow_via,
    via_paged_access,
    write_via,
)
from busplay.description.device_pins import CONTROL_PINS, all_pin_uses
from busplay.description.devices import Via6522

_CONTROLS = {"ca1": at.CA1, "ca2": at.CA2, "cb1": at.CB1, "cb2": at.CB2}


@dataclass(frozen=True, slots=True)
class ViaSnapshot:
    """A 6522's state, without the key log.

    Attributes:
        numbers: of `via_state`.
        keys: what pins show of them.
    """

    numbers: bytes
    keys: KeySnapshot


class ViaDevice:
    """A 6522; see `BusDevice` and `via_access`.

    Args:
        described: part, pins and name, as in the board file.
        clock_hz: the processor's clock.
    """

    registers = Via6522.registers

    def __init__(self, described: Via6522, *, clock_hz: int) -> None:
        self.described = described
        self.numbers = np.zeros(at.STATE_NUMBERS, np.int64)
        self.state: memoryview[int] = self.numbers.data
        # The same for kernels, which take arrays where Python's functions take views of them.
        self._array = cast("memoryview[int]", self.numbers)
        self._uses = all_pin_uses(described.pins)
        self._levels = PinLevels(self._uses, clock_hz=clock_hz)
        self.listens = self._levels.shows_keys
        self._power_on()

    def _power_on(self) -> None:
        state = self.state
        state[at.T1_LATCH] = state[at.T1_TOP] = state[at.T2_TOP] = 0xFFFF
        state[at.SR_EDGES] = at.IDLE_EDGES
        for number in (at.SR_NEXT, at.CA2_PULSE_END, at.CB2_PULSE_END, at.LINE):
            state[number] = at.NEVER_HERE
        for number in (at.PB7, at.CB1_CLOCK, at.CB2_DATA, at.CA2_OUT, at.CB2_OUT):
            state[number] = 1
        for number in _CONTROLS.values():
            state[number] = 1
        state[at.HELD_A] = state[at.HELD_B] = 0xFF
        state[at.HOLDS] = int(self.described.part == "w65c22")
        state[at.SEED] = zlib.crc32(self.described.name.encode()) & 0x7FFFFFFF
        for use in self._uses:
            port, bit = _place_of(use.pin)
            if port is None:
                if use.role == "level":
                    state[_CONTROLS[use.pin]] = use.number
                continue
            if use.role == "random":
                state[at.RANDOM_A + port] |= 1 << bit
            if use.role not in ("led", "random"):
                state[at.DRIVEN_A + port] |= 1 << bit
        self._set_inputs(0)

    # `BusDevice` and its extensions.

    @property
    def irq(self) -> bool:
        """See `BusDevice`."""
        state = self.state
        return bool(state[at.IFR] & state[at.IER] & 0x7F)

    @property
    def line_from(self) -> int:
        """See `PlannedDevice`."""
        return self.state[at.LINE]

    def read(self, offset: int, cycle: int) -> int:
        """See `BusDevice`."""
        return via_access(self.state, at.READ, offset, 0, cycle) & 0xFF

    def write(self, offset: int, data: int, cycle: int) -> None:
        """See `BusDevice`."""
        if self._banks is None:
            via_access(self.state, at.WRITE, offset, data, cycle)
        else:
            self._banks.make_room()
            write_via(self._array, offset, data, cycle, self._paged_pins())

    def next_event_cycle(self) -> int | None:
        """Return the cycle of the next change of an input or of a wired output."""
        found = self._levels.next_change()
        if self.drives_others:
            found = min(found, next_output(self.state))
        return None if found == NO_EVENT else found

    drives_others = False
    """Whether outputs are wired to inputs, so that their changes are events."""

    def advance(self, cycle: int) -> None:
        """See `BusDevice`."""
        while (event := self._levels.next_change()) <= cycle:
            self._levels.advance(event)
            self._set_inputs(event)
            self._follow(event)
        via_access(self.state, at.ADVANCE, 0, 0, cycle)

    def reset(self, cycle: int) -> None:
        """Clear all registers but the timers' and the shift register's, as RES does."""
        state = self.state
        via_access(state, at.ADVANCE, 0, 0, cycle)
        for register in (0, 1, 2, 3, 11, 12):
            via_access(state, at.WRITE, register, 0, cycle)
        via_access(state, at.WRITE, 14, 0x7F, cycle)
        via_access(state, at.WRITE, 13, 0x7F, cycle)
        state[at.T1_ARMED] = state[at.T2_ARMED] = 0
        via_access(state, at.ADVANCE, 0, 0, cycle)
        self._follow(cycle + 1)

    def snapshot(self) -> ViaSnapshot:
        """See `BusDevice`."""
        return ViaSnapshot(self.numbers.tobytes(), self._levels.snapshot())

    def restore(self, snapshot: object) -> None:
        """See `BusDevice`; the log of key presses is kept."""
        if not isinstance(snapshot, ViaSnapshot):
            raise TypeError(f"snapshot is a {type(snapshot).__name__}, not a ViaSnapshot")
        self.numbers[:] = np.frombuffer(snapshot.numbers, np.int64)
        self._levels.restore(snapshot.keys)

    def compiled_access(self) -> CompiledAccess | None:
        """See `HasCompiledAccess`."""
        if self.drives_others:
            return None
        if self._banks is not None:
            return CompiledAccess.of(
                via_paged_access,
                self.numbers,
                line_place=at.LINE,
                takes_writes=True,
                others=self._paged_pins(),
            )
        return CompiledAccess.of(via_access, self.numbers, line_place=at.LINE, takes_writes=True)

    # Banks whose pages port pins choose.

    def choose_pages(self, banks: BankSwitch, wires: Sequence[tuple[str, int]]) -> None:
        """Connect pins to banks, at power-on.

        Args:
            wires: pins of ports but PB7, each with the place of the bank's bit.
        """
        self._banks = banks
        numbers = [(*_place_of(pin), place) for pin, place in wires]
        self._bank_wires = np.array(numbers, np.int64).reshape(-1)
        for pin, place in wires:
            banks.set_input(str(place), self.output_level(pin, 0), 0)

    _banks: BankSwitch | None = None

    def _paged_pins(self) -> PagedPins:
        assert self._banks is not None
        return PagedPins(self._bank_wires, self._banks.paged)

    def _follow(self, cycle: int) -> None:
        """Show the pages that the pins choose from a cycle on."""
        if self._banks is not None:
            self._banks.make_room()
            follow_via(self._array, cycle, self._paged_pins())

    # Pins.

    def leds(self, cycle: int) -> dict[str, bool]:
        """Return whether each LED is lit, by name: while its pin is driven to its level."""
        return {
            use.name: self._drives(use.pin) and self.output_level(use.pin, cycle) == use.number
            for use in self._uses
            if use.role == "led"
        }

    def _drives(self, pin: str) -> bool:
        """Return whether a pin is an output."""
        state = self.state
        port, bit = _place_of(pin)
        if port is not None:
            is_timers = pin == "pb7" and bool(state[at.ACR] & 0x80)
            return is_timers or bool(state[at.DDRA if port == 0 else at.DDRB] >> bit & 1)
        shifts = (state[at.ACR] >> 2 & 7) >= 4
        return {
            "ca2": bool(state[at.PCR] & 0x08),
            "cb1": (state[at.ACR] >> 2 & 7) in (1, 2, 4, 5, 6),
            "cb2": bool(state[at.PCR] & 0x80) or shifts,
        }.get(pin, False)

    def output_level(self, pin: str, cycle: int) -> int:
        """Return the level at a pin, 0 or 1."""
        state = self.state
        via_access(state, at.ADVANCE, 0, 0, cycle)
        port, bit = _place_of(pin)
        if port is not None:
            return port_levels(state, port, cycle) >> bit & 1
        mode = state[at.ACR] >> 2 & 7
        if pin == "cb1":
            return state[at.CB1_CLOCK] if mode in (1, 2, 4, 5, 6) else state[at.CB1]
        if pin == "cb2" and mode >= 4:
            return state[at.CB2_DATA]
        if pin == "ca2":
            return state[at.CA2_OUT] if state[at.PCR] & 0x08 else state[at.CA2]
        if pin == "cb2":
            return state[at.CB2_OUT] if state[at.PCR] & 0x80 else state[at.CB2]
        return state[at.CA1]

    def set_input(self, pin: str, level: int, cycle: int) -> None:
        """Set the level at an input pin from a cycle on."""
        state = self.state
        port, bit = _place_of(pin)
        if port is None:
            set_control_input(state, _CONTROLS[pin], level, cycle)
            return
        levels = state[at.PINS_A + port] & ~(1 << bit) | level << bit
        set_port_inputs(state, port, levels, cycle)
        self._follow(cycle)

    # Keys.

    def press(self, code: int, *, cycle: int) -> None:
        """See `TakesKeys`."""
        self._levels.press(code, cycle=cycle)

    def _set_inputs(self, cycle: int) -> None:
        """Bring the pins to the levels of constants and keys."""
        state = self.state
        levels = [state[at.PINS_A], state[at.PINS_B]]
        for pin, level in self._levels.levels():
            port, bit = _place_of(pin)
            if port is None:
                set_control_input(state, _CONTROLS[pin], level, cycle)
            else:
                levels[port] = levels[port] & ~(1 << bit) | level << bit
        for port, wanted in enumerate(levels):
            if wanted != state[at.PINS_A + port]:
                set_port_inputs(state, port, wanted, cycle)


def _place_of(pin: str) -> tuple[int | None, int]:
    """Return a pin's port, 0 for A or 1 for B, and bit; a control pin has no port."""
    if pin in CONTROL_PINS:
        return None, 0
    return int(pin[1] == "b"), int(pin[2])
