"""A 6551 on the bus: its state, its modem lines, and the characters of its line.

The line itself is not here: what comes in is a log of bytes, each with the cycle from which on it
can be sent to this board, and what goes out is taken by the session. So a rerun reads and writes
no files and terminals.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from busplay.core.devices import acia_state as at
from busplay.core.devices.acia_access import (
    acia_access,
    interrupts_on_empty,
    receive,
    set_modem_input,
)
from busplay.core.devices.compiled_access import CompiledAccess
from busplay.core.devices.interface import NO_EVENT
from busplay.core.devices.pin_levels import KeySnapshot, PinLevels
from busplay.core.devices.via_state import ADVANCE, READ, WRITE
from busplay.description.device_pins import MODEM_INPUTS, all_pin_uses
from busplay.description.devices import Acia6551
from busplay.errors import InputError

# The rate generator divides the crystal by 16 and by these; 0: the crystal itself as 16 times the
# rate. Source: the rates of the R6551 data sheet, for 1.8432 MHz: 50, 75, 109.92, 134.58, 150, 300,
# 600, 1,200, 1,800, 2,400, 3,600, 4,800, 7,200, 9,600 and 19,200 Bd.
DIVISORS = (1, 2304, 1536, 1048, 856, 768, 384, 192, 96, 64, 48, 32, 24, 16, 12, 6)
_FOR_EVER = 1 << 61
_INPUTS = dict(zip(MODEM_INPUTS, (at.CTS, at.DCD, at.DSR), strict=True))


@dataclass(frozen=True, slots=True)
class AciaSnapshot:
    """A 6551's state, without the log of bytes on their way to it.

    Attributes:
        numbers: of `acia_state`.
        taken: count of bytes that came in.
        arrives: cycle in which the next one has come in, or `NO_EVENT` if it has not begun.
        ready_from: cycle from which on the next one may begin, or `NO_EVENT`.
        keys: what its pins show of them.
    """

    numbers: bytes
    taken: int
    arrives: int
    ready_from: int
    keys: KeySnapshot


class AciaDevice:
    """A 6551; see `BusDevice` and `acia_access`.

    Args:
        described: part, crystal and name, as in the board file.
        clock_hz: the processor's clock.
        incoming: bytes that wait on the line from the start.
    """

    registers = Acia6551.registers

    def __init__(self, described: Acia6551, *, clock_hz: int, incoming: bytes = b"") -> None:
        self.described = described
        self._clock_hz = clock_hz
        self.numbers = np.zeros(at.STATE_NUMBERS, np.int64)
        self.state: memoryview[int] = self.numbers.data
        self.state[at.SHIFT_END] = self.state[at.LINE] = at.NEVER_HERE
        self.state[at.CMOS] = int(described.part == "w65c51n")
        self._log = [(0, byte) for byte in incoming]
        self._taken = 0
        self._arrives = self._ready_from = NO_EVENT
        self._sent = bytearray()
        self._uses = all_pin_uses(described.pins)
        self._levels = PinLevels(self._uses, clock_hz=clock_hz)
        self._takes_typing = described.line in ("console", "pty")
        self.listens = self._takes_typing or self._levels.shows_keys
        self._set_length()
        self._set_inputs(0)

    @property
    def character_bits(self) -> float:
        """Bits of a character on the line: start, data, parity, stop."""
        return self._bits_with(self.state[at.COMMAND])

    def _bits_with(self, command: int) -> float:
        control = self.state[at.CONTROL]
        data_bits = 8 - (control >> 5 & 3)
        parity_bits = command >> 5 & 1
        stop_bits = 1.0
        if control & 0x80:
            # The exceptions of the data sheet's control register.
            if data_bits == 5 and not parity_bits:
                stop_bits = 1.5
            elif data_bits < 8 or not parity_bits:
                stop_bits = 2.0
        return 1 + data_bits + parity_bits + stop_bits

    def _set_length(self, *, command: int | None = None) -> None:
        """Work out the cycles of a character, rounded up."""
        half_bits = int(2 * self._bits_with(self.state[at.COMMAND] if command is None else command))
        divisor = 16 * DIVISORS[self.state[at.CONTROL] & 0x0F]
        cycles = half_bits * divisor * self._clock_hz
        self.state[at.CHARACTER_CYCLES] = max(1, -(-cycles // (2 * self.described.crystal_hz)))

    # `BusDevice` and its extensions.

    @property
    def irq(self) -> bool:
        """See `BusDevice`."""
        state = self.state
        return bool(state[at.IRQ] or (state[at.CMOS] and interrupts_on_empty(state)))

    @property
    def line_from(self) -> int:
        """See `PlannedDevice`."""
        return self.state[at.LINE]

    def read(self, offset: int, cycle: int) -> int:
        """See `BusDevice`."""
        return acia_access(self.state, READ, offset, 0, cycle) & 0xFF

    def write(self, offset: int, data: int, cycle: int) -> None:
        """See `BusDevice`."""
        state = self.state
        acia_access(state, ADVANCE, 0, 0, cycle)
        self._take_sent()
        data_bits = 8 - (state[at.CONTROL] >> 5 & 3)
        if offset == at.DATA:
            data &= (1 << data_bits) - 1
        elif offset == at.COMMAND_REGISTER:
            # A byte that it lets go has the new parity bit.
            self._set_length(command=data)
        acia_access(state, WRITE, offset, data, cycle)
        self._set_length()
        self._note_readiness(cycle + 1)

    def next_event_cycle(self) -> int | None:
        """Return the cycle in which a byte begins or has come in, or an input changes."""
        event = min(self._next_on_line(), self._levels.next_change())
        return None if event == NO_EVENT else event

    def advance(self, cycle: int) -> None:
        """See `BusDevice`."""
        while min(event := self._next_on_line(), change := self._levels.next_change()) <= cycle:
            if event <= change:
                self._go_on_receiving(event)
            else:
                self._levels.advance(change)
                self._set_inputs(change)
        acia_access(self.state, ADVANCE, 0, 0, cycle)

    def _go_on_receiving(self, cycle: int) -> None:
        """Begin to receive a byte, or take it."""
        state = self.state
        if self._arrives == NO_EVENT:
            self._arrives = cycle + state[at.CHARACTER_CYCLES]
            return
        self._arrives, self._ready_from = NO_EVENT, cycle
        data_bits = 8 - (state[at.CONTROL] >> 5 & 3)
        byte = self._log[self._taken][1] & (1 << data_bits) - 1
        self._taken += 1
        is_taken = receive(state, byte, cycle)
        self._take_sent()
        # An overrun stops the echo, as CTS does.
        if is_taken and self._echoes and not state[at.CTS]:
            self._sent.append(byte)

    @property
    def _echoes(self) -> bool:
        return self.state[at.COMMAND] & (at.ECHOES | at.TRANSMIT_CONTROL) == at.ECHOES

    def reset(self, cycle: int) -> None:
        """Clear command and control, and stop what is being sent, as RES does."""
        state = self.state
        acia_access(state, ADVANCE, 0, 0, cycle)
        self._take_sent()
        for number in (at.COMMAND, at.CONTROL, at.IRQ, at.RECEIVED_FULL, at.OVERRUN):
            state[number] = 0
        state[at.MODEM_CHANGED] = 0
        state[at.DCD_SEEN], state[at.DSR_SEEN] = state[at.DCD], state[at.DSR]
        state[at.TO_SEND_FULL] = 0
        state[at.SHIFT_END] = at.NEVER_HERE
        acia_access(state, ADVANCE, 0, 0, cycle)
        self._set_length()
        self._note_readiness(cycle)

    def snapshot(self) -> AciaSnapshot:
        """See `BusDevice`."""
        return AciaSnapshot(
            self.numbers.tobytes(),
            self._taken,
            self._arrives,
            self._ready_from,
            self._levels.snapshot(),
        )

    def restore(self, snapshot: object) -> None:
        """See `BusDevice`; the log of incoming bytes is kept, what was sent is forgotten."""
        if not isinstance(snapshot, AciaSnapshot):
            raise TypeError(f"snapshot is a {type(snapshot).__name__}, not an AciaSnapshot")
        if len(self._log) < snapshot.taken + (snapshot.arrives != NO_EVENT):
            raise InputError(
                found=f"a state after {snapshot.taken:,} received bytes of {len(self._log):,}",
                wanted="the input is not the recorded one",
            )
        self.numbers[:] = np.frombuffer(snapshot.numbers, np.int64)
        self._taken, self._arrives = snapshot.taken, snapshot.arrives
        self._ready_from = snapshot.ready_from
        self._levels.restore(snapshot.keys)
        self._sent.clear()

    def compiled_access(self) -> CompiledAccess | None:
        """See `HasCompiledAccess`; a write may begin or end a wait for the line."""
        return CompiledAccess.of(acia_access, self.numbers, line_place=at.LINE, takes_writes=False)

    # The modem lines.

    def output_level(self, pin: str, cycle: int) -> int:
        """See `HasPins`; a level changes in the cycle after the write that changes it."""
        command = self.state[at.COMMAND]
        if pin == "dtr":
            return int(not command & at.ENABLED)
        return int(command & at.TRANSMIT_CONTROL == at.TRANSMITTER_OFF and not self._echoes)

    def set_input(self, pin: str, level: int, cycle: int) -> None:
        """See `HasPins`."""
        state = self.state
        place = _INPUTS[pin]
        if state[place] == level:
            return
        while (event := self._next_on_line()) <= cycle:
            self._go_on_receiving(event)
        acia_access(state, ADVANCE, 0, 0, cycle)
        self._take_sent()
        if pin == "cts" and level and not state[at.CMOS]:
            self._cut_short(cycle)
        set_modem_input(state, place, level, cycle)
        self._note_readiness(cycle)

    def _set_inputs(self, cycle: int) -> None:
        """Bring the inputs to the levels of constants and keys."""
        for pin, level in self._levels.levels():
            self.set_input(pin, level, cycle)

    def _cut_short(self, cycle: int) -> None:
        """End the character that is being sent: the line is high from now on.

        The other end reads the bits that are to come as ones, or nothing if it has seen less than
        half of the start bit.
        """
        state = self.state
        if state[at.SHIFT_END] == at.NEVER_HERE:
            return
        length = state[at.CHARACTER_CYCLES]
        gone = cycle - (state[at.SHIFT_END] - length)
        # A bit counts from its middle on; the first is the start bit.
        bits = int(gone * self.character_bits / length + 0.5)
        if bits == 0:
            state[at.SHIFT_END] = at.NEVER_HERE
            return
        data_bits = 8 - (state[at.CONTROL] >> 5 & 3)
        ones = (1 << data_bits) - 1
        state[at.SHIFTED] |= ones >> bits - 1 << bits - 1

    def leds(self, cycle: int) -> dict[str, bool]:
        """See `HasLeds`."""
        return {
            use.name: self.output_level(use.pin, cycle) == use.number
            for use in self._uses
            if use.role == "led"
        }

    # The line.

    def press(self, code: int, *, cycle: int) -> None:
        """See `TakesKeys`: the key's code comes in, after all before it."""
        self._levels.press(code, cycle=cycle)
        if self._takes_typing:
            self._log.append((cycle, code))

    def take_sent(self, cycle: int | None) -> bytes:
        """See `SendsBytes`."""
        until = _FOR_EVER if cycle is None else cycle
        acia_access(self.state, ADVANCE, 0, 0, until)
        self._take_sent()
        sent = bytes(self._sent)
        self._sent.clear()
        return sent

    def _take_sent(self) -> None:
        state = self.state
        count = state[at.SENT_COUNT]
        self._sent += bytes(state[at.SENT_FIRST + place] for place in range(count))
        state[at.SENT_COUNT] = 0

    def _note_readiness(self, cycle: int) -> None:
        """Note from when on a byte may begin: from a cycle, or never while the receiver is off."""
        if not self.state[at.COMMAND] & at.ENABLED or self.state[at.DCD]:
            self._ready_from = self._arrives = NO_EVENT
        elif self._ready_from == NO_EVENT:
            self._ready_from = cycle

    def _next_on_line(self) -> int:
        """Return the cycle in which a byte begins or has come in, or `NO_EVENT`.

        A byte's beginning is an event, so that the state depends on no byte that is yet to come.
        """
        if self._arrives != NO_EVENT or self._taken == len(self._log):
            return self._arrives
        return max(self._ready_from, self._log[self._taken][0])
