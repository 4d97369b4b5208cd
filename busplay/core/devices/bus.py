"""The devices of a board: which answers an access, what their lines do, what is wired to what.

How to think about it. There are two kinds of device. One of ours plans: it knows from which cycle
on its interrupt output is active. For one of the user's own, the bus asks for the next event, and
the core runs no further than an interrupt of it could be sampled. `line_from` is the earliest
cycle of both kinds, as far as is known; `next_event` bounds how long that stands.

A core calls `begin` before a stretch of instructions, accesses through `read` and `write`, then
`advance` at its end, and `event_was_active` for the sample there. `changed` tells it to end the
stretch after an access: the plan no longer stands.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol, SupportsIndex, TypeVar, runtime_checkable

from busplay.batch import StoreBatch, UInt8Column
from busplay.core.devices.bank_switch import BankSwitch
from busplay.core.devices.interface import (
    NO_EVENT,
    BusDevice,
    DeviceError,
    HasReset,
    PlannedDevice,
    SendsBytes,
    TakesKeys,
)
from busplay.errors import InputError

_Result = TypeVar("_Result")
# A ring of wires without a stable state stops here.
_ROUNDS_MOST = 64


@dataclass(frozen=True, slots=True)
class DeviceBusState:
    """The state of all devices, without key presses.

    Attributes:
        now: cycle up to which events are done.
        nmi_is_active: whether a device holds NMI active.
        nmi_from: cycle of an edge of NMI that was not taken.
        levels: of each wire.
        lines_from: of each device, see `DeviceSlot`.
        snapshots: of each device.
    """

    now: int
    nmi_is_active: bool
    nmi_from: int
    levels: tuple[int, ...]
    lines_from: tuple[int, ...]
    snapshots: tuple[object, ...]


@runtime_checkable
class HasPins(Protocol):
    """A device whose pins can be wired to another's."""

    def output_level(self, pin: str, cycle: int) -> int:
        """Return the level at a pin, 0 or 1."""

    def set_input(self, pin: str, level: int, cycle: int) -> None:
        """Set the level at an input pin from a cycle on."""


@runtime_checkable
class HasLeds(Protocol):
    """A device that drives LEDs."""

    def leds(self, cycle: int) -> dict[str, bool]:
        """Return whether each LED is lit, by name."""


@dataclass(frozen=True, slots=True)
class PinWire:
    """A wire: the input follows the output.

    Attributes:
        source, target: the devices' places on the bus.
        source_pin, target_pin: names such as `pb7`.
    """

    source: int
    source_pin: str
    target: int
    target_pin: str


