"""The interface of a core that can go back in its run.

A run is exact: same state, same keys, same cycles. So a core that can be restored to an earlier
state can go anywhere in its run; two logs have what it did: the stores and, if wanted, the
instructions.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray

from busplay.batch import UInt8Column, UInt16Column, UInt64Column
from busplay.core.devices.bus import DeviceBusState
from busplay.core.host_port import HostPortState
from busplay.core.interface import Core, CoreStop, Registers, bus_of
from busplay.core.memory_map import ADDRESSES


@dataclass(frozen=True, slots=True)
class CoreState:
    """A core's state between two instructions, without its memory.

    It is the same for all cores: one can continue from another's state.

    Attributes:
        registers: with the number of the next cycle.
        irq_from: cycle from which the external IRQ input is active, or `NEVER`.
        nmi_from: cycle of an NMI that was not sampled yet, or `NEVER`.
        due_vector: vector of the interrupt sequence that is next, or 0.
        is_waiting: whether a WAI waits.
        stop: why the core stopped, or None.
        stores_tapped, rom_writes_ignored, unmapped_writes_ignored, interrupts_taken: as in
            `CoreCounters`.
        host_port: None without one.
        devices: of the `DeviceBus`; None without one.
    """

    registers: Registers
    irq_from: int
    nmi_from: int
    due_vector: int
    is_waiting: bool
    stop: CoreStop | None
    stores_tapped: int
    rom_writes_ignored: int
    unmapped_writes_ignored: int
    interrupts_taken: int
    host_port: HostPortState | None
    devices: DeviceBusState | None = None


def whole_memory(core: Core) -> UInt8Column:
    """Return a copy of a core's 64 KiB, and behind them the pages of RAM that banks do not show."""
    return np.concatenate([core.memory, _stored_ram(core)])


def restore_memory(core: Core, memory: UInt8Column) -> None:
    """Restore what `whole_memory` returned; the state is restored besides."""
    core.memory[:] = memory[:ADDRESSES]
    _stored_ram(core)[:] = memory[ADDRESSES:]


def _stored_ram(core: Core) -> UInt8Column:
    bus = bus_of(core)
    if bus is None or bus.banks is None:
        return np.empty(0, np.uint8)
    return bus.banks.stored[: bus.banks.ram_bytes]


class StepKind(IntEnum):
    """What begins in a cycle."""

    INSTRUCTION = 0
    INTERRUPT = 1
    """An interrupt sequence."""
    WAITING = 2
    """The wait after a WAI; a run in pieces has one for each piece that begins in it."""
    RESET = 3
    """The reset button; not logged by a core, as it is external."""


KIND_SHIFT = 62
_CYCLE_MASK = np.uint64((1 << KIND_SHIFT) - 1)

# Bit position of each register in `InstructionBatch.state`.
PC_SHIFT, OPCODE_SHIFT, A_SHIFT, X_SHIFT, Y_SHIFT, S_SHIFT, P_SHIFT = 0, 16, 24, 32, 40, 48, 56
REGISTER_SHIFTS = {"a": A_SHIFT, "x": X_SHIFT, "y": Y_SHIFT, "s": S_SHIFT, "p": P_SHIFT}


def packed_state(registers: Registers, opcode: int) -> int:
    """Pack registers and opcode for `InstructionBatch.state`."""
    return (
        registers.pc
        | opcode << OPCODE_SHIFT
        | registers.a << A_SHIFT
        | registers.x << X_SHIFT
        | registers.y << Y_SHIFT
        | registers.s << S_SHIFT
        | registers.p << P_SHIFT
    )


@dataclass(frozen=True, slots=True, eq=False)
class InstructionBatch:
    """The instructions that a core ran, in order.

    Attributes:
        begin: uint64[instructions]; the cycle in which each began, and from bit 62 on its kind.
        state: uint64[instructions]; the registers at its start, and its opcode (for an interrupt
            sequence or a wait, that of the next instruction).
    """

    begin: UInt64Column
    state: UInt64Column

    @classmethod
    def empty(cls) -> InstructionBatch:
        """Make an empty batch."""
        return cls(np.empty(0, np.uint64), np.empty(0, np.uint64))

    def __len__(self) -> int:
        return len(self.begin)

    @property
    def cycle(self) -> UInt64Column:
        """uint64[instructions]; the cycle in which each began."""
        return self.begin & _CYCLE_MASK

    @property
    def kind(self) -> UInt8Column:
        """uint8[instructions]; see `StepKind`."""
        return (self.begin >> np.uint64(KIND_SHIFT)).astype(np.uint8)

    @property
    def pc(self) -> UInt16Column:
        """uint16[instructions]; the address of each, or an interrupt's return address."""
        return self.state.astype(np.uint16)

    @property
    def opcode(self) -> UInt8Column:
        """uint8[instructions]."""
        return (self.state >> np.uint64(OPCODE_SHIFT)).astype(np.uint8)

    def register(self, name: str) -> UInt8Column:
        """Return uint8[instructions]: `a`, `x`, `y`, `s` or `p` at the start of each."""
        return (self.state >> np.uint64(REGISTER_SHIFTS[name])).astype(np.uint8)

    def registers(self, index: int) -> Registers:
        """Return all registers at the start of one."""
        state, cycle = int(self.state[index]), int(self.begin[index]) & int(_CYCLE_MASK)
        a, x, y, s, p = (state >> shift & 0xFF for shift in REGISTER_SHIFTS.values())
        return Registers(a, x, y, s, p, state & 0xFFFF, cycle)


@runtime_checkable
class RewindableCore(Core, Protocol):
    """A core that can go back and log its instructions; both of ours can."""

    @property
    def state(self) -> CoreState:
        """The present state, without memory."""

    def restore(self, state: CoreState) -> None:
        """Restore a state of this core, or of another core with the same board and keys.

        The caller restores the memory. Stores and instructions not taken are dropped.
        """

    def log_instructions(self, *, wanted: bool) -> None:
        """Start or stop logging; instructions not taken are dropped."""

    def take_instructions(self) -> InstructionBatch:
        """Return the instructions since the last call, in order."""

    def watch_writes(self, addresses: NDArray[np.bool_] | None) -> None:
        """Include writes to these addresses in `take_stores`; None: only writes to windows.

        Args:
            addresses: bool[65536]; the effect of a write there does not change.

        Watched writes count among the stores of `counters`, until a restore.
        """
