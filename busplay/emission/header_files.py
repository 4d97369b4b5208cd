"""Headers of a board for programs: ca65's and cc65's, and a routine that clears each screen.

How to think about it. The routine is the loop `byte` of the plan, instruction by instruction, with
the value in A and a return behind it; so the plan's run of that loop on the core times it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction

from busplay.analysis.budget_loops import FILL_LOOPS, run_loop
from busplay.analysis.budget_sender import sender_load
from busplay.core.host_port import KeyCode, Register
from busplay.description.board import Window
from busplay.display.registers import REGISTERS
from busplay.emission.emission import Emission
from busplay.emission.model import LinkModel
from busplay.emission.names import identifier, unique_identifier
from busplay.emission.rendering import RenderedFile, finished, render
from busplay.emission.units import UnitModel, register_addresses, unit_models

PAGE_BYTES = 256
RTS_CYCLES = 6
TICK_BYTES = 4


@dataclass(frozen=True, slots=True)
class ClearModel:
    """The routine that fills what a window reaches of a unit's memory.

    Attributes:
        name: the routine's.
        window: whose.
        filled_bytes: count of bytes, from the window's first address on.
        first_y: where Y begins.
        pointer: what the pointer holds first.
        pages: how often Y counts up to 0.
        cycles: from its first instruction to its return, that included.
        time_s: the same as a time.
        fifo_depth: sender FIFO depth with which no store is lost.
        board_fifo_depth: the board's.
        stores_lost: what that loses at most.
    """

    name: str
    window: Window
    filled_bytes: int
    first_y: int
    pointer: int
    pages: int
    cycles: int
    time_s: Fraction
    fifo_depth: int
    board_fifo_depth: int
    stores_lost: int


@dataclass(frozen=True, slots=True)
class WindowModel:
    """A window, and its name as a part of identifiers."""

    window: Window
    ident: str

    @property
    def length(self) -> int:
        """Bytes of the window."""
        return self.window.last_address - self.window.first_address + 1


@dataclass(frozen=True, slots=True)
class UnitHeader:
    """A unit as programs reach it.

    Attributes:
        of: the unit.
        registers: address of each register that a window reaches, by its name.
        clears: the routines that fill its memory, one a window.
    """

    of: UnitModel
    registers: dict[str, int]
    clears: tuple[ClearModel, ...]

    @property
    def numbers(self) -> list[tuple[str, int]]:
        """Names and values of what only text or pages have."""
        unit, found = self.of.unit, []
        if unit.is_text:
            found = [
                ("COLUMNS", unit.columns),
                ("ROWS", unit.rows),
                ("CELL_BYTES", unit.cell_bytes),
            ]
        if unit.font_offset is not None:
            found.append(("FONT_OFFSET", unit.font_offset))
        if unit.pages > 1:
            found += [("PAGES", unit.pages), ("PAGE_BYTES", unit.page_bytes)]
        return found

    def has(self, *names: str) -> bool:
        """Return whether windows reach all of these registers."""
        return all(name in self.registers for name in names)


def no_headers_reason(model: LinkModel) -> str | None:
    """Return why there are no headers; None: there are."""
    if model.board is None:
        return "a link alone has no addresses; give a board that uses it"
    return None


def header_files(emission: Emission) -> Iterator[RenderedFile]:
    """Return the include file, the header, and the routines."""
    model = emission.model
    board = model.board
    assert board is not None
    name = identifier(board.name, otherwise="board")
    names: set[str] = set()
    windows = tuple(
        WindowModel(one, unique_identifier(one.name, names, otherwise="window"))
        for one in board.windows
    )
    values = {
        "board": board,
        "b": name,
        "B": name.upper(),
        "windows": windows,
        "units": tuple(_unit_header(model, one, windows, name) for one in unit_models(model)),
        "registers": REGISTERS,
        "port": list(Register),
        "keys": list(KeyCode),
        "tick_bytes": TICK_BYTES,
    }
    for file, mark in ((f"{name}.inc", "; "), (f"{name}.h", " * "), (f"{name}_clear.s", "; ")):
        template = f"headers/board{file.removeprefix(name)}.j2"
        yield finished(f"headers/{file}", render(template, model, values, mark=mark))


def _unit_header(
    model: LinkModel, unit: UnitModel, windows: tuple[WindowModel, ...], board_name: str
) -> UnitHeader:
    own = [one for one in windows if one.window.unit == unit.unit.name]
    clears = []
    for one in own:
        count = min(one.length, unit.unit.memory_bytes - one.window.first_offset)
        if one.window.space == "memory" and count > 0:
            clears.append(_clear(model, one.window, count, f"{board_name}_clear_{one.ident}"))
    registers = register_addresses(unit.unit, [one.window for one in own])
    return UnitHeader(unit, registers, tuple(clears))


def _clear(model: LinkModel, window: Window, count: int, name: str) -> ClearModel:
    board = model.board
    assert board is not None
    run = run_loop(FILL_LOOPS[0], filled_bytes=count, processor=board.processor)
    load = sender_load(run.store_cycle, model.time.budget, fifo_depth=board.sender.fifo_depth)
    first_y = -count % PAGE_BYTES
    cycles = run.cycles + RTS_CYCLES
    return ClearModel(
        name=name,
        window=window,
        filled_bytes=count,
        first_y=first_y,
        pointer=(window.first_address - first_y) & 0xFFFF,
        pages=-(-count // PAGE_BYTES) & 0xFF,
        cycles=cycles,
        time_s=Fraction(cycles, board.clock_hz),
        fifo_depth=load.depth,
        board_fifo_depth=board.sender.fifo_depth,
        stores_lost=load.stores_lost,
    )
