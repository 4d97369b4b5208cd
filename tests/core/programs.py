"""Small machines and programs that the core's tests share."""

from __future__ import annotations

from busplay.core.host_port import HostPortDevice
from busplay.core.interface import Core
from busplay.core.make import find_core_class, make_core
from busplay.core.memory_map import MemoryMap
from busplay.description import board as description
from busplay.description.board import Memory, Window

# The core under test; the fixture `core_kind` sets it.
KIND = "reference"

PROGRAM = 0x0200
HANDLER = 0x0300
NMI_HANDLER = 0x0380
PORT = 0xA400

MEMORY = (Memory("ram", 0x0000, 0xA1FF), Memory("rom", 0xC000, 0xFFFF))
WINDOWS = (
    Window("picture", 0x4000, 0x40FF, unit="panel", space="memory", lands_in_ram=True),
    Window("behind", 0x4100, 0x41FF, unit="panel", space="memory", lands_in_ram=False),
    Window("registers", 0xA300, 0xA307, unit="panel", space="registers"),
)


def port(*, clock_hz: int = 8_000_000, refresh_hz: int = 60, seed: int = 1) -> HostPortDevice:
    """Make a host port at `PORT`."""
    described = description.HostPort(PORT, refresh_hz=refresh_hz, random_seed=seed)
    return HostPortDevice(described, clock_hz=clock_hz)


def small_machine(
    code: bytes | str,
    *,
    processor: str = "65c02",
    clock_hz: int = 8_000_000,
    refresh_hz: int = 60,
    handler: bytes | str = "40",
) -> Core:
    """Make a machine with RAM, ROM, windows and a host port, reset to its program at $0200.

    The IRQ handler lies at $0300, the NMI handler at $0380; both are an RTI unless given.
    """
    host_port = port(clock_hz=clock_hz, refresh_hz=refresh_hz)
    memory_map = MemoryMap.of_parts(
        MEMORY, windows=WINDOWS, host_port=description.HostPort(PORT), unmapped_read=0xEE
    )
    core = find_core_class(KIND)(processor, memory_map, host_port)
    put(core, PROGRAM, code)
    put(core, HANDLER, handler)
    put(core, NMI_HANDLER, "40")
    put(core, 0xFFFA, "8003 0002 0003")
    core.reset()
    core.take_stores()
    return core


def plain_core(processor: str) -> Core:
    """Make a core over 64 KiB of RAM, all of it one window."""
    return make_core(KIND, processor)


def put(core: Core, address: int, code: bytes | str) -> None:
    """Write bytes, given as such or in hex, to a core's memory."""
    data = bytes.fromhex(code) if isinstance(code, str) else code
    core.memory[address : address + len(data)] = list(data)


def rows(core: Core) -> list[tuple[int, int, int]]:
    """Take a core's stores as (cycle, address, data)."""
    stores = core.take_stores()
    return list(
        zip(stores.cycle.tolist(), stores.address.tolist(), stores.data.tolist(), strict=True)
    )
