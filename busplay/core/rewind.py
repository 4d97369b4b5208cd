"""What a core needs besides so that its run can be gone over again, backwards too.

A run is exact: same state, same keys, same cycles. So a core that can be put into an earlier state
of its run can be anywhere in it, and what it did on the way stands in two logs: the stores, and,
while somebody wants it, the instructions.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray

from busplay.batch import UInt8Column, UInt16Column, UInt64Column
from busplay.core.host_port import HostPortState
from busplay.core.interface import Core, CoreStop, Registers


@dataclass(frozen=True, slots=True)
class CoreState:
    """All that a core is between two instructions, but for its memory.

    The cores have it in common: what one was, another can go on from.

    Attributes:
        registers: with the number of the next cycle.
        irq_from: cycle from which the IRQ input is active from outside, or `NEVER`.
        nmi_from: cycle of an NMI that was not looked at yet, or `NEVER`.
        due_vector: vector of the interrupt sequence that comes next, or 0.
        is_waiting: WAI waits.
        stop: why the core stands still, or None.
        stores_tapped, rom_writes_ignored, unmapped_writes_ignored, interrupts_taken: as in
            `CoreCounters`.
        host_port: None without one.
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


class Happening(IntEnum):
    """What begins in a cycle."""

    INSTRUCTION = 0
    INTERRUPT = 1
    """An interrupt sequence."""
    WAITING = 2
    """The wait behind a WAI; a run in pieces has one for each piece that begins in it."""
    RESET = 3
    """The reset button; a core does not log it, as it is pressed from outside."""


KIND_SHIFT = 62
_CYCLE_MASK = np.uint64((1 << KIND_SHIFT) - 1)

# Where each register stands in `InstructionBatch.state`, in bits.
PC_SHIFT, OPCODE_SHIFT, A_SHIFT, X_SHIFT, Y_SHIFT, S_SHIFT, P_SHIFT = 0, 16, 24, 32, 40, 48, 56
REGISTER_SHIFTS = {"a": A_SHIFT, "x": X_SHIFT, "y": Y_SHIFT, "s": S_SHIFT, "p": P_SHIFT}


def packed_state(registers: Registers, opcode: int) -> int:
    """Return registers and opcode as `InstructionBatch.state` has them."""
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
    """What a core ran, in order.

    Attributes:
        begin: uint64[instructions]; the cycle in which each began, and from bit 62 on its kind.
        state: uint64[instructions]; the registers as it began, and its opcode (of an interrupt
            sequence and of a wait that of the instruction behind it).
    """

    begin: UInt64Column
    state: UInt64Column

    @classmethod
    def empty(cls) -> InstructionBatch:
        """Return a batch of nothing."""
        return cls(np.empty(0, np.uint64), np.empty(0, np.uint64))

    def __len__(self) -> int:
        return len(self.begin)

    @property
    def cycle(self) -> UInt64Column:
        """uint64[instructions]; the cycle in which each began."""
        return self.begin & _CYCLE_MASK

    @property
    def kind(self) -> UInt8Column:
        """uint8[instructions]; see `Happening`."""
        return (self.begin >> np.uint64(KIND_SHIFT)).astype(np.uint8)

    @property
    def pc(self) -> UInt16Column:
        """uint16[instructions]; the address of each, or where an interrupt goes back to."""
        return self.state.astype(np.uint16)

    @property
    def opcode(self) -> UInt8Column:
        """uint8[instructions]."""
        return (self.state >> np.uint64(OPCODE_SHIFT)).astype(np.uint8)

    def register(self, name: str) -> UInt8Column:
        """Return uint8[instructions]: `a`, `x`, `y`, `s` or `p` as each began."""
        return (self.state >> np.uint64(REGISTER_SHIFTS[name])).astype(np.uint8)

    def registers(self, index: int) -> Registers:
        """Return all registers as one of them began."""
        state, cycle = int(self.state[index]), int(self.begin[index]) & int(_CYCLE_MASK)
        a, x, y, s, p = (state >> shift & 0xFF for shift in REGISTER_SHIFTS.values())
        return Registers(a, x, y, s, p, state & 0xFFFF, cycle)


@runtime_checkable
class RewindableCore(Core, Protocol):
    """A core that can go back, and says what it ran; both of ours can."""

    @property
    def state(self) -> CoreState:
        """All that it is now, but for its memory."""

    def restore(self, state: CoreState) -> None:
        """Go to a state that it, or another core with the same board and keys, was in.

        Memory is the caller's to put back. Stores and instructions that were not taken are
        forgotten.
        """

    def log_instructions(self, *, wanted: bool) -> None:
        """Begin or end to log what runs; what was not taken is forgotten."""

    def take_instructions(self) -> InstructionBatch:
        """Return what ran since the last call, in order, and forget it."""

    def watch_writes(self, addresses: NDArray[np.bool_] | None) -> None:
        """Have `take_stores` tell writes to these addresses too; None: to windows alone.

        Args:
            addresses: bool[65536]; what a write there does stays as it is.

        What is watched counts among the stores of `counters` as well, until it is restored.
        """
