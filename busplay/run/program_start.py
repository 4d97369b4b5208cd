"""The start of a run: a board's core, with images and program loaded and reset done.

The same start makes the same run, so a rerun begins with it: to find the instructions of stores, to
go back in time.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path

from busplay.core.devices.load_banks import load_banks, settle_banks
from busplay.core.host_port import NEVER
from busplay.core.interface import Core, RunsToAddress, press_key
from busplay.core.make import core_for_board
from busplay.demo.programs import program_path
from busplay.description.board import Board, ImageFormat
from busplay.program.loading import LoadedProgram, load_memory, require_code


class ProgramStart:
    """A board, and the program loaded into its memory.

    Args:
        board: the description.
        program: the program's file, or a shipped program; None: only the board's own images.
        load_address: where a raw program is loaded; by default the board's
            `program_load_address`.
        program_format: format of the program's file; detected by default.
        core: name of the core, see `busplay.core.make`.

    Attributes:
        path: the program's file, or None.
        load_address: where a raw program goes, or None.
        core_kind: name of the core.
        program: the program loaded last; unset until the first core is made.
    """

    program: LoadedProgram

    def __init__(
        self,
        board: Board,
        program: str | Path | None = None,
        *,
        load_address: int | None = None,
        program_format: ImageFormat = "auto",
        core: str = "compiled",
    ) -> None:
        self.board = board
        self.path = None if program is None else program_path(program)
        self.core_kind = core
        self.load_address = load_address
        self._format: ImageFormat = program_format

    @property
    def recorded_board(self) -> Board:
        """The board as a trace holds it: its programs go where this one went."""
        if self.load_address is None:
            return self.board
        return replace(self.board, program_load_address=self.load_address)

    def make_core(self, key_presses: Iterable[tuple[int, int]] = ()) -> Core:
        """Make a core that will run the program's first instruction next.

        Args:
            key_presses: (cycle, code) of keys that the program will see, in order.

        Raises:
            InputError: a program or image cannot be read, or falls where there is no memory; there
                is no such core.
        """
        core = core_for_board(self.board, kind=self.core_kind)
        loaded = load_banks(core, self.board)
        self.program = load_memory(
            self.board,
            core.memory,
            self.path,
            program_format=self._format,
            load_address=self.load_address,
            loaded=loaded,
        )
        settle_banks(core)
        if self.program.start_address is None:
            require_code(self.board, core.memory, loaded)
        self.reset(core)
        for cycle, code in key_presses:
            press_key(core, code, cycle=cycle)
        return core

    def reset(self, core: Core) -> None:
        """Reset a core, as by the board's reset button."""
        core.reset()
        if self.program.start_address is not None:
            core.pc = self.program.start_address

    def advance(
        self, core: Core, stop_cycle: int, resets: Sequence[int], *, address: int | None = None
    ) -> None:
        """Run a core towards a cycle, up to the next reset; or do the reset that is due.

        Args:
            core: made by this start.
            stop_cycle: run complete instructions up to it.
            resets: cycles of all resets of the run, in order.
            address: stop before the instruction there, if the core can.
        """
        reset_cycle = next_reset(resets, core.cycle)
        if reset_cycle == core.cycle:
            self.reset(core)
            return
        cycles = max(0, min(stop_cycle, reset_cycle) - core.cycle)
        if address is not None and isinstance(core, RunsToAddress):
            core.run_to(address, cycles)
        else:
            core.run(cycles)


def next_reset(resets: Sequence[int], cycle: int) -> int:
    """Return the cycle of the first reset at or after a cycle, or `NEVER`."""
    index = bisect_left(resets, cycle)
    return resets[index] if index < len(resets) else NEVER
