"""The interface of a device on the processor's bus.

How to think about it. A device is asked, never ticked: the core runs at full speed up to the
device's next event, or to an access. Both cores make the same calls with the same cycles, so a
device that depends on nothing but these calls makes every run repeatable.

- `read` and `write` are the processor's accesses, with their cycle; cycles never go back.
- `next_event_cycle` says when something will happen without an access: a counter runs out, so the
  interrupt output changes. Before any later access, and before an interrupt could be sampled,
  `advance` is called with that cycle; more calls follow until no event is left by then.
- A change of `irq` in `advance(c)` holds from cycle c on; one by an access in cycle c, from c + 1.
- An instruction's own accesses come too late for the interrupt that is sampled at its end.
- `snapshot` returns all that the rest of the run depends on, as a value that later calls do not
  change; `restore` takes it back, as often as wanted, on any instance made with the same options.
"""

from __future__ import annotations

from typing import Protocol, runtime_checkable

from busplay.errors import InputError

NO_EVENT = 1 << 62
"""A cycle that is never reached."""


class BusDevice(Protocol):
    """A device; a class of it takes its options by name.

    It may also have `registers`, how many offsets there are before they repeat (default: the whole
    range), and `reset(cycle)`, which the board's reset calls.
    """

    @property
    def irq(self) -> bool:
        """Whether the interrupt output is active."""

    def read(self, offset: int, cycle: int) -> int:
        """Return the byte at an offset, 0 to 255."""

    def write(self, offset: int, data: int, cycle: int) -> None:
        """Take a byte."""

    def next_event_cycle(self) -> int | None:
        """Return the cycle of the next event, after the last `advance`; None: there is none."""

    def advance(self, cycle: int) -> None:
        """Do what happens by itself up to and including a cycle."""

    def snapshot(self) -> object:
        """Return the present state."""

    def restore(self, snapshot: object) -> None:
        """Return to a state."""


@runtime_checkable
class PlannedDevice(BusDevice, Protocol):
    """A device that knows when its interrupt output becomes active; all of ours.

    Its events are only those that must be done in Python, such as a key press.
    """

    @property
    def line_from(self) -> int:
        """Cycle from which the output is active unless something is accessed, or `NO_EVENT`."""


class QuietDevice:
    """What a device has that never interrupts and has neither events nor a state of its own."""

    irq = False
    line_from = NO_EVENT

    def next_event_cycle(self) -> int | None:
        """See `BusDevice`."""
        return None

    def advance(self, cycle: int) -> None:
        """See `BusDevice`."""

    def snapshot(self) -> object:
        """See `BusDevice`."""
        return None

    def restore(self, snapshot: object) -> None:
        """See `BusDevice`."""


@runtime_checkable
class TakesKeys(Protocol):
    """A device to which key presses go."""

    def press(self, code: int, *, cycle: int) -> None:
        """Take a key, pressed in a cycle that is not before the last key's."""


@runtime_checkable
class SendsBytes(Protocol):
    """A device with a serial line."""

    def take_sent(self, cycle: int | None) -> bytes:
        """Return the bytes sent since the last call; they are no part of the state.

        Args:
            cycle: up to which they are gone; None: all, as the processor has stopped.
        """


@runtime_checkable
class HasReset(Protocol):
    """A device with a reset input."""

    def reset(self, cycle: int) -> None:
        """Reset in a cycle."""


class UntrustedCodeError(InputError):
    """A board names a Python file that it may not run; see `trust_board_code`."""


class DeviceError(InputError):
    """A device's class raised an error, or returned what no device can.

    Attributes:
        device: its name on the board.
        method: the method at fault.
        cycle: of the call.
    """

    def __init__(self, device: str, method: str, cycle: int, what: str) -> None:
        super().__init__(
            f"device {device}: {method} in cycle {cycle:,} {what};"
            " correct its class, or take the device off the board"
        )
        self.device = device
        self.method = method
        self.cycle = cycle
