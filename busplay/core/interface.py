"""The interface of every core: registers, memory, cycles, stores, and why it stopped.

How to think about cycles: `core.cycle` is the number of the next cycle, counted from 0 at
power-on; reset takes 7, and every instruction begins at `core.cycle`. A store in the n-th cycle of
an instruction that begins in cycle c has cycle c + n - 1. The counter never goes back, not even at
a reset, so a core's stores stay in order.

Interrupts, the same on every core:

- The IRQ input is a level: the host port's refresh interrupt, a device's output, or `irq` set from
  outside. It is sampled before the last cycle of an instruction: an instruction whose last cycle
  is e is followed by the interrupt if the line was active in cycle e - 1 and I was clear.
- CLI, SEI and PLP change I in their last cycle, after it was sampled: they take effect one
  instruction later. RTI restores I early enough to take effect at once.
- A store that changes the line (enable, acknowledge) takes effect in the next cycle; an
  instruction's accesses to devices come too late for the sample at its end.
- The sequence takes 7 cycles, with pushes in its cycles 3, 4 and 5; the 65C02 clears D. The
  first instruction of the handler always runs. NMI is edge-triggered and has priority.
- Not modelled: reads of devices other than an instruction's operand read (the second read of a
  65C02's read-modify-write, an index's read of the wrong page); and, as the makers' manuals do not
  state them, an NMI that hijacks a BRK, and the NMOS 6502's later sampling after a taken branch
  within a page.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Literal, Protocol, runtime_checkable

import numpy as np

from busplay.batch import PageChanges, StoreBatch, UInt8Column
from busplay.core.devices.bus import DeviceBus
from busplay.core.host_port import HostPortDevice
from busplay.core.memory_map import MemoryMap
from busplay.description.board import Undocumented
from busplay.errors import CoreStoppedError

StopKind = Literal["exit", "halted", "opcode"]


@dataclass(frozen=True, slots=True)
class CoreStop:
    """Why a core stopped; only a reset starts it again.

    Attributes:
        kind: `exit`: the program wrote the host port's EXIT register; `halted`: STP;
            `opcode`: an instruction that this core does not have.
        reason: one sentence with address and opcode.
        address: of the instruction.
        opcode: its first byte.
        cycle: the core's cycle counter when it stopped.
        exit_status: the byte written to EXIT, or None.
    """

    kind: StopKind
    reason: str
    address: int
    opcode: int
    cycle: int
    exit_status: int | None = None

    def as_error(self) -> CoreStoppedError:
        """Return the stop as an error for the user."""
        return CoreStoppedError(self.reason)


@dataclass(frozen=True, slots=True)
class Registers:
    """The registers of a processor, between two instructions.

    Attributes:
        a, x, y: accumulator and index registers, 0 to 255.
        s: stack pointer, 0 to 255; the stack is at $0100.
        p: flags NV--DIZC; bits 4 and 5 always read 1.
        pc: address of the next instruction.
        cycle: number of the next cycle.
    """

    a: int
    x: int
    y: int
    s: int
    p: int
    pc: int
    cycle: int

    @classmethod
    def of(cls, core: Core) -> Registers:
        """Read the registers of a core."""
        return cls(core.a, core.x, core.y, core.s, core.p, core.pc, core.cycle)

    def __str__(self) -> str:
        """Write them as a monitor does, with set flags as letters."""
        flags = "".join(
            letter if self.p & 0x80 >> bit else "." for bit, letter in enumerate("NV--DIZC")
        )
        return (
            f"PC ${self.pc:04X} A ${self.a:02X} X ${self.x:02X} Y ${self.y:02X} S ${self.s:02X}"
            f" P {flags} cycle {self.cycle:,}"
        )


@dataclass(frozen=True, slots=True)
class CoreCounters:
    """A core's counts since power-on.

    Attributes:
        stores_tapped: writes that fell in a window.
        rom_writes_ignored: writes to ROM outside windows.
        unmapped_writes_ignored: writes to addresses without memory, window or host port.
        interrupts_taken: interrupt sequences run, IRQ and NMI.
    """

    stores_tapped: int
    rom_writes_ignored: int
    unmapped_writes_ignored: int
    interrupts_taken: int


class Core(Protocol):
    """A processor with its memory, host port and tap; deterministic to the cycle.

    Same memory, same calls, same key presses: same stores in the same cycles, however the run is
    cut into pieces.

    Such a class is registered through an entry point, see `busplay.core.make`. Its constructor
    takes `(processor, memory_map, host_port)` and leaves the core in its power-on state: registers
    0, I set, memory as `memory_map.power_on_memory()`, cycle 0. The caller writes the program's
    bytes to `memory` and calls `reset()`.
    """

    kind: ClassVar[str]
    """Name for `make_core`: `reference`, `compiled`, ..."""

    processors: ClassVar[frozenset[str]]
    """Processors of the class, as named in board files."""

    def __init__(
        self, processor: str, memory_map: MemoryMap, host_port: HostPortDevice | None = None
    ) -> None: ...

    @property
    def processor(self) -> str:
        """The processor, as named in board files."""

    @property
    def memory_map(self) -> MemoryMap:
        """What is at each address."""

    @property
    def host_port(self) -> HostPortDevice | None:
        """The host port, if there is one."""

    @property
    def memory(self) -> UInt8Column:
        """uint8[65536], the core's own storage, to read and write; never replaced.

        Writing here is not a store of the processor: nothing is tapped, ROM can be filled, and
        an unmapped address reads as the byte here (`unmapped_read` at power-on).
        """

    pc: int
    """Address of the next instruction, 0 to 65535."""

    a: int
    x: int
    y: int

    s: int
    """Stack pointer, 0 to 255; the stack is at $0100."""

    p: int
    """Flags NV--DIZC; bits 4 and 5 always read 1 and are ignored when set."""

    irq: bool
    """Level of the external IRQ input, besides the host port's; True is active."""

    @property
    def cycle(self) -> int:
        """Number of the next cycle: cycles since power-on."""

    @property
    def stop(self) -> CoreStop | None:
        """Why the core stopped, or None."""

    @property
    def counters(self) -> CoreCounters:
        """Counts since power-on."""

    def reset(self) -> int:
        """Run the reset sequence: 7 cycles, then the address at $FFFC.

        S becomes $FD, I is set, the 65C02 clears D; A, X, Y and memory stay. The host port is
        reset too (waiting keys stay), and a stop ends. Returns the cycles it took: 7.
        """

    def nmi(self) -> None:
        """Make an edge on the NMI input in cycle `cycle`."""

    def step(self) -> int:
        """Run one instruction, or one interrupt sequence, and return the cycles it took.

        The same as `run(1)`: a waiting processor (WAI) waits one cycle; a stopped one returns 0.
        """

    def run(self, cycles: int) -> int:
        """Run complete instructions for at least `cycles`, and return the count of cycles run.

        Ends early, after the instruction at fault, when the core stops; see `stop`. Nothing that
        the program does raises.
        """

    def take_stores(self) -> StoreBatch:
        """Return the stores in windows since the last call, in order."""


