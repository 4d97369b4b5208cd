"""Small machines with devices, and a device of somebody's own."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from busplay.core.devices.acia_6551 import AciaDevice
from busplay.core.devices.bus import DeviceBus, DeviceSlot, PinWire
from busplay.core.devices.interface import BusDevice
from busplay.core.devices.via_6522 import ViaDevice
from busplay.core.interface import Core
from busplay.core.make import find_core_class
from busplay.core.memory_map import MemoryMap
from busplay.description import board as description
from busplay.description.devices import Acia6551, AciaPart, CustomDevice, Device, Via6522
from tests.core.programs import HANDLER, MEMORY, NMI_HANDLER, PORT, PROGRAM, WINDOWS, port, put

VIA = 0xA800
OTHER_VIA = 0xA820
OWN = 0xA900
SERIAL = 0xA850
KINDS = ("reference", "compiled")


class Alarm:
    """A device of the user's own: a count that interrupts, and can do so again and again.

    Offset 0: the count in cycles, times 16; a write starts it. Offset 1: bit 7, whether it rings;
    a write quiets it. Offset 2: length in cycles after which it falls silent by itself, 0: never.
    """

    registers = 4

    def __init__(self, *, repeats: bool = False) -> None:
        self.repeats = repeats
        self.irq = False
        self.length = 0
        self.rings_at: int | None = None
        self.ends_at: int | None = None
        self.count = 0

    def read(self, offset: int, cycle: int) -> int:
        return [self.count, 0x80 if self.irq else 0, self.length, cycle & 0xFF][offset]

    def write(self, offset: int, data: int, cycle: int) -> None:
        if offset == 0:
            self.count = data
            self.rings_at = cycle + 16 * data + 1
        elif offset == 1:
            self.irq, self.ends_at = False, None
        elif offset == 2:
            self.length = data

    def next_event_cycle(self) -> int | None:
        events = [one for one in (self.rings_at, self.ends_at) if one is not None]
        return min(events, default=None)

    def advance(self, cycle: int) -> None:
        if self.ends_at is not None and self.ends_at <= cycle:
            self.irq, self.ends_at = False, None
        if self.rings_at is not None and self.rings_at <= cycle:
            self.irq = True
            if self.length:
                self.ends_at = self.rings_at + self.length
            self.rings_at = self.rings_at + 16 * self.count + 1 if self.repeats else None

    def snapshot(self) -> object:
        return self.irq, self.length, self.rings_at, self.ends_at, self.count

    def restore(self, snapshot: object) -> None:
        self.irq, self.length, self.rings_at, self.ends_at, self.count = snapshot  # type: ignore[misc]


MadeDevice = tuple[Device, BusDevice]


def via(
    *, first_address: int = VIA, name: str = "via", irq: bool = True, nmi: bool = False, **pins: str
) -> MadeDevice:
    described = Via6522(
        name=name,
        first_address=first_address,
        last_address=first_address + 31,
        irq=irq,
        nmi=nmi,
        pins=pins,
    )
    return described, ViaDevice(described, clock_hz=1_000_000)


def acia(*, irq: bool = True, part: AciaPart = "r6551") -> MadeDevice:
    described = Acia6551(
        name="serial", first_address=SERIAL, last_address=SERIAL + 3, irq=irq, part=part
    )
    return described, AciaDevice(described, clock_hz=100_000, incoming=bytes(range(200)))


def alarm(*, irq: bool = True, nmi: bool = False, repeats: bool = False) -> MadeDevice:
    described = CustomDevice(
        kind="alarm", name="alarm", first_address=OWN, last_address=OWN + 15, irq=irq, nmi=nmi
    )
    return described, Alarm(repeats=repeats)


def bus_of(made: Sequence[MadeDevice], wires: Sequence[PinWire] = ()) -> DeviceBus:
    """Put devices in their places."""
    for wire in wires:
        source = made[wire.source][1]
        if isinstance(source, ViaDevice):
            source.drives_others = True
    return DeviceBus(
        [
            DeviceSlot(
                one.name,
                device,
                first_address=one.first_address,
                last_address=one.last_address,
                irq=one.irq,
                nmi=one.nmi,
            )
            for one, device in made
        ],
        wires,
    )


def machine(
    kind: str,
    code: bytes | str,
    make: Callable[[], Sequence[MadeDevice]],
    *,
    wires: Sequence[PinWire] = (),
    handler: bytes | str = "40",
    nmi_handler: bytes | str = "40",
    processor: str = "65c02",
    refresh_hz: int = 60,
) -> Core:
    """Make the machine of `tests.core.programs` with devices, reset to its program at $0200."""
    made = make()
    memory_map = MemoryMap.of_parts(
        MEMORY,
        windows=WINDOWS,
        host_port=description.HostPort(PORT),
        devices=tuple(one for one, _ in made),
        unmapped_read=0xEE,
    )
    core_class = find_core_class(kind)
    host_port = port(clock_hz=1_000_000, refresh_hz=refresh_hz)
    core: Core = core_class(processor, memory_map, host_port, devices=bus_of(made, wires))  # type: ignore[call-arg]
    put(core, PROGRAM, code)
    put(core, HANDLER, handler)
    put(core, NMI_HANDLER, nmi_handler)
    put(core, 0xFFFA, "8003 0002 0003")
    core.reset()
    core.take_stores()
    return core
