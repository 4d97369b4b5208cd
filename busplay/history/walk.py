"""A core that moves through a program's run: to any cycle, and over the pieces in between.

How to think about it. A run is exact, so a core that runs from a snapshot before a cycle gets to
the state at that cycle. A position found with the logs on is reached without them, so a state
does not depend on the way to it.

*Positions* are the cycles at which something begins: an instruction, an interrupt sequence, the
wait after a WAI. A reset is one too: cycle r is the processor before it, cycle r + 7 after it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from busplay.batch import PageChanges, StoreBatch, UInt8Column
from busplay.core.interface import (
    Registers,
    bytes_in_pages,
    press_key,
    shown_pages,
    take_page_changes,
    take_sent,
)
from busplay.core.rewind import (
    KIND_SHIFT,
    CoreState,
    InstructionBatch,
    RewindableCore,
    StepKind,
    packed_state,
    restore_memory,
    whole_memory,
)
from busplay.description.board import Board
from busplay.errors import InputError
from busplay.history.conditions import Piece, RunLog
from busplay.history.snapshots import Snapshots
from busplay.run.inputs import RunInputs
from busplay.run.program_start import ProgramStart, next_reset

# Cycles that a step back searches first: logged in 30 µs, and enough for some 1,000 steps.
NEAR_CYCLES = 4_096
WIDER = 16
# The log of more would not stay in the processor's cache.
_LOGGED_CYCLES = 131_072


@dataclass(frozen=True, slots=True, eq=False)
class SavedPosition:
    """A saved position.

    Attributes:
        state: the core's, without memory.
        memory: uint8[65536].
    """

    state: CoreState
    memory: UInt8Column

    @property
    def cycle(self) -> int:
        """Its cycle."""
        return self.state.registers.cycle


class ProgramWalk:
    """A core that can be anywhere in a run.

    Args:
        start: the start of the run.
        limit_bytes: room for snapshots.
        spacing_cycles: cycles between snapshots, while there is room.

    Attributes:
        core: at the present position.
        snapshots: the snapshots kept.
        resets: cycles at which the reset button was pressed, in order.
        first_cycle, start_pc: of the first position.
        end_cycle: where the known run ends, or None.
        spacing_cycles: as given.
        on_progress: called now and then with the core's cycle.

    Raises:
        InputError: a program or image cannot be read, or the core cannot go back.
    """

    def __init__(
        self,
        start: ProgramStart,
        *,
        limit_bytes: int,
        spacing_cycles: int,
        on_progress: Callable[[int], None] | None,
    ) -> None:
        made = start.make_core()
        if not isinstance(made, RewindableCore):
            raise InputError(
                found=f"a step back on the {made.kind} core",
                wanted="use the compiled or the reference core",
            )
        self.core: RewindableCore = made
        self.first_cycle, self.start_pc = made.cycle, made.pc
        self.end_cycle: int | None = None
        self.resets: list[int] = []
        self.snapshots = Snapshots(limit_bytes=limit_bytes, spacing_cycles=spacing_cycles)
        self.snapshots.add(made.state, whole_memory(made))
        self._start = start
        self.spacing_cycles = spacing_cycles
        self.on_progress = on_progress
        self._near: SavedPosition | None = None
        self._page_changes = PageChanges.empty()

    @property
    def board(self) -> Board:
        """The board."""
        return self._start.board

    def take_inputs(self, inputs: RunInputs) -> None:
        """Add inputs, after all others."""
        self.resets += inputs.resets
        for cycle, code in inputs.key_presses:
            press_key(self.core, code, cycle=cycle)

    def pass_over_quiet(self) -> None:
        """Go to the last snapshot before the next store into a window, if that is ahead."""
        snapshot = self.snapshots.last_before_store(self.core.counters.stores_tapped)
        if snapshot is not None and snapshot.cycle > self.core.cycle:
            self.put(SavedPosition(snapshot.state, snapshot.memory()))

    def place(self) -> SavedPosition:
        """Return the present position, for `put`."""
        return SavedPosition(self.core.state, whole_memory(self.core))

    def put(self, place: SavedPosition) -> None:
        """Go to a saved position."""
        self.core.restore(place.state)
        restore_memory(self.core, place.memory)

    def go(self, cycle: int) -> None:
        """Go to the first position at or after a cycle."""
        core = self.core
        if self.end_cycle is not None:
            # A trace cut early may end before the reset does.
            cycle = max(min(cycle, self.end_cycle), self.first_cycle)
        snapshot, near = self.snapshots.at_or_before(cycle), self._near
        if near is not None and snapshot.cycle < near.cycle <= cycle:
            if not near.cycle <= core.cycle <= cycle or core.stop is not None:
                self.put(near)
        elif not snapshot.cycle <= core.cycle <= cycle or core.stop is not None:
            self.put(SavedPosition(snapshot.state, snapshot.memory()))
        while core.cycle < cycle and self._run_piece(cycle):
            core.take_stores()

    def _run_piece(
        self, stop_cycle: int, *, keeps: bool = True, address: int | None = None
    ) -> bool:
        """Run towards a cycle or address, or do a due reset; return whether time passed."""
        core = self.core
        first_cycle = core.cycle
        until = min(stop_cycle, first_cycle + self.spacing_cycles)
        self._start.advance(core, until, self.resets, address=address)
        self._take_rest()
        if keeps:
            self.keep_if_due(core)
        if self.on_progress is not None:
            self.on_progress(core.cycle)
        return core.cycle != first_cycle

    def stores(self) -> Iterator[StoreBatch]:
        """Run on, and yield the stores into windows of each piece, until the program stops."""
        # The first pieces are short, since what is wanted is mostly near.
        piece_cycles = min(NEAR_CYCLES, self.spacing_cycles)
        while self._run_piece(self.core.cycle + piece_cycles):
            piece_cycles = min(WIDER * piece_cycles, self.spacing_cycles)
            yield self.core.take_stores()

    def _take_rest(self) -> None:
        """Keep the changes of pages since the last call, and forget what was printed."""
        self._page_changes = take_page_changes(self.core)
        take_sent(self.core)
        if self.core.host_port is not None:
            self.core.host_port.take_console()

    def _is_reset_due(self) -> bool:
        return next_reset(self.resets, self.core.cycle) == self.core.cycle

    def keep_if_due(self, core: RewindableCore) -> None:
        """Keep a snapshot of a core in the same run, if one is due."""
        if not self.snapshots.is_due(core.cycle):
            return
        state = core.state
        # Not in a wait, which began at an earlier position, nor at a stop, which may be in the same
        # cycle as the stopped instruction.
        if not state.is_waiting and state.stop is None:
            self.snapshots.add(state, whole_memory(core))

    def step(self, end_cycle: int) -> bool:
        """Go to the next position, or to the end; return whether there is one."""
        core = self.core
        first_cycle = core.cycle
        if first_cycle >= end_cycle:
            return False
        if core.state.is_waiting:
            self.go(self._end_of_wait(end_cycle))
        elif self._is_reset_due():
            self._run_piece(end_cycle)
        else:
            core.step()
            core.take_stores()
            self._take_rest()
            self.keep_if_due(core)
        return core.cycle != first_cycle

    def _end_of_wait(self, end_cycle: int) -> int:
        """Return the cycle of the next event, a reset too, or the end."""
        here = self.place()
        found = end_cycle
        for piece in self.pieces(end_cycle):
            if len(piece.cycle):
                found = int(piece.cycle[0])
                break
        self.put(here)
        return found

    # -- logs

    def spans_back(self, cycle: int) -> Iterator[int]:
        """Go back span by span from a cycle; yield the cycle at which each span ends.

        The core is at the span's start, and `pieces` runs over it.
        """
        look_cycles, is_first = NEAR_CYCLES, True
        while cycle > self.first_cycle:
            floor = self.snapshots.before(cycle)
            floor_cycle = self.first_cycle if floor is None else floor.cycle
            start_cycle = max(floor_cycle, cycle - look_cycles)
            look_cycles *= WIDER
            near = self._near
            if near is not None and start_cycle < near.cycle < cycle:
                self.put(near)
            else:
                self.go(start_cycle)
            # In a wait, the position is farther back.
            if self.core.state.is_waiting:
                continue
            here = self.place()
            if is_first:
                self._near, is_first = here, False
            yield cycle
            cycle = here.cycle

    def pieces(
        self, stop_cycle: int, watched: tuple[int, int] | None = None, *, steps: bool = False
    ) -> Iterator[Piece]:
        """Run to a cycle with the logs on, and yield the pieces.

        Args:
            watched: first and last address of a range whose writes are included in the stores.
            steps: each instruction is a piece.
        """
        for log in self.logs(stop_cycle, watched, steps=steps):
            yield Piece.of_log(log, self.core.memory_map, self.board.banks)

    def logs(
        self, stop_cycle: int, watched: tuple[int, int] | None = None, *, steps: bool = False
    ) -> Iterator[RunLog]:
        """Run to a cycle and yield the core's logs; arguments as for `pieces`."""
        core = self.core
        core.log_instructions(wanted=True)
        self._watch(watched)
        # The first are short, since the position is mostly near.
        piece_cycles = 1 if steps else min(NEAR_CYCLES, self.spacing_cycles)
        was_waiting = core.state.is_waiting
        try:
            while core.cycle < stop_cycle:
                memory = None if watched is None else core.memory.copy()
                resets = self._is_reset_due()
                begin = core.cycle | StepKind.RESET << KIND_SHIFT
                pages = self._pages_shown()
                state = packed_state(Registers.of(core), int(core.memory[core.pc]))
                until = min(stop_cycle, core.cycle + piece_cycles)
                if not steps:
                    piece_cycles = min(WIDER * piece_cycles, self.spacing_cycles, _LOGGED_CYCLES)
                page_bytes = None
                if watched is not None and watched[0] == watched[1]:
                    page_bytes = bytes_in_pages(core, watched[0])
                # Watched writes count as stores, so no such state is kept.
                if not self._run_piece(until, keeps=watched is None):
                    return
                instructions = core.take_instructions()
                if resets:
                    instructions = InstructionBatch(
                        np.array([begin], np.uint64), np.array([state], np.uint64)
                    )
                changes = self._page_changes
                pages = PageChanges.joined(
                    [pages, changes.part(changes.since > pages.since.max(initial=0))]
                )
                yield RunLog(
                    instructions, core.take_stores(), memory, was_waiting, pages, page_bytes
                )
                if len(instructions):
                    # Not the core's state: it waits at the end of a piece whose last is the WAI.
                    was_waiting = bool(instructions.kind[-1] == StepKind.WAITING)
        finally:
            core.log_instructions(wanted=False)
            core.watch_writes(None)

    def _pages_shown(self) -> PageChanges:
        """Return the pages shown at this position, as if they had changed in its cycle."""
        pages = shown_pages(self.core)
        count = len(pages)
        return PageChanges(
            np.full(count, self.core.cycle, np.uint64),
            np.arange(count, dtype=np.uint8),
            np.array(pages, np.uint16),
        )

    def stores_until(
        self, stop_cycle: int, watched: tuple[int, int] | None
    ) -> tuple[StoreBatch, PageChanges]:
        """Run to a cycle without the log of instructions; return stores and changes of pages.

        Args:
            watched: as for `pieces`.
        """
        core, parts, changes = self.core, [StoreBatch.empty()], [PageChanges.empty()]
        self._watch(watched)
        try:
            while core.cycle < stop_cycle and self._run_piece(stop_cycle, keeps=watched is None):
                parts.append(core.take_stores())
                changes.append(self._page_changes)
        finally:
            core.watch_writes(None)
        return StoreBatch.joined(parts), PageChanges.joined(changes)

    def reaches(self, address: int, stop_cycle: int) -> bool:
        """Run to a cycle; return whether the instruction at an address may come before."""
        core = self.core
        while core.cycle < stop_cycle and core.pc != address:
            if not self._run_piece(stop_cycle, address=address):
                return False
            core.take_stores()
        return core.pc == address

    def _watch(self, watched: tuple[int, int] | None) -> None:
        """Watch writes to a range of addresses, both ends included; None: to none."""
        addresses = None
        if watched is not None:
            addresses = np.zeros(len(self.core.memory), np.bool_)
            addresses[watched[0] : watched[1] + 1] = True
        self.core.watch_writes(addresses)
