"""A core that walks through a program's run: to any cycle, and over the pieces in between.

How to think about it. A run is exact, so a moment of it is a cycle, and a core that runs from a
snapshot before it gets there. What was found with the logs on is gone to without them, so a state
never depends on how one came to it.

*Positions* are the cycles at which something begins: an instruction, an interrupt sequence, the
wait behind a WAI. A reset is one too: cycle r is the processor before it, cycle r + 7 behind it.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from busplay.batch import UInt8Column
from busplay.core.host_port import NEVER
from busplay.core.interface import Registers
from busplay.core.rewind import (
    KIND_SHIFT,
    CoreState,
    Happening,
    InstructionBatch,
    RewindableCore,
    packed_state,
)
from busplay.errors import InputError
from busplay.history.conditions import Piece, RunLog
from busplay.history.snapshots import Snapshots
from busplay.run.program_start import ProgramStart

# What a step back looks over first: so much is logged in 30 µs, and some 1,000 steps need no more.
_NEAR_CYCLES = 4_096
_WIDER = 16


@dataclass(frozen=True, slots=True, eq=False)
class Place:
    """A position to come back to.

    Attributes:
        state: the core's, but for its memory.
        memory: uint8[65536].
    """

    state: CoreState
    memory: UInt8Column

    @property
    def cycle(self) -> int:
        """Its cycle."""
        return self.state.registers.cycle


class ProgramWalk:
    """A core anywhere in a run.

    Args:
        start: how the run begins.
        limit_bytes: room for snapshots.
        spacing_cycles: cycles from one snapshot to the next, as long as there is room.
        on_progress: called with the cycle that the core has come to, now and then.

    Attributes:
        core: where it is.
        snapshots: what was kept on the way.
        resets: cycles at which the reset button was pressed, in order.
        end_cycle: where the run that is known ends, or None.

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
                found=f"a way back asked of the {made.kind} core",
                wanted="the compiled and the reference core have one",
            )
        self.core: RewindableCore = made
        self.first_cycle = made.cycle
        self.end_cycle: int | None = None
        self.resets: list[int] = []
        self.snapshots = Snapshots(limit_bytes=limit_bytes, spacing_cycles=spacing_cycles)
        self.snapshots.add(made.state, made.memory)
        self._start = start
        self._spacing_cycles = spacing_cycles
        self._on_progress = on_progress
        self._near: Place | None = None

    def place(self) -> Place:
        """Return the present position, for `put`."""
        return Place(self.core.state, self.core.memory.copy())

    def put(self, place: Place) -> None:
        """Go to a position that was kept."""
        self.core.restore(place.state)
        self.core.memory[:] = place.memory

    def go(self, cycle: int) -> None:
        """Go to the first position at or after a cycle."""
        core = self.core
        if self.end_cycle is not None:
            cycle = min(cycle, self.end_cycle)
        snapshot, near = self.snapshots.at_or_before(cycle), self._near
        if near is not None and snapshot.cycle < near.cycle <= cycle:
            if not near.cycle <= core.cycle <= cycle or core.stop is not None:
                self.put(near)
        elif not snapshot.cycle <= core.cycle <= cycle or core.stop is not None:
            self.put(Place(snapshot.state, snapshot.memory()))
        while core.cycle < cycle and self._run_piece(cycle):
            core.take_stores()

    def _run_piece(self, stop_cycle: int, *, keeps: bool = True) -> bool:
        """Run on towards a cycle, or do the reset that is due; return whether time passed."""
        core = self.core
        first_cycle = core.cycle
        reset_cycle = self._next_reset(first_cycle)
        if reset_cycle == first_cycle:
            self._start.reset(core)
        else:
            target = min(stop_cycle, reset_cycle, first_cycle + self._spacing_cycles)
            core.run(target - first_cycle)
        self._forget_console()
        if keeps:
            self.keep_if_due(core)
        if self._on_progress is not None:
            self._on_progress(core.cycle)
        return core.cycle != first_cycle

    def _forget_console(self) -> None:
        if self.core.host_port is not None:
            self.core.host_port.take_console()

    def _next_reset(self, cycle: int) -> int:
        index = bisect_left(self.resets, cycle)
        return self.resets[index] if index < len(self.resets) else NEVER

    def keep_if_due(self, core: RewindableCore) -> None:
        """Keep a snapshot of a core in the same run, if one is due."""
        if core.cycle < self.snapshots.due_cycle:
            return
        state = core.state
        # Not in a wait, which began at a position before, nor at a stop, which may be in the same
        # cycle as what it stopped.
        if not state.is_waiting and state.stop is None:
            self.snapshots.add(state, core.memory)

    def step(self, end_cycle: int) -> bool:
        """Go to the next position, or to the end; return whether there is one."""
        core = self.core
        first_cycle = core.cycle
        if first_cycle >= end_cycle:
            return False
        if core.state.is_waiting:
            self.go(self._end_of_wait(end_cycle))
        elif self._next_reset(first_cycle) == first_cycle:
            self._run_piece(end_cycle)
        else:
            core.step()
            core.take_stores()
            self._forget_console()
            self.keep_if_due(core)
        return core.cycle != first_cycle

    def _end_of_wait(self, end_cycle: int) -> int:
        """Return the cycle in which something else begins, a reset too, or the end."""
        here = self.place()
        found = end_cycle
        for piece in self.pieces(end_cycle):
            if len(piece.cycle):
                found = int(piece.cycle[0])
                break
        self.put(here)
        return found

    # -- what was run

    def spans_back(self, cycle: int) -> Iterator[int]:
        """Go back span by span, the last before a cycle first; yield the cycle where each ends.

        The core stands where the span begins, and `pieces` runs over it.
        """
        look_cycles, is_first = _NEAR_CYCLES, True
        while cycle > self.first_cycle:
            floor = self.snapshots.before(cycle)
            floor_cycle = self.first_cycle if floor is None else floor.cycle
            start_cycle = max(floor_cycle, cycle - look_cycles)
            look_cycles *= _WIDER
            near = self._near
            if near is not None and start_cycle < near.cycle < cycle:
                self.put(near)
            else:
                self.go(start_cycle)
            # Where it waits, what began the wait is farther back.
            if self.core.state.is_waiting:
                continue
            here = self.place()
            if is_first:
                self._near, is_first = here, False
            yield cycle
            cycle = here.cycle

    def pieces(self, stop_cycle: int, watched: tuple[int, int] | None = None) -> Iterator[Piece]:
        """Run to a cycle with the logs on, and yield what was run, piece by piece.

        Args:
            watched: first and last address of a range whose writes stand among the stores.
        """
        for log in self.logs(stop_cycle, watched):
            yield Piece.of_log(log, self.core.memory_map)

    def logs(self, stop_cycle: int, watched: tuple[int, int] | None = None) -> Iterator[RunLog]:
        """Run to a cycle and yield what the core logs; arguments as for `pieces`."""
        core = self.core
        addresses = None
        if watched is not None:
            addresses = np.zeros(len(core.memory), np.bool_)
            addresses[watched[0] : watched[1] + 1] = True
        core.log_instructions(wanted=True)
        core.watch_writes(addresses)
        # The first are short, since what is looked for is mostly near.
        piece_cycles = min(_NEAR_CYCLES, self._spacing_cycles)
        try:
            while core.cycle < stop_cycle:
                was_waiting = core.state.is_waiting
                memory = None if watched is None else core.memory.copy()
                resets = self._next_reset(core.cycle) == core.cycle
                begin = core.cycle | Happening.RESET << KIND_SHIFT
                state = packed_state(Registers.of(core), int(core.memory[core.pc]))
                until = min(stop_cycle, core.cycle + piece_cycles)
                piece_cycles = min(_WIDER * piece_cycles, self._spacing_cycles)
                # What is watched counts as stores too, so no such state is kept.
                if not self._run_piece(until, keeps=watched is None):
                    return
                instructions = core.take_instructions()
                if resets:
                    instructions = InstructionBatch(
                        np.array([begin], np.uint64), np.array([state], np.uint64)
                    )
                yield RunLog(instructions, core.take_stores(), memory, was_waiting)
        finally:
            core.log_instructions(wanted=False)
            core.watch_writes(None)
