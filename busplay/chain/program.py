"""The rerun of a recorded program: each frame's store, instruction and registers."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from busplay.core.interface import Registers
from busplay.demo.programs import program_path
from busplay.description.full_address import page_of
from busplay.history.frame_rows import FrameRows
from busplay.history.frame_stores import FrameStore, FrameStores
from busplay.history.history import History
from busplay.history.index_losses import chunks_losing_stores
from busplay.history.program_history import ProgramHistory
from busplay.program.debug_file import read_debug_file
from busplay.program.symbols import ProgramSymbols, find_symbols
from busplay.run.recorded_program import find_recorded_program
from busplay.trace.reader import TraceReader


@dataclass(frozen=True, slots=True)
class ProgramFiles:
    """The recorded program, its labels and its source lines.

    Attributes:
        program: the program's file; by default found beside the trace by its digest.
        load_address: where a raw program was loaded; by default the board's
            `program_load_address`.
        labels: list of labels; by default the one beside the program.
        dbgfile: debug file of ld65, for source lines; by default the one beside the program.
    """

    program: Path | None = None
    load_address: int | None = None
    labels: Path | None = None
    dbgfile: Path | None = None


@dataclass(frozen=True, slots=True)
class StoringInstruction:
    """The instruction that made a store.

    Attributes:
        registers: at its start; `pc` is its address.
        page: its page of banked memory, or None.
        label: the label at or before it, or None.
        file, line: its place in the source, or None.
    """

    registers: Registers
    page: int | None
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
        history: of the trace, recorded with a board.
        program: the program's file.
        load_address: where a raw program was loaded; by default the board's
            `program_load_address`.
        labels: list of labels; by default the one beside the program.
        dbgfile: debug file of ld65; by default the one beside the program.
        progress: called with (cycles run, cycles of the trace).

    Raises:
        InputError: the program cannot be read, or is another one; a list of labels or a debug file
            is damaged.
    """

    def __init__(
        self,
        history: History,
        program: Path,
        *,
        load_address: int | None,
        labels: Path | None,
        dbgfile: Path | None,
        progress: Callable[[int, int], object],
    ) -> None:
        reader = history.reader
        self.path = program
        self._history = history
        self._progress = progress
        self._run = ProgramHistory.of_trace(
            reader,
            program,
            load_address=load_address,
            on_progress=self._note_progress,
        )
        banks = history.board.banks
        self._stores = FrameStores(FrameRows(reader, {}), self._run, burst_frames_max=None)
        if dbgfile is None:
            self.symbols = find_symbols(program, labels, banks)
        else:
            debug = read_debug_file(dbgfile, banks)
            known = find_symbols(program, labels or dbgfile, banks)
            self.symbols = ProgramSymbols(known.labels, debug, banks)

    def _note_progress(self, cycle: int) -> None:
        cycles = self._history.reader.cycles
        self._progress(min(cycle, cycles), cycles)

    def store_of(self, frame: int) -> FrameStore:
        """Return the store that a frame carries.

        Raises:
            InputError: the program sends other frames than recorded, or the trace is damaged.
        """
        return self._stores.find(frame)[0]

    def lost(
        self, addresses: NDArray[np.bool_], *, first_frame: int, stop_frame: int
    ) -> Iterator[LostAtSender]:
        """Yield the stores to addresses lost at the sender between two moments, newest first.

        Args:
            addresses: bool[65536].
            first_frame, stop_frame: the moments; up to a chunk earlier ones are found, too.

        Raises:
            InputError: as for `store_of`.
        """
        history = self._history
        at_end = stop_frame == history.frames
        # A store that finds the FIFO full at the edge of the next frame has been made by then.
        last_edge = history.reader.stop_edge if at_end else history.edge_of_frame(stop_frame)
        all_from: int | None = None
        for first, stop, stop_edge in chunks_losing_stores(history, first_frame, stop_frame):
            if all_from is not None:
                if first >= all_from:
                    continue
                stop = min(stop, all_from)
            lost, all_from = self._stores.lost_in(first, stop, stop_edge)
            counts = addresses[lost.address] & (lost.edge <= np.uint64(last_edge))
            for at in np.flatnonzero(counts)[::-1].tolist():
                yield LostAtSender(
                    int(lost.edge[at]),
                    int(lost.cycle[at]),
                    int(lost.address[at]),
                    int(lost.data[at]),
                )

    def full_address_at(self, cycle: int) -> int:
        """Return the full address of the store of a cycle."""
        return int(self._run.stores_between(cycle, cycle + 1).address[0])

    def stores_between(self, first_cycle: int, stop_cycle: int) -> list[tuple[int, int, int]]:
        """Return cycle, address and byte of the stores into windows of a short passage."""
        made = self._run.stores_between(first_cycle, stop_cycle).stores
        columns = (made.cycle.tolist(), made.address.tolist(), made.data.tolist())
        return list(zip(*columns, strict=True))

    def instruction_at(self, cycle: int) -> StoringInstruction:
        """Return the instruction that made the store of a cycle.

        Raises:
            InputError: the program cannot be run to there.
        """
        self._run.go_to_store(cycle)
        state = self._run.state
        line = self.symbols.line_of(state.full_pc)
        return StoringInstruction(
            state.registers,
            page_of(state.full_pc),
            self.symbols.name_of(state.full_pc),
            None if line is None else line.file,
            None if line is None else line.line,
        )


def program_of(reader: TraceReader, program: str | Path | None) -> Path | None:
    """Return the recorded program: the one given, or the one found beside the trace."""
    if program is not None:
        return program_path(program)
    return find_recorded_program(reader.path, reader.header)
