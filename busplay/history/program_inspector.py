"""Queries of a window on a recording's time, and on the program beside it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from busplay.core.disassembly import DisassembledLine
from busplay.description.board import Board, Unit
from busplay.description.full_address import address_of, address_text
from busplay.display.display import Display
from busplay.errors import InputError
from busplay.history.breakpoint_text import parse_breakpoint
from busplay.history.breakpoints import AtAddress, Breakpoint
from busplay.history.frame_rows import FrameRows
from busplay.history.frame_stores import FrameStore, FrameStores
from busplay.history.history import History
from busplay.history.program_history import ProgramHistory
from busplay.pipeline.pipeline import Pipeline
from busplay.player.inspector import (
    InstructionFacts,
    MachineFacts,
    RoutineFacts,
    WriteSums,
)
from busplay.program.labels import Labels
from busplay.program.symbols import ProgramSymbols
from busplay.trace.reader import TraceReader

INSTRUCTIONS_BEFORE, INSTRUCTIONS_AFTER = 12, 24
# How far a program runs for labels while pictures wait for it: some 10 ms.
NEAR_CYCLES = 2_000_000

ProfileOf = Callable[[int, int], Iterable[RoutineFacts] | None]
"""The routines between two cycles; None: it would take too long."""


@dataclass(frozen=True, slots=True)
class KnownProgram:
    """What an inspector knows of the recorded program.

    Attributes:
        labels: its labels; None: those beside the program.
        run: its run; None: there is no program.
        profile_of: returns the routines of a passage, from one cycle to another.
    """

    labels: Labels | None = None
    run: ProgramHistory | None = None
    profile_of: ProfileOf | None = None


NOTHING_KNOWN = KnownProgram()


class Inspected(Protocol):
    """A replay, or a live run that can go back."""

    @property
    def board(self) -> Board:
        """The board."""

    @property
    def pipeline(self) -> Pipeline:
        """Sender, receiver and displays."""

    @property
    def reader(self) -> TraceReader:
        """The trace."""

    @property
    def displays(self) -> Mapping[str, Display]:
        """The units by name."""

    @property
    def cycle(self) -> int:
        """The present position."""

    @property
    def end_cycle(self) -> int | None:
        """Where it ends."""

    @property
    def is_faulty(self) -> bool:
        """Whether faults are injected."""

    def start_edge(self, cycle: int) -> int:
        """Return the earliest edge at which the frame of a store just before `cycle` starts."""

    def run(self, cycles: int) -> int:
        """Go forward; return the count of cycles."""

    def seek(self, cycle: int) -> None:
        """Go to a cycle."""


class ProgramInspector:
    """Queries on the time of a recording, and on the program beside it.

    Args:
        replay: the replay, which has the present position.
        history: of its trace.
        known: of the program.

    Attributes:
        version: increases when the recording has grown.
        on_search: called now and then, with the cycle, while the program is searched.
    """

    def __init__(
        self,
        replay: Inspected,
        history: History,
        known: KnownProgram = NOTHING_KNOWN,
    ) -> None:
        self._replay = replay
        self._history = history
        self._program = program = known.run
        self._profile_of = known.profile_of
        self._header = replay.reader.header
        self._labels = known.labels or ({} if program is None else program.symbols.labels)
        self._rows = FrameRows(history.reader, self._labels)
        self._stores = None if program is None else FrameStores(self._rows, program)
        self.version = 0
        self.on_search: Callable[[int], None] | None = None
        self._routines: tuple[tuple[int, int], tuple[RoutineFacts, ...] | None] | None = None
        self._is_playing = False
        self._labels_found: tuple[tuple[int, int, int], tuple[str, ...]] | None = None
        self._made: dict[int, tuple[FrameStore, InstructionFacts] | None] = {}

    def _take_history(self, history: History) -> None:
        """Go on with the history of more of the same run."""
        self._history = history
        self._rows.follow(history.reader)
        self._made.clear()
        self.version += 1

    def refresh(self, now_ns: int, *, playing: bool) -> None:
        """Take up what has happened since: in a trace nothing has."""
        self._is_playing = playing

    @property
    def board(self) -> Board:
        """The board that sent the frames."""
        return self._replay.board

    @property
    def _end_cycle(self) -> int:
        return self._replay.end_cycle or 0

    @property
    def _pipeline(self) -> Pipeline:
        return self._replay.pipeline

    # -- time

    @property
    def begin_edge(self) -> int:
        """Where the recording begins."""
        return 0

    @property
    def end_edge(self) -> int:
        """Where the recording ends."""
        return max(self._history.reader.stop_edge, self.edge_at(self._end_cycle))

    @property
    def trouble(self) -> str:
        """Nothing: a recording has its end."""
        return ""

    @property
    def first_frame(self) -> int:
        """Number of the first frame that is kept."""
        return self._history.first_frame

    @property
    def frames(self) -> int:
        """Frames in the trace."""
        return self._rows.frames

    @property
    def slot_edges(self) -> int:
        """Edges of a slot."""
        return self._rows.layout.slot_symbols

    @property
    def lane_names(self) -> tuple[str, ...]:
        """Names of the lanes of a frame's symbols."""
        return self._rows.lane_names

    @property
    def shown_frames(self) -> int:
        """Frames shown at the present position."""
        return self._pipeline.frames_carried

    def edge_at(self, cycle: int) -> int:
        """Return the link edge at which a processor cycle begins."""
        return self._header.edge_at(cycle)

    def cycle_at(self, edge: int) -> int:
        """Return the processor cycle completed by a link edge."""
        return self._header.cycles_at(edge)

    def cycle_showing(self, frame: int) -> int:
        """Return the first cycle at which a frame, by its number, has been shown."""
        if frame >= self.frames:
            return self._end_cycle
        frame = max(frame, self.first_frame)
        edge = self._history.edge_of_frame(frame)
        cycle = self.cycle_at(edge)
        while cycle > 0 and self._replay.start_edge(cycle - 1) >= edge:
            cycle -= 1
        while self._replay.start_edge(cycle) < edge:
            cycle += 1
        return min(cycle, self._end_cycle)

    def frame_at(self, edge: int) -> int:
        """Count the frames that start before an edge."""
        return self._history.frame_at_edge(edge)

    def _unit(self, name: str) -> Unit:
        return self.board.unit_named(name)

    # -- the program

    @property
    def has_program(self) -> bool:
        """Whether there is a program."""
        return self._program is not None

    def machine(self) -> MachineFacts | None:
        """Return the processor at the present position; None without a program."""
        program = self._program
        if program is None:
            return None
        self._go_to(program, self._replay.cycle)
        state = program.state
        registers = state.registers
        flags = "".join(
            letter if registers.p & 0x80 >> bit else "." for bit, letter in enumerate("NV--DIZC")
        )
        rows = program.disassembly(before=INSTRUCTIONS_BEFORE, after=INSTRUCTIONS_AFTER)
        here = next((i for i, row in enumerate(rows) if row.address == registers.pc), 0)
        return MachineFacts(
            registers=(
                ("PC", address_text(state.full_pc)),
                ("A", f"${registers.a:02X}"),
                ("X", f"${registers.x:02X}"),
                ("Y", f"${registers.y:02X}"),
                ("S", f"${registers.s:02X}"),
                ("flags", flags),
            ),
            stack=state.stack[:8].hex(" ").upper(),
            code=tuple(self._code_row(program, row) for row in rows),
            here=here,
            leds=program.leds,
        )

    def _code_row(self, program: ProgramHistory, row: DisassembledLine) -> InstructionFacts:
        address = program.full_address(row.address)
        names = program.symbols.names_at(address)
        line = program.symbols.line_of(address)
        return InstructionFacts(
            address, row.text, names[0] if names else "", "" if line is None else str(line), ""
        )

    def routines(self, first_cycle: int, stop_cycle: int) -> Sequence[RoutineFacts] | None:
        """Return the routines of a passage, the most cycles first."""
        if self._profile_of is None or not 0 <= first_cycle < stop_cycle:
            return None
        key = (first_cycle, stop_cycle)
        if self._routines is None or self._routines[0] != key:
            found = self._profile_of(first_cycle, stop_cycle)
            self._routines = key, None if found is None else tuple(found)
        return self._routines[1]

    def routine_sums(
        self, unit: str, routine: RoutineFacts, first_cycle: int, stop_cycle: int
    ) -> WriteSums | None:
        """Return a routine's writes to a unit in a passage."""
        if self._program is None or first_cycle >= stop_cycle:
            return None
        addresses = self._program.addresses_stored(
            routine.address, routine.stop_address, first_cycle=first_cycle, stop_cycle=stop_cycle
        )
        described = self._unit(unit)
        offsets = [
            addresses[(addresses >= one.first_address) & (addresses <= one.last_address)].astype(
                np.int64
            )
            - one.first_address
            + one.first_offset
            for one in self.board.windows
            if one.unit == unit and one.space == "memory"
        ]
        found = np.concatenate([np.empty(0, np.int64), *offsets])
        size = described.memory_bytes
        writes = np.bincount(found[found < size], minlength=size).astype(np.uint32)
        none = np.zeros(size, np.uint32)
        first, stop = self.edge_at(first_cycle), self.edge_at(stop_cycle)
        return WriteSums(described, first, stop, writes, none, np.full(size, -1, np.int64), none)

    def find_code(self, text: str, *, back: bool) -> int | None:
        """Return the next cycle, or the last, at which a label's instruction is due, or None."""
        program = self._program
        windows = self.board.windows
        addresses = {
            address
            for address, names in self._labels.items()
            if text in names
            and not any(
                one.first_address <= address_of(address) <= one.last_address for one in windows
            )
        }
        if program is None or not addresses:
            return None
        return self._run_to(program, AtAddress(addresses), back=back)

    def run_to(self, text: str, *, back: bool) -> int | None:
        """Return the next cycle, or the last, at which the program comes to a breakpoint, or None.

        Raises:
            InputError: the text is no breakpoint.
        """
        program = self._program
        if program is None:
            return None
        symbols = ProgramSymbols(self._labels, program.symbols.debug, self.board.banks)
        return self._run_to(program, parse_breakpoint(text, symbols), back=back)

    def _run_to(self, program: ProgramHistory, stop_at: Breakpoint, *, back: bool) -> int | None:
        self._go_to(program, self._replay.cycle)
        if program.cycle > self._replay.cycle and not back:
            # Within an instruction: the one behind it is the first to look at.
            program.step_back()
        with program.telling(self.on_search):
            found = program.run_back_to(stop_at) if back else program.run_to(stop_at)
        return program.cycle if found else None

    def call_return(self) -> int | None:
        """Return the cycle at which the present routine has returned to its caller, or None."""
        program = self._program
        if program is None:
            return None
        self._go_to(program, self._replay.cycle)
        with program.telling(self.on_search):
            return program.cycle if program.run_to_return() else None

    def instruction_beside(self, *, back: bool) -> int | None:
        """Return the cycle of the next instruction, or of the previous one, or None."""
        program = self._program
        if program is None:
            return None
        self._go_to(program, self._replay.cycle)
        if program.cycle > self._replay.cycle and not back:
            return program.cycle
        moved = program.step_back() if back else program.step()
        return program.cycle if moved else None

    def _go_to(self, program: ProgramHistory, cycle: int) -> None:
        if program.cycle != cycle:
            program.go_to(max(cycle, program.first_cycle))

    def _made_by(self, frame: int) -> tuple[FrameStore, InstructionFacts] | None:
        """Return the store of a frame and its instruction; None: not known."""
        if self._program is None or self._stores is None:
            return None
        if frame not in self._made:
            self._made[frame] = self._find_instruction(self._program, self._stores, frame)
        return self._made[frame]

    def _find_instruction(
        self, program: ProgramHistory, stores: FrameStores, frame: int
    ) -> tuple[FrameStore, InstructionFacts] | None:
        try:
            found = stores.find(frame)
            if not found:
                return None
            program.go_to_store(found[0].cycle)
        except InputError:
            return None
        registers = program.state.registers
        (row,) = program.disassembly(before=0, after=0)
        here = program.state.full_pc
        line = program.symbols.line_of(here)
        return found[0], InstructionFacts(
            here,
            row.text,
            program.symbols.name_of(here) or "",
            "" if line is None else str(line),
            f"A ${registers.a:02X} X ${registers.x:02X} Y ${registers.y:02X}",
            program.cycle,
        )

    def _code_labels(self, first: int, stop: int) -> tuple[str, ...]:
        """Return the routine of the instruction behind each frame; nothing: not known."""
        program, stores = self._program, self._stores
        if program is None or stores is None or first >= stop:
            return ()
        here = self._replay.cycle
        # Cycle 0 has none: the first is behind the reset.
        last = program.snapshots.before(here + 1)
        if self._is_playing and here - (last.cycle if last else 0) > NEAR_CYCLES:
            # To run there would hold up the pictures; it is done when the recording is paused.
            return ()
        key = (first, stop, self.version)
        if self._labels_found is None or self._labels_found[0] != key:
            try:
                found = stores.find(first, stop)
            except InputError:
                found = ()
            names = tuple(
                program.symbols.routine_of(one.program_counter) or address_text(one.program_counter)
                for one in found
            )
            self._labels_found = key, names
        return self._labels_found[1]