@runtime_checkable
class RunsToAddress(Protocol):
    """A core that can run to an address."""

    def run_to(self, address: int, cycles: int) -> int:
        """Run as `Core.run` does, but stop when the instruction at `address` is next.

        A waiting processor (WAI) first waits to the end.
        """


class RunsUndocumented(Core, Protocol):
    """A core that can also run undocumented instructions.

    Those that lock up the processor, or that depend on the chip, still stop it.
    """

    runs_undocumented: ClassVar[bool]
    """True; a class without this attribute stops at them."""

    def __init__(
        self,
        processor: str,
        memory_map: MemoryMap,
        host_port: HostPortDevice | None = None,
        *,
        undocumented: Undocumented = "stop",
    ) -> None: ...


class TakesDevices(Core, Protocol):
    """A core that can run a board with devices."""

    takes_devices: ClassVar[bool]
    """True; a class without this attribute refuses such a board."""

    def __init__(
        self,
        processor: str,
        memory_map: MemoryMap,
        host_port: HostPortDevice | None = None,
        *,
        undocumented: Undocumented = "stop",
        devices: DeviceBus | None = None,
    ) -> None: ...

    @property
    def devices(self) -> DeviceBus | None:
        """The devices, if there are any; accessed through the bus alone."""


def bus_of(core: Core) -> DeviceBus | None:
    """Return a core's devices, or None."""
    found: DeviceBus | None = getattr(core, "devices", None)
    return found


def full_address_of(core: Core, address: int) -> int:
    """Return the full address of what a core sees at an address; see `description.full_address`."""
    bus = bus_of(core)
    return address if bus is None or bus.banks is None else bus.banks.full_address(address)


def shown_pages(core: Core) -> tuple[int, ...]:
    """Return the page that each of a core's banks shows; nothing: it has none."""
    bus = bus_of(core)
    return () if bus is None or bus.banks is None else bus.banks.pages


def bytes_in_pages(core: Core, address: int) -> UInt8Column:
    """Return the byte at an address in each page of its bank; none where there is no bank."""
    bus = bus_of(core)
    if bus is None or bus.banks is None:
        return np.empty(0, np.uint8)
    return bus.banks.bytes_at(address)


def take_page_changes(core: Core) -> PageChanges:
    """Return the changes of pages since the last call, by cycle."""
    bus = bus_of(core)
    return PageChanges.empty() if bus is None or bus.banks is None else bus.banks.take_changes()


def press_key(core: Core, code: int, *, cycle: int) -> None:
    """Press a key on a core: the host port and the devices that take keys see it from a cycle on.

    Raises:
        ValueError: the code is not 1 to 255, or the cycle is before the last key's.
    """
    if core.host_port is not None:
        core.host_port.press(code, cycle=cycle)
    bus = bus_of(core)
    if bus is not None:
        bus.press(code, cycle=cycle)


def take_sent(core: Core) -> dict[str, bytes]:
    """Return what a core's devices sent over serial lines since the last call, by their names."""
    bus = bus_of(core)
    if bus is None:
        return {}
    return bus.take_sent(core.cycle - 1 if core.stop is None else None)


def leds_of(core: Core) -> tuple[tuple[str, bool], ...]:
    """Return the name of each LED on a core's devices, and whether it is lit."""
    bus = bus_of(core)
    return () if bus is None else bus.leds(max(core.cycle - 1, 0))


def takes_keys(core: Core) -> bool:
    """Return whether a program on the core can see keys."""
    bus = bus_of(core)
    return core.host_port is not None or (bus is not None and bus.takes_keys)


def require_in_range(name: str, value: int, highest: int) -> int:
    """Return a value that lies from 0 to the highest.

    Raises:
        ValueError: it does not.
    """
    if not 0 <= value <= highest:
        raise ValueError(f"{name} is {value}; it must be 0 to {highest}")
    return int(value)
