"""Conditions that a history searches for, and where in a piece of a run they hold."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from busplay.batch import PageChanges, StoreBatch, UInt8Column, UInt64Column
from busplay.core.interface import Core
from busplay.core.memory_map import ADDRESSES, Action, MemoryMap
from busplay.core.rewind import KIND_SHIFT, InstructionBatch, StepKind
from busplay.history.breakpoints import AtAddress, Breakpoint, MemoryIs, RegisterIs, WriteTo

_RETURNS = (0x60, 0x40)  # RTS, RTI


@dataclass(frozen=True, slots=True)
class AnyPosition:
    """Any position."""


@dataclass(frozen=True, slots=True)
class StoresIntoWindow:
    """The next instruction or interrupt stores into a window."""


@dataclass(frozen=True, slots=True)
class Returns:
    """The next instruction is an RTS or RTI that raises the stack pointer above a value.

    Attributes:
        s: the stack pointer at the start of the search; later pushes and calls are below it.
    """

    s: int


Condition = Breakpoint | AnyPosition | StoresIntoWindow | Returns


class RunLog(NamedTuple):
    """A core's logs of a piece of its run.

    Attributes:
        instructions: instructions and events; a reset is alone.
        stores: into windows, and watched writes.
        memory: uint8[65536], at the start of the piece; only if writes were watched.
        was_waiting: the piece begins within a wait, which is not a new position.
        pages: of banked memory, by cycle; first those shown at the start of the piece.
    """

    instructions: InstructionBatch
    stores: StoreBatch
    memory: UInt8Column | None
    was_waiting: bool
    pages: PageChanges


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """A piece of a run by its positions; all columns except `stores` have equal length.

    Attributes:
        instructions: the instruction or event at each position.
        cycle: uint64[positions].
        kind: uint8[positions], see `StepKind`.
        stores: into windows, and watched writes.
        memory: uint8[65536], at the start of the piece; only if writes were watched.
        memory_map: of the board.
    """

    instructions: InstructionBatch
    cycle: UInt64Column
    kind: UInt8Column
    stores: StoreBatch
    memory: UInt8Column | None
    memory_map: MemoryMap

    @classmethod
    def of_log(cls, log: RunLog, memory_map: MemoryMap) -> Piece:
        """Make a piece from a core's logs; a wait that only continues is not a position."""
        instructions = log.instructions
        begin = instructions.begin
        if not len(begin) or int(begin.max()) < 1 << KIND_SHIFT:
            # Instructions and nothing else, as most pieces of a search.
            kind = np.full(len(begin), StepKind.INSTRUCTION, np.uint8)
            return cls(instructions, begin, kind, log.stores, log.memory, memory_map)
        kind = instructions.kind
        waits = kind == StepKind.WAITING
        if waits.any():
            begins = ~(waits & np.concatenate([[log.was_waiting], waits[:-1]]))
            instructions = InstructionBatch(instructions.begin[begins], instructions.state[begins])
            kind = kind[begins]
        return cls(instructions, instructions.cycle, kind, log.stores, log.memory, memory_map)

    def index_at(self, cycles: UInt64Column) -> NDArray[np.int64]:
        """Return int64[cycles]: the position of each cycle."""
        return np.searchsorted(self.cycle, cycles, side="right") - 1


def watched_range(condition: Condition) -> tuple[int, int] | None:
    """Return the first and last address whose writes a condition needs, or None."""
    if isinstance(condition, WriteTo):
        return condition.first, condition.last
    if isinstance(condition, MemoryIs):
        return condition.address, condition.address
    return None


def is_by_stores(condition: Condition) -> bool:
    """Return whether a condition changes only where something is stored."""
    return isinstance(condition, WriteTo | MemoryIs | StoresIntoWindow)


def constant_hold(
    condition: Condition, stores: StoreBatch, memory: UInt8Column, memory_map: MemoryMap
) -> bool | None:
    """Return what a condition on stores is at all positions of a passage; None: it may change.

    Args:
        stores: of the passage, into windows and into the watched range.
        memory: uint8[65536], at its start.
    """
    match condition:
        case MemoryIs(address, value):
            lands = bool(memory_map.actions[address] & Action.LANDS)
            if lands and (stores.address == address).any():
                return None
            return bool(memory[address] == value)
        case WriteTo(first, last):
            within = (stores.address >= first) & (stores.address <= last)
            return None if within.any() else False
    return None if len(stores) else False


def holds_now(condition: Condition, core: Core) -> bool:
    """Return whether a register or byte has the value searched for; events never hold."""
    match condition:
        case RegisterIs(register, value):
            return bool(getattr(core, register) == value)
        case MemoryIs(address, value):
            return bool(core.memory[address] == value)
    return False


def holds(condition: Condition, piece: Piece) -> NDArray[np.bool_]:
    """Return bool[positions]: where a condition holds."""
    found: NDArray[np.bool_]
    match condition:
        case AtAddress(addresses):
            wanted = np.zeros(ADDRESSES, np.bool_)
            wanted[list(addresses)] = True
            found = wanted[piece.instructions.pc] & (piece.kind == StepKind.INSTRUCTION)
        case WriteTo(first, last):
            address = piece.stores.address
            found = _writing(piece, piece.stores.cycle[(address >= first) & (address <= last)])
        case AnyPosition():
            found = np.ones(len(piece.cycle), np.bool_)
        case StoresIntoWindow():
            found = _writing(piece, piece.stores.cycle)
        case RegisterIs(register, value):
            found = piece.instructions.register(register) == value
        case MemoryIs(address, value):
            found = _byte_at_each(piece, address) == value
        case Returns(s):
            # S wraps, so the difference is a signed byte.
            above = (piece.instructions.register("s") - np.uint8(s)).view(np.int8) >= 0
            returns = np.isin(piece.instructions.opcode, _RETURNS)
            found = above & returns & (piece.kind == StepKind.INSTRUCTION)
    return found


def _writing(piece: Piece, cycles: UInt64Column) -> NDArray[np.bool_]:
    found = np.zeros(len(piece.cycle), np.bool_)
    found[piece.index_at(cycles)] = True
    return found


def _byte_at_each(piece: Piece, address: int) -> UInt8Column:
    """Return uint8[positions]: a byte of memory at the start of each."""
    assert piece.memory is not None
    values = piece.memory[address : address + 1]
    if not piece.memory_map.actions[address] & Action.LANDS:
        # A write there changes nothing.
        return np.repeat(values, len(piece.cycle))
    written = piece.stores.address == address
    values = np.concatenate([values, piece.stores.data[written]])
    return values[np.searchsorted(piece.stores.cycle[written], piece.cycle)]