class DeviceSlot:
    """A device in its place.

    Args:
        name: for messages.
        device: the device.
        first_address, last_address: where it answers.
        irq, nmi: what its interrupt output is wired to.

    Attributes:
        registers: offsets before they repeat.
        line_from: as in `PlannedDevice`; for others from when on the output is active.
        event: cycle of the next event, or `NO_EVENT`.
    """

    def __init__(
        self,
        name: str,
        device: BusDevice,
        *,
        first_address: int,
        last_address: int,
        irq: bool,
        nmi: bool = False,
    ) -> None:
        self.name = name
        self.device = device
        self.first_address = first_address
        self.last_address = last_address
        span = last_address - first_address + 1
        self.registers = min(int(getattr(device, "registers", span)), span)
        self.irq, self.nmi = irq, nmi
        # Kept, as such a test takes some 10 µs.
        self._planned = device if isinstance(device, PlannedDevice) else None
        self.plans = self._planned is not None
        self.line_from = NO_EVENT
        self.event = NO_EVENT
        # The last cycle in which something happened, for messages.
        self._latest = 0

    def call(self, method: str, cycle: int, function: Callable[[], _Result]) -> _Result:
        """Call a method; an error in it names device, method and cycle."""
        try:
            return function()
        except (Exception, SystemExit) as error:  # a class of the user's own can raise anything
            if isinstance(error, DeviceError) or (self.plans and isinstance(error, InputError)):
                raise
            raise DeviceError(
                self.name, method, cycle, f"raised {type(error).__name__}: {error}"
            ) from error

    def advance(self, cycle: int) -> None:
        """Advance to a cycle, and look at the lines."""
        self.call("advance", cycle, lambda: self.device.advance(cycle))
        self.look(cycle, changed_from=cycle)
        if self.event <= cycle:
            raise DeviceError(
                self.name,
                "next_event_cycle",
                self._latest,
                f"returned {self.event:,}, which is not after that cycle",
            )

    def reset(self, cycle: int) -> None:
        """Reset the device, if it has that input."""
        device = self.device
        if isinstance(device, HasReset):
            self.call("reset", cycle, lambda: device.reset(cycle))
            self.look(cycle, changed_from=cycle + 1)

    def press(self, device: TakesKeys, code: int, cycle: int) -> None:
        """Pass a key press to the device."""
        self.call("press", cycle, lambda: device.press(code, cycle=cycle))

    def restore(self, snapshot: object, line_from: int, now: int) -> None:
        """Restore a snapshot of the device."""
        self.call("restore", now, lambda: self.device.restore(snapshot))
        self.line_from = line_from
        self._latest = now
        self.look(now, changed_from=line_from)

    def look(self, cycle: int, *, changed_from: int) -> None:
        """Look at the interrupt output and the next event, after something happened.

        Args:
            cycle: up to which everything has been done.
            changed_from: cycle from which on a change holds.
        """
        device = self.device
        self._latest = max(self._latest, cycle)
        if self._planned is not None:
            self.line_from = self._planned.line_from
        elif self.call("irq", cycle, lambda: bool(device.irq)):
            self.line_from = min(self.line_from, changed_from)
        else:
            self.line_from = NO_EVENT
        event = self.call("next_event_cycle", cycle, device.next_event_cycle)
        if event is not None and type(event) is not int and not isinstance(event, SupportsIndex):
            raise DeviceError(
                self.name,
                "next_event_cycle",
                cycle,
                f"returned {event!r}, which is neither a cycle nor None",
            )
        self.event = NO_EVENT if event is None else min(int(event), NO_EVENT)
        if self.nmi and self.plans and cycle < self.line_from:
            # An edge: the core must be told in time.
            self.event = min(self.event, self.line_from)


