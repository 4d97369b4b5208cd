"""A 6551 on the bus: its state, and the characters of its line.

The line itself is not here: what comes in is a log of bytes, each with the cycle from which on it
can be sent to this board, and what goes out is taken by the session. So a rerun reads and writes
no files and terminals.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from busplay.core.devices import acia_state as at
from busplay.core.devices.acia_access import acia_access, interrupts_on_empty, receive
from busplay.core.devices.compiled_access import CompiledAccess
from busplay.core.devices.interface import NO_EVENT
from busplay.core.devices.via_state import ADVANCE, READ, WRITE
from busplay.description.devices import Acia6551

# The rate generator divides the crystal by 16 and by these; 0: the crystal itself as 16 times the
# rate. Source: the rates of the R6551 data sheet, for 1.8432 MHz: 50, 75, 109.92, 134.58, 150, 300,
# 600, 1,200, 1,800, 2,400, 3,600, 4,800, 7,200, 9,600 and 19,200 Bd.
DIVISORS = (1, 2304, 1536, 1048, 856, 768, 384, 192, 96, 64, 48, 32, 24, 16, 12, 6)
_ENABLED, _ECHOES = 0x01, 0x10
_FOR_EVER = 1 << 61


@dataclass(frozen=True, slots=True)
class AciaSnapshot:
    """A 6551's state, without the log of bytes on their way to it.

    Attributes:
        numbers: of `acia_state`.
        taken: count of bytes that came in.
        arrives: cycle in which the next one has come in, or `NO_EVENT`.
        free_from: cycle from which on the line to it is free.
    """

    numbers: bytes
    taken: int
    arrives: int
    free_from: int


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
        self.state[at.STUCK] = int(described.part == "w65c51n")
        self._log = [(0, byte) for byte in incoming]
        self._taken = 0
        self._arrives = NO_EVENT
        self._free_from = 0
        self._sent = bytearray()
        self._set_length()

    @property
    def listens(self) -> bool:
        """Whether key presses come in over its line."""
        return self.described.line in ("console", "pty")

    @property
    def character_bits(self) -> float:
        """Bits of a character on the line: start, data, parity, stop."""
        control = self.state[at.CONTROL]
        data_bits = 8 - (control >> 5 & 3)
        parity_bits = self.state[at.COMMAND] >> 5 & 1
        stop_bits = 1.0
        if control & 0x80:
            # The exceptions of the data sheet's control register.
            if data_bits == 5 and not parity_bits:
                stop_bits = 1.5
            elif data_bits < 8 or not parity_bits:
                stop_bits = 2.0
        return 1 + data_bits + parity_bits + stop_bits

    def _set_length(self) -> None:
        """Work out the cycles of a character, rounded up."""
        half_bits = int(2 * self.character_bits)
        divisor = 16 * DIVISORS[self.state[at.CONTROL] & 0x0F]
        cycles = half_bits * divisor * self._clock_hz
        self.state[at.CHARACTER_CYCLES] = max(1, -(-cycles // (2 * self.described.crystal_hz)))

    # `BusDevice` and its extensions.

    @property
    def irq(self) -> bool:
        """See `BusDevice`."""
        state = self.state
        return bool(state[at.IRQ] or (state[at.STUCK] and interrupts_on_empty(state)))

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
        acia_access(state, WRITE, offset, data, cycle)
        self._set_length()
        self._expect(cycle + 1)

    def next_event_cycle(self) -> int | None:
        """Return the cycle in which a byte comes in."""
        return None if self._arrives == NO_EVENT else self._arrives

    def advance(self, cycle: int) -> None:
        """See `BusDevice`."""
        while self._arrives <= cycle:
            at_cycle, self._arrives = self._arrives, NO_EVENT
            data_bits = 8 - (self.state[at.CONTROL] >> 5 & 3)
            byte = self._log[self._taken][1] & (1 << data_bits) - 1
            self._taken += 1
            receive(self.state, byte, at_cycle)
            if self.state[at.COMMAND] & 0x1C == _ECHOES:
                self._sent.append(byte)
            self._free_from = at_cycle
            self._expect(at_cycle)
        acia_access(self.state, ADVANCE, 0, 0, cycle)

    def reset(self, cycle: int) -> None:
        """Clear command and control, and stop what is being sent, as RES does."""
        state = self.state
        acia_access(state, ADVANCE, 0, 0, cycle)
        self._take_sent()
        for number in (at.COMMAND, at.CONTROL, at.IRQ, at.RECEIVED_FULL, at.OVERRUN):
            state[number] = 0
        state[at.TO_SEND_FULL] = 0
        state[at.SHIFT_END] = at.NEVER_HERE
        acia_access(state, ADVANCE, 0, 0, cycle)
        self._set_length()
        self._arrives = NO_EVENT

    def snapshot(self) -> AciaSnapshot:
        """See `BusDevice`."""
        return AciaSnapshot(self.numbers.tobytes(), self._taken, self._arrives, self._free_from)

    def restore(self, snapshot: object) -> None:
        """See `BusDevice`; the log of incoming bytes is kept, what was sent is forgotten."""
        if not isinstance(snapshot, AciaSnapshot):
            raise TypeError(f"snapshot is a {type(snapshot).__name__}, not an AciaSnapshot")
        self.numbers[:] = np.frombuffer(snapshot.numbers, np.int64)
        self._taken, self._arrives = snapshot.taken, snapshot.arrives
        self._free_from = snapshot.free_from
        self._sent.clear()
        # Bytes logged since the snapshot, none of which it could expect.
        self._expect(0)

    def compiled_access(self) -> CompiledAccess | None:
        """See `HasCompiledAccess`; a write may begin or end a wait for the line."""
        return CompiledAccess.of(acia_access, self.numbers, line_place=at.LINE, takes_writes=False)

    # The line.

    def press(self, code: int, *, cycle: int) -> None:
        """See `TakesKeys`: the key's code comes in, after all before it."""
        if self.listens:
            self._log.append((cycle, code))
            self._expect(cycle)

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

    def _expect(self, cycle: int) -> None:
        """Start to receive the next byte, if there is one and the receiver is enabled."""
        if not self.state[at.COMMAND] & _ENABLED:
            self._arrives = NO_EVENT
        elif self._arrives == NO_EVENT and self._taken < len(self._log):
            begins = max(cycle, self._free_from, self._log[self._taken][0])
            self._arrives = begins + self.state[at.CHARACTER_CYCLES]
