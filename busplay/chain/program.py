"""The rerun of a recorded program: each frame's store, instruction and registers."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from busplay.core.interface import Registers
from busplay.demo.programs import program_path
from busplay.history.program_history import ProgramHistory
from busplay.program.symbols import ProgramSymbols, find_symbols
from busplay.run.recorded_program import find_recorded_program
from busplay.run.rerun import Rerun
from busplay.trace.reader import TraceReader


@dataclass(frozen=True, slots=True)
class StoringInstruction:
    """The instruction that made a store.

    Attributes:
        registers: at its start; `pc` is its address.
        label: the label at or before it, or None.
        file, line: its place in the source, or None.
    """

    registers: Registers
    label: str | None
    file: str | None
    line: int | None


@dataclass(frozen=True, slots=True)
class LostAtSender:
    """A store that found the sender FIFO full."""

    edge: int
    cycle: int
    address: int
    data: int


class RecordedProgram:
    """A rerun of the recorded program.

    Args:
        reader: the trace, recorded with a board.
        program: the program's file.
        load_address: where a raw program was loaded; by default the board's
            `program_load_address`.
        labels: list of labels; by default the one beside the program.
        dbgfile: debug file of ld65; by default the one beside the program.
        progress: called with (edges done, edges of the trace).

    Raises:
        InputError: the program cannot be read, or is another one; a list of labels or a debug file
            is damaged.
    """

    def __init__(
        self,
        reader: TraceReader,
        program: Path,
        *,
        load_address: int | None,
        labels: Path | None,
        dbgfile: Path | None,
        progress: Callable[[int, int], object],
    ) -> None:
        self.path = program
        self._reader = reader
        self._load_address = load_address
        self._progress = progress
        self._travel: ProgramHistory | None = None
        # Refuses another program before anything is run.
        self._rerun = Rerun(reader, program, load_address=load_address)
        self.symbols = find_symbols(program, dbgfile or labels)
        if dbgfile is not None and labels is not None:
            self.symbols = ProgramSymbols(find_symbols(program, labels).labels, self.symbols.debug)

    def stores_of(
        self, frames: Sequence[int], until: int
    ) -> tuple[dict[int, tuple[int, int]], list[LostAtSender]]:
        """Return the stores of frames, and those lost at the sender.

        Args:
            frames: numbers of frames.
            until: frame up to which to run.

        Returns:
            Frame to cycle and address; and the stores that found the sender FIFO full.

        Raises:
            InputError: the program sends other frames than recorded.
        """
        before = self._reader.frames_before.astype(np.int64)
        found: dict[int, tuple[int, int]] = {}
        lost: list[LostAtSender] = []
        for number in range(int(np.searchsorted(before, until, side="left"))):
            chunk = self._reader.frame_chunk(number)
            sent = self._rerun.find(chunk.frames)
            first = int(before[number])
            for frame in frames:
                if first <= frame < first + len(sent):
                    at = frame - first
                    found[frame] = int(sent.cycle[at]), int(sent.address[at])
            here = self._rerun.take_lost()
            lost += [
                LostAtSender(*row)
                for row in zip(
                    here.edge.tolist(),
                    here.cycle.tolist(),
                    here.address.tolist(),
                    here.data.tolist(),
                    strict=True,
                )
            ]
            self._progress(chunk.totals.stop_edge, self._reader.stop_edge)
        return found, lost

    def instruction_at(self, cycle: int) -> StoringInstruction:
        """Return the instruction that made the store of a cycle.

        Raises:
            InputError: the program cannot be run to there.
        """
        if self._travel is None:
            self._travel = ProgramHistory.of_trace(
                self._reader, self.path, load_address=self._load_address
            )
        self._travel.go_to_store(cycle)
        registers = self._travel.state.registers
        line = self.symbols.line_of(registers.pc)
        return StoringInstruction(
            registers,
            self.symbols.name_of(registers.pc),
            None if line is None else line.file,
            None if line is None else line.line,
        )


def program_of(reader: TraceReader, program: str | Path | None) -> Path | None:
    """Return the recorded program: the one given, or the one found beside the trace."""
    if program is not None:
        return program_path(program)
    return find_recorded_program(reader.path, reader.header)
