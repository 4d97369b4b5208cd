"""A program's run with moves to any position: forwards, backwards, to the last or next event.

How to think about it. Every move is one of two searches over the positions of the run (`walk`).
Forwards from here, or backwards span by span, the core runs with its logs on; a condition says
at which positions of a piece it holds (`conditions`); and the core goes to the first of them, or
to the last. A step back is such a search too, for any position.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from functools import cached_property
from pathlib import Path

import numpy as np

from busplay.batch import StoreBatch, UInt8Column, UInt16Column
from busplay.core.disassembly import DisassembledLine, disassemble_around
from busplay.core.interface import Core, full_address_of, leds_of
from busplay.core.rewind import CoreState, RewindableCore
from busplay.core.saved_state import parse_core
from busplay.description.board import Board
from busplay.description.full_address import address_of, page_of
from busplay.errors import InputError
from busplay.history.breakpoints import (
    AtAddress,
    Breakpoint,
    MemoryIs,
    RegisterIs,
    RegisterName,
    WriteTo,
)
from busplay.history.conditions import (
    AnyPosition,
    Condition,
    Returns,
    RunLog,
    StoresIntoWindow,
    holds,
)
from busplay.history.program_state import MadeStores, ProgramState
from busplay.history.search import first_behind, last_before
from busplay.history.snapshots import Snapshots
from busplay.history.walk import ProgramWalk, SavedPosition
from busplay.link.load import as_board
from busplay.program.debug_file import SourceLine
from busplay.program.pages import FullAddresses
from busplay.program.symbols import ProgramSymbols, find_symbols
from busplay.run.inputs import RunInputs
from busplay.run.program_start import ProgramStart
from busplay.run.recorded_program import program_of_trace
from busplay.trace.reader import TraceReader

SPACING_CYCLES = 1_000_000
MEMORY_MB = 128
# Cycles that a step back searches: logged in 30 µs, and enough for some 1,000 steps.
_NEAR_CYCLES = 4_096
_SEARCH_SECONDS = 60
# More than any instruction, interrupt sequence or reset takes.
INSTRUCTION_CYCLES_MAX = 16


class ProgramHistory:
    """A program's run, with moves to any position.

    Args:
        board: the description, or the name or path of its file.
        program: the program's file, or a shipped program; None: the board's own images.
        load_address: where a raw program is loaded; by default the board's
            `program_load_address`.
        core: name of the core, see `busplay.core.make`; it must be one that can go back.
        key_presses: (cycle, code) of keys pressed, in order.
        resets: cycles at which the reset button was pressed, in order.
        labels: list of labels, or debug file; by default the one beside the program.
        end_cycle: end of searches; None: a minute of the board's time from their start.
        memory_mb: memory for snapshots, in 1,000,000 bytes.
        spacing_cycles: cycles between snapshots, while there is room.
        on_progress: called now and then with the cycle searched; an exception from it cancels the
            move.

    Raises:
        InputError: a program or image cannot be read, or the core cannot go back.
        ValueError: `memory_mb` or `spacing_cycles` is too small.

    >>> import busplay
    >>> from busplay.history.breakpoints import AtAddress
    >>> travel = busplay.ProgramHistory("dunlin", "tides.bin", end_cycle=8_000_000)
    >>> travel.go_to(400_000), travel.store_before(), travel.step_back()
    (True, True, True)
    >>> here = travel.state.registers
    >>> travel.run_to(AtAddress({here.pc})), travel.state.registers.pc == here.pc
    (True, True)
    >>> travel.run_to(travel.at_label("main_loop")), str(travel.disassembly(after=0)[-1])
    (True, '$C0CA  A5 16     lda $16')
    """

    def __init__(
        self,
        board: Board | str | Path,
        program: str | Path | None = None,
        *,
        load_address: int | None = None,
        core: str = "compiled",
        key_presses: Iterable[tuple[int, int]] = (),
        resets: Iterable[int] = (),
        labels: Path | None = None,
        end_cycle: int | None = None,
        memory_mb: int = MEMORY_MB,
        spacing_cycles: int = SPACING_CYCLES,
        on_progress: Callable[[int], None] | None = None,
    ) -> None:
        if memory_mb < 0:
            raise ValueError(f"memory_mb is {memory_mb}; it must be 0 or more")
        if spacing_cycles < 1:
            raise ValueError(f"spacing_cycles is {spacing_cycles}; it must be 1 or more")
        self.start = ProgramStart(as_board(board), program, load_address=load_address, core=core)
        self._walk = ProgramWalk(
            self.start,
            limit_bytes=memory_mb * 1_000_000,
            spacing_cycles=spacing_cycles,
            on_progress=on_progress,
        )
        self._walk.take_inputs(RunInputs(tuple(key_presses), tuple(resets)))
        self._walk.end_cycle = end_cycle
        self._labels = labels

    @classmethod
    def of_trace(
        cls,
        reader: TraceReader,
        program: str | Path | None = None,
        *,
        load_address: int | None = None,
        labels: Path | None = None,
        memory_mb: int = MEMORY_MB,
        on_progress: Callable[[int], None] | None = None,
    ) -> ProgramHistory:
        """Return the history of the run that a trace was recorded from, with its inputs.

        Args:
            reader: the trace, recorded with a board.
            program: the program's file; by default found beside the trace by its digest.

        Raises:
            InputError: the trace has no board, its program is missing or another one, or a file
                cannot be read.
        """
        board, path = program_of_trace(reader, program)
        inputs = RunInputs.of_trace(reader)
        history = cls(
            board,
            path,
            load_address=load_address,
            key_presses=inputs.key_presses,
            resets=inputs.resets,
            labels=labels,
            end_cycle=reader.cycles,
            memory_mb=memory_mb,
            on_progress=on_progress,
        )
        is_recorded = path is None or reader.header.program_sha256 is not None
        if is_recorded and load_address in (None, board.program_load_address):
            history._take_states(reader, keys=len(inputs.key_presses))
        return history

    def _take_states(self, reader: TraceReader, *, keys: int) -> None:
        """Take the states in the trace as snapshots, so that no run begins at its beginning."""
        for cycle, state, where in reader.core_states():
            try:
                saved = parse_core(state, board=self.start.board, keys=keys)
            except InputError as error:
                raise where.error(error.found or "", error.wanted or "") from None
            found = saved.state.registers.cycle
            if found != cycle or cycle <= self._walk.first_cycle:
                raise where.error(f"a state of cycle {found:,}", f"cycle {cycle:,} belongs here")
            self._walk.snapshots.add(saved.state, saved.memory)

    # -- present position

    @property
    def cycle(self) -> int:
        """Cycle of the present position."""
        return self._walk.core.cycle

    @property
    def state(self) -> ProgramState:
        """Registers, stack and next event."""
        core = self._walk.core
        state = core.state
        stack = core.memory[0x0101 + state.registers.s : 0x0200].tobytes()
        vector = state.due_vector or None
        full_pc = full_address_of(core, state.registers.pc)
        return ProgramState(state.registers, stack, state.is_waiting, vector, state.stop, full_pc)

    @property
    def core_state(self) -> CoreState:
        """The core's state, without memory."""
        return self._walk.core.state

    @property
    def leds(self) -> tuple[tuple[str, bool], ...]:
        """Name of each of the board's LEDs, and whether it is lit at this position."""
        return leds_of(self._walk.core)

    @property
    def memory(self) -> UInt8Column:
        """uint8[65536], the processor's memory at this position; read-only."""
        view = self._walk.core.memory.view()
        view.flags.writeable = False
        return view

    @property
    def first_cycle(self) -> int:
        """Cycle of the first position, after the reset."""
        return self._walk.first_cycle

    @property
    def end_cycle(self) -> int | None:
        """Where the known run ends, or None."""
        return self._walk.end_cycle

    @property
    def snapshots(self) -> Snapshots:
        """The snapshots kept."""
        return self._walk.snapshots

    @cached_property
    def symbols(self) -> ProgramSymbols:
        """Labels and source lines of the program.

        Raises:
            InputError: a file of them is damaged.
        """
        return find_symbols(self.start.path, self._labels, self.start.board.banks)

    def disassembly(self, *, before: int = 8, after: int = 16) -> tuple[DisassembledLine, ...]:
        """Return the instructions around the next one, from present memory."""
        board = self.start.board
        return disassemble_around(
            self.memory,
            self._walk.core.pc,
            processor=board.processor,
            undocumented=board.undocumented == "run",
            before=before,
            after=after,
            starts=self._labelled_here,
        )

    @property
    def _labelled_here(self) -> set[int]:
        """Addresses that have labels in the pages shown."""
        core = self._walk.core
        labelled = {address_of(full): full for full in self.symbols.labels}
        return {
            address
            for address, full in labelled.items()
            if page_of(full) is None or full == full_address_of(core, address)
        }

    def full_address(self, address: int) -> int:
        """Return the full address of what the processor sees at an address now."""
        return full_address_of(self._walk.core, address)

    @property
    def source_line(self) -> SourceLine | None:
        """The source line of the next instruction, or None."""
        return self.symbols.line_of(self.state.full_pc)

    def at_label(self, label: str) -> AtAddress:
        """Return the breakpoint at a label; errors as `ProgramSymbols.address_of`."""
        return AtAddress({self.symbols.address_of(label)})

    def at_line(self, file: str, line: int) -> AtAddress:
        """Return the breakpoint at a source line; errors as `DebugInfo.addresses_of`."""
        return AtAddress(self.symbols.addresses_of(file, line))

    # -- a live run

    def press(self, cycle: int, code: int) -> None:
        """Add a key press, after all others."""
        self._walk.take_inputs(RunInputs(key_presses=((cycle, code),)))

    def reset(self, cycle: int) -> None:
        """Add a reset, after all others and after the cycles searched."""
        self._walk.take_inputs(RunInputs(resets=(cycle,)))

    def extend_to(self, cycle: int) -> None:
        """Move the end of the known run."""
        self._walk.end_cycle = cycle

    def take_snapshot(self, core: Core) -> None:
        """Keep a snapshot of a core that runs the same program, if one is due.

        So a live run need not be rerun from its beginning.
        """
        if isinstance(core, RewindableCore):
            self._walk.keep_if_due(core)

    # -- moves

    def go_to(self, cycle: int) -> bool:
        """Go to the first position at or after a cycle, as `Session.run` does.

        Within a wait it goes to that cycle. A stop ends it before.

        Returns:
            Whether the position has changed.

        Raises:
            ValueError: the cycle is before the program's first.
        """
        if cycle < self._walk.first_cycle:
            raise ValueError(
                f"cycle is {cycle}; the program begins in cycle {self._walk.first_cycle}"
            )
        here = self._walk.place()
        with self._coming_back_on_failure(here):
            self._walk.go(cycle)
        return self.cycle != here.cycle

    def go_to_store(self, cycle: int) -> bool:
        """Go to the instruction, or interrupt sequence, of a cycle.

        Returns:
            Whether the position has changed.
        """
        here = self._walk.place()
        with self._coming_back_on_failure(here):
            self._walk.go(max(cycle + 1, self._walk.first_cycle))
            if self.cycle > cycle:
                self._find_back(AnyPosition())
        return self.cycle != here.cycle

    def step(self) -> bool:
        """Run the next instruction, interrupt sequence or wait; return False if there is none."""
        here = self._walk.place()
        with self._coming_back_on_failure(here):
            return self._walk.step(self._search_end())

    def step_back(self) -> bool:
        """Go to the previous position; return False at the first."""
        return self._find_back(AnyPosition())

    def store_after(self) -> bool:
        """Go to the next instruction after this one that stores into a window."""
        return self._find_forward(StoresIntoWindow())

    def store_before(self) -> bool:
        """Go to the last instruction before this one that stores into a window."""
        return self._find_back(StoresIntoWindow())

    @contextmanager
    def telling(self, on_progress: Callable[[int], None] | None) -> Iterator[None]:
        """Call a function now and then with the cycle searched, in this context only.

        An exception from it cancels the move.
        """
        before, self._walk.on_progress = self._walk.on_progress, on_progress
        try:
            yield
        finally:
            self._walk.on_progress = before

    def run_to_return(self) -> bool:
        """Run until the present routine has returned to its caller."""
        here = self._walk.place()
        with self._coming_back_on_failure(here):
            returns = Returns(self._walk.core.s)
            if not self._is_next(returns) and not self._find_forward(returns):
                return False
            return self._walk.step(self._search_end())

    def last_write_of(self, first: int, last: int | None = None) -> bool:
        """Go to the last instruction before this one that writes to an address, or to a range.

        Args:
            first, last: both included; writes without effect count too.
        """
        return self.run_back_to(WriteTo(first, first if last is None else last))

    def last_value_of_register(self, register: RegisterName, value: int) -> bool:
        """Go to the last position at which a register had a value; see `run_back_to`."""
        return self.run_back_to(RegisterIs(register, value))

    def last_value_of_address(self, address: int, value: int) -> bool:
        """Go to the last position at which a byte of memory had a value; see `run_back_to`."""
        return self.run_back_to(MemoryIs(address, value))

    def run_to(self, stop_at: Breakpoint) -> bool:
        """Go to the first position after this one at which a breakpoint holds.

        A value that holds already must change in between.

        Returns:
            Whether there is one; if not, the position does not change.
        """
        return self._find_forward(stop_at)

    def run_back_to(self, stop_at: Breakpoint) -> bool:
        """Go to the last position before this one at which a breakpoint holds.

        A value that holds here must have been another in between.

        Returns:
            Whether there is one; if not, the position does not change.
        """
        return self._find_back(stop_at)

    def addresses_stored(
        self, first_address: int, stop_address: int, *, first_cycle: int, stop_cycle: int
    ) -> UInt16Column:
        """Return the addresses in windows that a range of instructions stored to.

        Args:
            first_address, stop_address: full addresses of the instructions, the stop not included.
            first_cycle, stop_cycle: of the run.

        Returns:
            uint16[stores], in order, repeated for each store.
        """
        found = self.stores_between(first_cycle, stop_cycle)
        within = (found.made_by >= first_address) & (found.made_by < stop_address)
        return found.stores.address[within]

    def stores_between(self, first_cycle: int, stop_cycle: int) -> MadeStores:
        """Return the stores into windows of a passage, and the instruction of each.

        Args:
            first_cycle, stop_cycle: of the run, the stop not included.
        """
        parts, address, by = [StoreBatch.empty()], *([np.empty(0, np.int64)] for _ in range(2))
        # An instruction that stores in the first cycle has begun before it.
        for log in self._logs_between(first_cycle - INSTRUCTION_CYCLES_MAX, stop_cycle):
            cycle = log.stores.cycle
            here = (cycle >= first_cycle) & (cycle < stop_cycle)
            which = np.searchsorted(log.instructions.cycle, cycle[here], side="right") - 1
            parts.append(log.stores.at(here))
            full = FullAddresses(self.start.board.banks, log.pages)
            address.append(full.column(parts[-1].address, parts[-1].cycle))
            made = np.maximum(which, 0)
            begun = log.instructions.cycle[made]
            by.append(full.column(log.instructions.pc[made], begun))
        return MadeStores(StoreBatch.joined(parts), np.concatenate(address), np.concatenate(by))

    def stores_from(self, cycle: int) -> Iterator[tuple[StoreBatch, int]]:
        """Run on from a cycle as far as the program goes.

        Yields:
            The stores into windows of a piece, none before `cycle`, and the cycle up to which these
            are all. The position is there; nobody else may move it meanwhile.
        """
        # An instruction that stores in that cycle has begun before it.
        self._walk.go(max(cycle - INSTRUCTION_CYCLES_MAX, self._walk.first_cycle))
        for stores in self._walk.stores():
            if self.cycle >= cycle:
                here = slice(int(np.searchsorted(stores.cycle, np.uint64(cycle))), None)
                yield stores.at(here), self.cycle

    @contextmanager
    def staying(self) -> Iterator[ProgramWalk]:
        """Return to the present position at the end of the context, which has the walk."""
        here = self._walk.place()
        try:
            yield self._walk
        finally:
            self._walk.put(here)

    def _logs_between(self, first_cycle: int, stop_cycle: int) -> Iterator[RunLog]:
        """Yield the logs of a passage; the position stays."""
        here = self._walk.place()
        with self._coming_back_on_failure(here):
            self._walk.go(max(first_cycle, self._walk.first_cycle))
            end = self._walk.end_cycle
            yield from self._walk.logs(stop_cycle if end is None else min(stop_cycle, end))
            self._walk.put(here)

    # -- searches

    def _is_next(self, condition: Condition) -> bool:
        """Return whether an event begins at this position."""
        here = self._walk.place()
        pieces = [holds(condition, one) for one in self._walk.pieces(here.cycle + 1)]
        self._walk.put(here)
        return bool(pieces and pieces[0][:1].any())

    @contextmanager
    def _coming_back_on_failure(self, here: SavedPosition) -> Iterator[None]:
        try:
            yield
        except BaseException:
            self._walk.put(here)
            raise

    def _search_end(self) -> int:
        if self._walk.end_cycle is not None:
            return self._walk.end_cycle
        return self.cycle + _SEARCH_SECONDS * self.start.board.clock_hz

    def _find_forward(self, condition: Condition) -> bool:
        return self._find(lambda: first_behind(self._walk, condition, self._search_end()))

    def _find_back(self, condition: Condition) -> bool:
        return self._find(lambda: last_before(self._walk, condition))

    def _find(self, search: Callable[[], int | None]) -> bool:
        """Go to the position that a search finds; return False, and stay, if there is none."""
        here = self._walk.place()
        with self._coming_back_on_failure(here):
            found = search()
            self._walk.put(here)
            if found is not None:
                self._walk.go(found)
        return found is not None
