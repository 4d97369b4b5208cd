"""Conditions that a history searches for, and where in a piece of a run they hold."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from busplay.batch import PageChanges, StoreBatch, UInt8Column, UInt64Column
from busplay.core.interface import Core, bytes_in_pages
from busplay.core.memory_map import ADDRESSES, Action, MemoryMap
from busplay.core.rewind import KIND_SHIFT, InstructionBatch, StepKind
from busplay.description.banks import Bank, bank_index
from busplay.description.full_address import address_of, page_of
from busplay.history.breakpoints import AtAddress, Breakpoint, MemoryIs, RegisterIs, WriteTo
from busplay.program.pages import FullAddresses

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
        page_bytes: the byte watched in each page of its bank, at the start; only if the writes of
            one address are watched.
    """

    instructions: InstructionBatch
    stores: StoreBatch
    memory: UInt8Column | None
    was_waiting: bool
    pages: PageChanges
    page_bytes: UInt8Column | None = None


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
        banks: the board's.
        pages, page_bytes: see `RunLog`.
    """

    instructions: InstructionBatch
    cycle: UInt64Column
    kind: UInt8Column
    stores: StoreBatch
    memory: UInt8Column | None
    memory_map: MemoryMap
    banks: Sequence[Bank]
    pages: PageChanges
    page_bytes: UInt8Column | None

    @classmethod
    def of_log(cls, log: RunLog, memory_map: MemoryMap, banks: Sequence[Bank]) -> Piece:
        """Make a piece from a core's logs; a wait that only continues is not a position."""
        instructions = log.instructions
        begin = instructions.begin
        if not len(begin) or int(begin.max()) < 1 << KIND_SHIFT:
            # Instructions and nothing else, as most pieces of a search.
            kind = np.full(len(begin), StepKind.INSTRUCTION, np.uint8)
            return cls._of(log, instructions, kind, memory_map, banks)
        kind = instructions.kind
        waits = kind == StepKind.WAITING
        if waits.any():
            begins = ~(waits & np.concatenate([[log.was_waiting], waits[:-1]]))
            instructions = InstructionBatch(instructions.begin[begins], instructions.state[begins])
            kind = kind[begins]
        return cls._of(log, instructions, kind, memory_map, banks)

    @classmethod
    def _of(
        cls,
        log: RunLog,
        instructions: InstructionBatch,
        kind: UInt8Column,
        memory_map: MemoryMap,
        banks: Sequence[Bank],
    ) -> Piece:
        return cls(
            instructions,
            instructions.cycle,
            kind,
            log.stores,
            log.memory,
            memory_map,
            banks,
            log.pages,
            log.page_bytes,
        )

    @property
    def full(self) -> FullAddresses:
        """Full addresses, by cycle."""
        return FullAddresses(self.banks, self.pages)

    def index_at(self, cycles: UInt64Column) -> NDArray[np.int64]:
        """Return int64[cycles]: the position of each cycle."""
        return np.searchsorted(self.cycle, cycles, side="right") - 1


def watched_range(condition: Condition) -> tuple[int, int] | None:
    """Return the first and last address whose writes a condition needs, or None."""
    if isinstance(condition, WriteTo):
        return address_of(condition.first), address_of(condition.last)
    if isinstance(condition, MemoryIs):
        return address_of(condition.address), address_of(condition.address)
    return None


def needs_steps(condition: Condition, banks: Sequence[Bank]) -> bool:
    """Return whether stores and pages do not tell a byte's value, so that each step is looked at.

    Writes may be ignored while a bit protects them, or go below a boot overlay.
    """
    return isinstance(condition, MemoryIs) and any(
        bank.first_address <= address_of(condition.address) <= bank.last_address
        and (bank.write_protect or bank.is_overlay)
        for bank in banks
    )


def is_by_stores(condition: Condition) -> bool:
    """Return whether a condition changes only where something is stored."""
    return isinstance(condition, WriteTo | MemoryIs | StoresIntoWindow)