class DeviceBus:
    """The devices of one board.

    Args:
        slots: the devices in their places.
        wires: from pins of one to pins of another.
        banks: the board's banked memory, whose devices are among the slots.

    Attributes:
        slots, banks: the same.
        changed: an access changed a line or the next event; the core sets it back.
        line_from: cycle from which the IRQ line is active unless something is accessed, as far as
            `next_event`.
        planned_from, event_from: the same of those that plan, and of the others.
        next_event: cycle of the next event, or `NO_EVENT`.
        nmi_from: cycle of an edge on the NMI line that the core has not taken, or `NO_EVENT`.
    """

    def __init__(
        self,
        slots: Sequence[DeviceSlot],
        wires: Sequence[PinWire] = (),
        *,
        banks: BankSwitch | None = None,
    ) -> None:
        self.slots = tuple(slots)
        self.banks = banks
        # Pins of each wire's ends; one without pins ends nowhere.
        self._ends = [
            (source, target, wire)
            for wire in wires
            for source, target in [(slots[wire.source].device, slots[wire.target].device)]
            if isinstance(source, HasPins) and isinstance(target, HasPins)
        ]
        self.changed = False
        self.line_from = self.next_event = self.nmi_from = NO_EVENT
        self.planned_from = self.event_from = NO_EVENT
        self._nmi_is_active = False
        self._began_from = NO_EVENT
        self._history: list[tuple[int, int]] = []
        # The plans of devices that an event of this stretch changed.
        self._replanned: dict[str, int] = {}
        self._is_sealed = False
        self._levels = [-1] * len(self._ends)
        self._now = 0
        for slot in self.slots:
            slot.look(0, changed_from=0)
        self._propagate(0)
        self._sum_up(0)

    def slot_at(self, address: int) -> DeviceSlot:
        """Return the device that answers at an address.

        Raises:
            KeyError: there is none.
        """
        for slot in self.slots:
            if slot.first_address <= address <= slot.last_address:
                return slot
        raise KeyError(address)

    def attach(self, memory: UInt8Column, actions: UInt8Column) -> None:
        """Take a core's memory and actions, which banks change; see `BankSwitch.attach`."""
        if self.banks is not None:
            self.banks.attach(memory, actions)

    def with_pages(self, stores: StoreBatch) -> StoreBatch:
        """Return a core's stores since the last call, on a board with banks with their pages."""
        return stores if self.banks is None else self.banks.with_pages(stores)

    # The processor's accesses.

    def read(self, address: int, cycle: int) -> int:
        """Read in a cycle and return the byte."""
        self._reach(cycle)
        slot = self.slot_at(address)
        offset = (address - slot.first_address) % slot.registers
        found = slot.call("read", cycle, lambda: slot.device.read(offset, cycle))
        is_number = type(found) is int or isinstance(found, SupportsIndex)
        if not is_number or not 0 <= int(found) <= 0xFF:
            raise DeviceError(slot.name, "read", cycle, f"returned {found!r}, which is no byte")
        self._look_after(slot, cycle)
        return int(found)

    def write(self, address: int, data: int, cycle: int) -> None:
        """Write a byte in a cycle."""
        self._reach(cycle)
        slot = self.slot_at(address)
        offset = (address - slot.first_address) % slot.registers
        slot.call("write", cycle, lambda: slot.device.write(offset, data, cycle))
        self._look_after(slot, cycle)

    def _reach(self, cycle: int) -> None:
        """Do the events before an access; the plan does not stand after any."""
        if self.next_event <= cycle:
            self.changed = True
            self.advance(cycle)

    def _look_after(self, slot: DeviceSlot, cycle: int) -> None:
        before = self.line_from, self.next_event, self.nmi_from
        slot.look(cycle, changed_from=cycle + 1)
        self._propagate(cycle + 1)
        self._sum_up(cycle + 1)
        if (self.line_from, self.next_event, self.nmi_from) != before:
            self.changed = self._is_sealed = True

    # Time.

    def advance(self, cycle: int) -> None:
        """Do the events up to and including a cycle."""
        while self.next_event <= cycle:
            at = self.next_event
            fired = [slot for slot in self.slots if slot.event <= at]
            for slot in fired:
                slot.advance(at)
            touched = self._propagate(at)
            self._sum_up(at)
            for slot in (*fired, *touched):
                if slot.irq and slot.plans:
                    self._replanned[slot.name] = slot.line_from
            if not self._is_sealed:
                replanned = min(self._replanned.values(), default=NO_EVENT)
                self._history.append((at, min(self.event_from, replanned)))
        self._now = max(self._now, cycle)

    def begin(self) -> None:
        """Begin a stretch: take what is known now as the plan."""
        for slot in self.slots:
            if slot.plans:
                # Machine code may have accessed it.
                slot.look(self._now, changed_from=0)
        self._sum_up(None)
        self._began_from = self.event_from
        self._history.clear()
        self._replanned.clear()
        self._is_sealed = False
        self.changed = False

    def event_was_active(self, cycle: int) -> bool:
        """Return whether IRQ was active in a cycle of this stretch by what began unplanned.

        That is a device that does not plan, or an event of one that does. What the stretch's last
        access changed does not count.
        """
        event_from = self._began_from
        for at, line in self._history:
            if at <= cycle:
                event_from = line
        return event_from <= cycle

    def take_nmi(self) -> int:
        """Return the cycle of an edge on the NMI line since the last call, or `NO_EVENT`."""
        found, self.nmi_from = self.nmi_from, NO_EVENT
        return found

    def _sum_up(self, cycle: int | None) -> None:
        """Work out the lines and the next event; at a cycle, look for an edge of NMI too."""
        slots = self.slots
        self.planned_from = self.event_from = NO_EVENT
        for slot in slots:
            if slot.irq and slot.plans:
                self.planned_from = min(self.planned_from, slot.line_from)
            elif slot.irq:
                self.event_from = min(self.event_from, slot.line_from)
        self.line_from = min(self.planned_from, self.event_from)
        self.next_event = min((slot.event for slot in slots), default=NO_EVENT)
        nmi_from = min((slot.line_from for slot in slots if slot.nmi), default=NO_EVENT)
        if cycle is None:
            return
        if nmi_from <= cycle and not self._nmi_is_active:
            self.nmi_from = min(self.nmi_from, nmi_from)
        self._nmi_is_active = nmi_from <= cycle

    def _propagate(self, cycle: int) -> list[DeviceSlot]:
        """Bring every wired input to the level of its output, from a cycle on.

        Returns:
            The devices whose inputs changed.
        """
        touched: list[DeviceSlot] = []
        for _ in range(_ROUNDS_MOST):
            is_stable = True
            for place, (source, target, wire) in enumerate(self._ends):
                level = source.output_level(wire.source_pin, cycle)
                if level != self._levels[place]:
                    self._levels[place] = level
                    is_stable = False
                    target.set_input(wire.target_pin, level, cycle)
                    slot = self.slots[wire.target]
                    slot.look(cycle, changed_from=cycle)
                    touched.append(slot)
            if is_stable:
                break
        return touched

    # The board.

    def reset(self, cycle: int) -> None:
        """Reset the devices that have a reset input."""
        self.advance(cycle)
        for slot in self.slots:
            slot.reset(cycle)
        self._propagate(cycle + 1)
        self._sum_up(cycle + 1)

    def take_sent(self, cycle: int | None) -> dict[str, bytes]:
        """Return the bytes that each device sent over a serial line since the last call.

        Args:
            cycle: up to which they are gone; None: all, as the processor has stopped.
        """
        sent = {
            slot.name: slot.device.take_sent(cycle)
            for slot in self.slots
            if slot.plans and isinstance(slot.device, SendsBytes)
        }
        return {name: data for name, data in sent.items() if data}

    def leds(self, cycle: int) -> tuple[tuple[str, bool], ...]:
        """Return the name of each LED, and whether it is lit in a cycle that has passed."""
        return tuple(
            led
            for slot in self.slots
            if slot.plans and isinstance(slot.device, HasLeds)
            for led in slot.device.leds(cycle).items()
        )

    @property
    def takes_keys(self) -> bool:
        """Whether a device takes keys."""
        return any(
            isinstance(slot.device, TakesKeys) and getattr(slot.device, "listens", True)
            for slot in self.slots
        )

    def press(self, code: int, *, cycle: int) -> None:
        """Pass a key press to the devices that take keys."""
        for slot in self.slots:
            device = slot.device
            if isinstance(device, TakesKeys):
                slot.press(device, code, cycle)
                slot.look(self._now, changed_from=cycle)
        self._sum_up(None)

    def settle(self, cycle: int) -> None:
        """Bring our devices to a cycle that has passed; the state then tells no cuts of the run."""
        for slot in self.slots:
            if slot.plans:
                slot.advance(cycle)
        self._now = cycle
        self._sum_up(None)

    @property
    def state(self) -> DeviceBusState:
        """The present state, for `restore`."""
        return DeviceBusState(
            self._now,
            self._nmi_is_active,
            self.nmi_from,
            tuple(self._levels),
            tuple(slot.line_from for slot in self.slots),
            tuple(slot.call("snapshot", self._now, slot.device.snapshot) for slot in self.slots),
        )

    def restore(self, state: DeviceBusState) -> None:
        """Restore a state of this run; key presses are kept."""
        self._now = state.now
        self._nmi_is_active, self.nmi_from = state.nmi_is_active, state.nmi_from
        self._levels = list(state.levels)
        for slot, line_from, snapshot in zip(
            self.slots, state.lines_from, state.snapshots, strict=True
        ):
            slot.restore(snapshot, line_from, self._now)
        self._sum_up(None)
        self.begin()
