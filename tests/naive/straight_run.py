"""A program's run, step by step, with all that it was at each: what time travel is judged by."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from busplay.core.interface import Registers
from busplay.core.rewind import CoreState, RewindableCore

RETURNS = (0x60, 0x40)


@dataclass(frozen=True)
class Moment:
    """One position: what the core was, and what the step from there did.

    Attributes:
        kind: `instruction`, `interrupt`, `waiting` or `reset`.
        writes: addresses that the step wrote to, in order.
        tapped: whether one of them lies in a window.
    """

    state: CoreState
    memory: bytes
    kind: str
    writes: list[int]
    tapped: bool

    @property
    def registers(self) -> Registers:
        return self.state.registers

    @property
    def cycle(self) -> int:
        return self.registers.cycle

    @property
    def opcode(self) -> int:
        return self.memory[self.registers.pc]


def straight_run(
    core: RewindableCore,
    stop_cycle: int,
    *,
    resets: Sequence[int] = (),
    reset: Callable[[RewindableCore], None],
) -> list[Moment]:
    """Run a core to a cycle, one position at a time; the last moment is where it came to."""
    core.watch_writes(np.ones(0x10000, np.bool_))
    tapped = core.memory_map.window_index >= 0
    moments: list[Moment] = []
    counted = core.state
    stores = 0
    while True:
        state = core.state
        kind = "waiting" if state.is_waiting else "instruction"
        if state.due_vector:
            kind = "interrupt"
        if state.registers.cycle in resets:
            kind = "reset"
        memory = core.memory.tobytes()
        before = core.cycle
        if before < stop_cycle:
            reset(core) if kind == "reset" else core.step()
        if core.host_port is not None:
            core.host_port.take_console()
        writes = core.take_stores().address.tolist()
        is_over = core.cycle == before
        goes_on = kind == "waiting" and bool(moments) and moments[-1].kind == "waiting"
        if not goes_on or is_over:
            # What is watched counts as stores; only those in windows are to.
            shown = _with_stores(state, counted.stores_tapped + stores)
            moments.append(Moment(shown, memory, kind, writes, bool(tapped[writes].any())))
        stores += int(np.count_nonzero(tapped[writes]))
        if is_over:
            return moments


def _with_stores(state: CoreState, stores: int) -> CoreState:
    return replace(state, stores_tapped=stores)


def first_behind(moments: Sequence[object], here: int, held: list[bool], *, must_end: bool) -> int:
    """Return the first moment behind one that is held; -1 if there is none."""
    armed = not must_end
    for index in range(here + 1, len(moments)):
        if not held[index]:
            armed = True
        elif armed:
            return index
    return -1


def last_before(here: int, held: list[bool], *, must_end: bool) -> int:
    """Return the last moment before one that is held; -1 if there is none."""
    armed = not must_end
    for index in range(here - 1, -1, -1):
        if not held[index]:
            armed = True
        elif armed:
            return index
    return -1