def constant_hold(
    condition: Condition,
    stores: StoreBatch,
    changes: PageChanges,
    memory_map: MemoryMap,
    banks: Sequence[Bank],
    *,
    begins: bool,
) -> bool | None:
    """Return what a condition on stores is at all positions of a passage; None: it may change.

    Args:
        stores: of the passage, into windows and into the watched range.
        changes: of pages, in the passage.
        memory_map, banks: of the board.
        begins: whether it holds at its start.
    """
    match condition:
        case MemoryIs(full, _):
            address = address_of(full)
            lands = bool(memory_map.actions[address] & Action.LANDS)
            written = lands and bool((stores.address == address).any())
            # A page that is named keeps its bytes while others are shown.
            turns = [
                index
                for index, bank in enumerate(banks)
                if bank.first_address <= address <= bank.last_address
            ]
            turned = page_of(full) is None and bool(np.isin(changes.bank, turns).any())
            return None if written or turned else begins
        case WriteTo(first, last):
            first, last = address_of(first), address_of(last)
            within = (stores.address >= first) & (stores.address <= last)
            return None if within.any() else False
    return None if len(stores) else False


def holds_now(condition: Condition, core: Core) -> bool:
    """Return whether a register or byte has the value searched for; events never hold."""
    match condition:
        case RegisterIs(register, value):
            return bool(getattr(core, register) == value)
        case MemoryIs(full, value):
            page = page_of(full)
            if page is None:
                return bool(core.memory[full] == value)
            content = bytes_in_pages(core, address_of(full))
            return page < len(content) and bool(content[page] == value)
    return False


def holds(condition: Condition, piece: Piece) -> NDArray[np.bool_]:
    """Return bool[positions]: where a condition holds."""
    found: NDArray[np.bool_]
    match condition:
        case AtAddress(addresses):
            wanted = np.zeros(ADDRESSES, np.bool_)
            wanted[[one for one in addresses if page_of(one) is None]] = True
            pc = piece.instructions.pc
            found = wanted[pc]
            if any(page_of(one) is not None for one in addresses):
                found |= np.isin(piece.full.column(pc, piece.cycle), list(addresses))
            found &= piece.kind == StepKind.INSTRUCTION
        case WriteTo(first, last):
            address = piece.stores.address.astype(np.int64)
            if page_of(first) is not None:
                address = piece.full.column(piece.stores.address, piece.stores.cycle)
            found = _writing(piece, piece.stores.cycle[(address >= first) & (address <= last)])
        case AnyPosition():
            found = np.ones(len(piece.cycle), np.bool_)
        case StoresIntoWindow():
            found = _writing(piece, piece.stores.cycle)
        case RegisterIs(register, value):
            found = piece.instructions.register(register) == value
        case MemoryIs(full, value):
            found = _byte_at_each(piece, full) == value
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


def _byte_at_each(piece: Piece, full: int) -> UInt8Column:
    """Return uint8[positions]: a byte of memory at the start of each."""
    assert piece.memory is not None
    address = address_of(full)
    if (bank := bank_index(address, piece.banks)) is not None:
        return _banked_byte_at_each(piece, bank, full)
    values = piece.memory[address : address + 1]
    if not piece.memory_map.actions[address] & Action.LANDS:
        # A write there changes nothing.
        return np.repeat(values, len(piece.cycle))
    written = piece.stores.address == address
    values = np.concatenate([values, piece.stores.data[written]])
    return values[np.searchsorted(piece.stores.cycle[written], piece.cycle)]


def _banked_byte_at_each(piece: Piece, bank: int, full: int) -> UInt8Column:
    """Return uint8[positions]: a byte of a bank; without a page, of the one that is shown."""
    assert piece.page_bytes is not None
    address, page = address_of(full), page_of(full)
    content, shown = piece.page_bytes.tolist(), 0
    lands = bool(piece.memory_map.actions[address] & Action.LANDS)
    written, changed = piece.stores.address == address, piece.pages.bank == bank
    # From which cycle on, whether a page is shown, and the byte or page; a store goes first.
    events = [
        *((cycle + 1, False, data) for cycle, data in _rows(piece.stores, written)),
        *(
            (since, True, other)
            for since, other in zip(
                piece.pages.since[changed].tolist(),
                piece.pages.page[changed].tolist(),
                strict=True,
            )
        ),
    ]
    moments, values = [], []
    for since, is_change, what in sorted(events):
        if is_change:
            shown = what
        elif lands and shown < len(content):
            content[shown] = what
        seen = shown if page is None else page
        moments.append(since)
        values.append(content[seen] if seen < len(content) else piece.memory_map.unmapped_read)
    which = np.searchsorted(np.array(moments, np.uint64), piece.cycle, side="right") - 1
    return np.array(values, np.uint8)[which]


def _rows(stores: StoreBatch, which: NDArray[np.bool_]) -> Iterable[tuple[int, int]]:
    return zip(stores.cycle[which].tolist(), stores.data[which].tolist(), strict=True)
