"""The host port: sixteen registers, the only thing that the processor can read from the host.

| offset | name | read | write |
| --- | --- | --- | --- |
| 0 | KEY_READY | bit 7: a key waits; bits 0 to 6: how many, 127 at most | ignored |
| 1 | KEY_CODE | the oldest key's code, and takes it; 0 if none waits | ignored |
| 2 | CONSOLE | 0 | a byte out |
| 3 | RANDOM | the next random byte | ignored |
| 4 to 7 | TICK | cycle counter, 32 bits, low byte first; reading 4 latches 5 to 7 | ignored |
| 8 | REFRESH | bit 7: a refresh is pending; bit 0: its interrupt is enabled | bit 0: enable |
| 9 | REFRESH_ACK | 0 | any byte acknowledges |
| 10 | EXIT | 0 | ends the run; the byte is the exit status |
| 11 to 15 | | 0 | ignored |

This is the one place that knows what the registers mean; cores supply the cycle. State is a
function of the cycle of an access, so a core that asks late gets the same result as one that asks
at once.

TICK is the cycle of the read itself. Refresh k (from 1) is pending from cycle
floor(k * clock_hz / refresh_hz); an acknowledge in cycle w clears all that are pending in w.
RANDOM is the low byte of Marsaglia's xorshift32 (shifts 13, 17, 5), stepped by each read; its
state must not be 0, so seed 0 stands for 0xFFFFFFFF.

Source: G. Marsaglia, "Xorshift RNGs", Journal of Statistical Software 8 (2003), from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import NamedTuple

from busplay.description import board as description

NEVER = 1 << 63
"""A cycle that is never reached."""

KEYS_SHOWN = 127


class Register(IntEnum):
    """Offsets of the registers."""

    KEY_READY = 0
    KEY_CODE = 1
    CONSOLE = 2
    RANDOM = 3
    TICK = 4
    REFRESH = 8
    REFRESH_ACK = 9
    EXIT = 10


class KeyCode(IntEnum):
    """Codes of keys without a printable ASCII character; the others have their ASCII code."""

    BACKSPACE = 8
    RETURN = 13
    ESCAPE = 27
    UP = 128
    DOWN = 129
    LEFT = 130
    RIGHT = 131


class PortReadings(NamedTuple):
    """What the registers read as from a cycle on, for a core that reads most of them itself.

    Attributes:
        random: state of the generator; a read steps it first.
        kept_tick: the tick latched for the registers after TICK.
        refresh_from: cycle from which a refresh is pending.
        refresh_enabled: bit 0 of REFRESH.
        key_ready: what KEY_READY reads; 0 means that KEY_CODE reads 0 too.
        key_ready_until: cycle from which KEY_READY may read otherwise.
    """

    random: int
    kept_tick: int
    refresh_from: int
    refresh_enabled: int
    key_ready: int
    key_ready_until: int


@dataclass(frozen=True, slots=True)
class HostPortState:
    """A host port's state, without the keys pressed.

    Attributes:
        keys_taken: count of keys that the program has taken.
        console: bytes written to CONSOLE and not taken yet.
        random: state of the generator.
        kept_tick: the tick latched for the registers after TICK.
        enabled_from: cycle from which the interrupt is enabled, or `NEVER`.
        refresh_number: the refresh that is pending next, counted from 1.
        exit_status: the byte last written to EXIT since reset, or None.
    """

    keys_taken: int
    console: bytes
    random: int
    kept_tick: int
    enabled_from: int
    refresh_number: int
    exit_status: int | None


class HostPortDevice:
    """The registers and their state.

    Args:
        described: addresses, refresh rate and seed, as in the board file.
        clock_hz: the processor's clock.
    """

    def __init__(self, described: description.HostPort, *, clock_hz: int) -> None:
        self._described = described
        self._clock_hz = clock_hz
        self._key_log: list[tuple[int, int]] = []
        self._keys_taken = 0
        self._console = bytearray()
        self._random = 0
        self._kept_tick = 0
        self._enabled_from = NEVER
        self._refresh_number = 1
        self._exit_status: int | None = None
        self.reset(0)

    @property
    def first_address(self) -> int:
        """Address of register 0."""
        return self._described.first_address

    @property
    def key_log(self) -> tuple[tuple[int, int], ...]:
        """Every key pressed so far as (cycle, code); pressing these again repeats the run."""
        return tuple(self._key_log)

    @property
    def exit_status(self) -> int | None:
        """The byte last written to EXIT since reset, or None."""
        return self._exit_status

    def reset(self, cycle: int) -> None:
        """Reset in `cycle`: interrupt disabled, none pending, random restarted; keys stay."""
        self._random = self._described.random_seed & 0xFFFFFFFF or 0xFFFFFFFF
        self._kept_tick = 0
        self._enabled_from = NEVER
        self._refresh_number = self._refreshes_by(cycle) + 1
        self._exit_status = None

    def press(self, code: int, *, cycle: int) -> None:
        """Queue a key, readable from `cycle` on.

        Raises:
            ValueError: the code is not 1 to 255, or the cycle is before the last key's.
        """
        if not 1 <= code <= 255:
            raise ValueError(f"code is {code}; a key code is 1 to 255")
        last_cycle = self._key_log[-1][0] if self._key_log else 0
        if cycle < last_cycle:
            raise ValueError(f"cycle is {cycle}, before the last key's {last_cycle}")
        self._key_log.append((cycle, code))

    @property
    def state(self) -> HostPortState:
        """The present state, for `restore`."""
        return HostPortState(
            self._keys_taken,
            bytes(self._console),
            self._random,
            self._kept_tick,
            self._enabled_from,
            self._refresh_number,
            self._exit_status,
        )

    def restore(self, state: HostPortState) -> None:
        """Restore a state of this run; the log of key presses is kept."""
        self._keys_taken = state.keys_taken
        self._console[:] = state.console
        self._random = state.random
        self._kept_tick = state.kept_tick
        self._enabled_from = state.enabled_from
        self._refresh_number = state.refresh_number
        self._exit_status = state.exit_status

    def take_console(self) -> bytes:
        """Return the bytes written to CONSOLE since the last call."""
        taken = bytes(self._console)
        self._console.clear()
        return taken

    def interrupt_cycle(self) -> int:
        """Return the first cycle in which the interrupt line is active, or `NEVER`.

        It stays active until a write.
        """
        if self._enabled_from == NEVER:
            return NEVER
        return max(self._enabled_from, self._refresh_cycle(self._refresh_number))

    def readings(self, cycle: int) -> PortReadings:
        """Return what the registers read as from `cycle` on, until a key is taken or a write.

        A core that read RANDOM or TICK by it passes their states to `resume`.
        """
        waiting = self._keys_waiting(cycle)
        next_key_cycle = NEVER
        if waiting < min(len(self._key_log) - self._keys_taken, KEYS_SHOWN):
            next_key_cycle = self._key_log[self._keys_taken + waiting][0]
        return PortReadings(
            self._random,
            self._kept_tick,
            self._refresh_cycle(self._refresh_number),
            0 if self._enabled_from == NEVER else 1,
            0x80 | waiting if waiting else 0,
            next_key_cycle,
        )

    def resume(self, *, random: int, kept_tick: int) -> None:
        """Go on from the states that reads by a `PortReadings` left."""
        self._random = random
        self._kept_tick = kept_tick

    def read(self, offset: int, *, cycle: int) -> int:
        """Read a register in `cycle` and return the byte."""
        match offset:
            case Register.KEY_READY:
                waiting = self._keys_waiting(cycle)
                return 0x80 | waiting if waiting else 0
            case Register.KEY_CODE:
                return self._take_key(cycle)
            case Register.RANDOM:
                return self._next_random()
            case Register.TICK:
                self._kept_tick = cycle & 0xFFFFFFFF
                return cycle & 0xFF
            case 5 | 6 | 7:
                return self._kept_tick >> 8 * (offset - Register.TICK) & 0xFF
            case Register.REFRESH:
                pending = self._refresh_cycle(self._refresh_number) <= cycle
                return (0x80 if pending else 0) | (0 if self._enabled_from == NEVER else 1)
        return 0

    def write(self, offset: int, data: int, *, cycle: int) -> None:
        """Write a register in `cycle`; it takes effect in the next cycle."""
        match offset:
            case Register.CONSOLE:
                self._console.append(data)
            case Register.REFRESH:
                if not data & 1:
                    self._enabled_from = NEVER
                elif self._enabled_from == NEVER:
                    self._enabled_from = cycle + 1
            case Register.REFRESH_ACK:
                self._refresh_number = self._refreshes_by(cycle) + 1
            case Register.EXIT:
                self._exit_status = data

    def write_console(self, data: bytes) -> None:
        """Write several bytes to CONSOLE."""
        self._console += data

    def _keys_waiting(self, cycle: int) -> int:
        first = self._keys_taken
        shown = self._key_log[first : first + KEYS_SHOWN]
        later = (count for count, (from_cycle, _) in enumerate(shown) if from_cycle > cycle)
        return next(later, len(shown))

    def _take_key(self, cycle: int) -> int:
        if not self._keys_waiting(cycle):
            return 0
        self._keys_taken += 1
        return self._key_log[self._keys_taken - 1][1]

    def _next_random(self) -> int:
        state = self._random
        state ^= state << 13 & 0xFFFFFFFF
        state ^= state >> 17
        state ^= state << 5 & 0xFFFFFFFF
        self._random = state
        return state & 0xFF

    def _refresh_cycle(self, number: int) -> int:
        return number * self._clock_hz // self._described.refresh_hz

    def _refreshes_by(self, cycle: int) -> int:
        # The largest k with floor(k * clock / rate) <= cycle: k * clock < (cycle + 1) * rate.
        return ((cycle + 1) * self._described.refresh_hz - 1) // self._clock_hz
