"""The call tree from a core's log of instructions: routines with their own costs.

How to think about it. A JSR opens a frame with the stack pointer from before it; an RTS or RTI
closes all frames popped off the stack, so programs may drop return addresses, or push their own to
jump by RTS. An interrupt opens a frame under a root of its own, so that it does not
count for the routine that it interrupts. A frame is at a node of the tree: a routine, called from
another. A reset closes all frames.

A routine is the code from one start to the next. A frame that runs or jumps into another routine
continues at that routine's node, a sibling of the first; so the own costs of all nodes of a routine
are those of its addresses.

The log is cut into segments where the frame or the routine changes; costs are summed with NumPy,
and only segments are walked.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from busplay.batch import Int64Column
from busplay.core.rewind import InstructionBatch, StepKind

PROGRAM, INTERRUPTS = 0, 1
"""The two roots."""

_NONE, _CALL, _RETURN, _RETURN_FROM_INTERRUPT = range(4)
_CALLS = {0x20: _CALL, 0x00: _CALL, 0x60: _RETURN, 0x40: _RETURN_FROM_INTERRUPT}
_CODE_OF_OPCODE = np.array([_CALLS.get(opcode, _NONE) for opcode in range(256)], np.uint8)
# Above every stack pointer: the frame that nothing leaves.
_OUTERMOST = 0x100


@dataclass(frozen=True, slots=True)
class CallNode:
    """A routine, called from another.

    Attributes:
        parent: index of the node that called it; -1 for the two roots.
        routine: where it begins, as a number of the `BankedSpace`; -1 for the roots.
        calls: times that it was called there.
        entries: times that it was entered there without a call, see `RoutineProfile`.
        costs: its own: cycles, stores, stores that changed nothing.
    """

    parent: int
    routine: int
    calls: int
    entries: int
    costs: tuple[int, int, int]


class CallTree:
    """The tree as it grows.

    Args:
        starts: int64[routines], numbers at which routines begin, rising, the first 0.
        size: of the `BankedSpace`.
    """

    def __init__(self, starts: NDArray[np.int64], size: int) -> None:
        self._routine_of = np.repeat(starts.astype(np.int32), np.diff(np.append(starts, size)))
        self._parent, self._routine, self._calls = [-1, -1], [-1, -1], [0, 0]
        self._entries = [0, 0]
        self._counts = False
        self._costs = [[0, 0, 0], [0, 0, 0]]
        self._children: dict[tuple[int, int], int] = {}
        self._frames: list[list[int]] = []
        self._last = (_NONE, 0)

    def feed(
        self,
        instructions: InstructionBatch,
        number: Int64Column,
        here: Int64Column,
        costs: Sequence[NDArray[np.int64]],
        *,
        counts: bool = True,
    ) -> None:
        """Add what ran next.

        Args:
            number: int64[instructions]; the instruction that each one's costs belong to.
            here: int64[instructions]; each one's own number.
            costs: int64[instructions] each: cycles, stores, stores that changed nothing.
            counts: count; if not, only follow the calls. Once begun, counting goes on.
        """
        if not len(instructions):
            return
        if counts and not self._counts:
            self._counts = True
            for frame in self._frames:
                self._entries[frame[0]] += 1
        kind, s = instructions.kind, instructions.register("s")
        code = _CODE_OF_OPCODE[instructions.opcode]
        if kind.any():
            code[kind != StepKind.INSTRUCTION] = _NONE
        routine = self._routine_of[number]
        was_reset = int(kind[0]) == StepKind.RESET
        if was_reset:
            # It is alone in its piece.
            self._frames.clear()
            self._last = _NONE, 0
        begins = np.empty(len(code), np.bool_)
        begins[0] = True
        begins[1:] = (routine[1:] != routine[:-1]) | (code[:-1] != _NONE)
        interrupts = kind == StepKind.INTERRUPT
        begins |= interrupts
        first = np.flatnonzero(begins)
        # The instruction before each segment; that before the first was in the piece before.
        behind = first[1:] - 1
        code_before = [self._last[0], *code[behind].tolist()]
        s_before = [self._last[1], *s[behind].tolist()]
        self._last = int(code[-1]), int(s[-1])
        sums = [np.add.reduceat(one, first).tolist() for one in costs]
        entered = routine[first] if was_reset else self._routine_of[here[first]]
        columns = (s[first], interrupts[first], entered, routine[first])
        rows = zip(
            code_before, s_before, *(column.tolist() for column in columns), *sums, strict=True
        )
        for before, s_then, s_now, interrupted, enters, at, cycles, stores, unchanged in rows:
            node = self._enter(before, s_then, s_now, enters, at, interrupted=interrupted)
            if counts:
                own = self._costs[node]
                own[0] += cycles
                own[1] += stores
                own[2] += unchanged

    def _enter(
        self, before: int, s_then: int, s_now: int, enters: int, at: int, *, interrupted: bool
    ) -> int:
        """Open and close frames for a segment that begins; return its node."""
        frames = self._frames
        if not frames:
            frames.append([self._child(PROGRAM, enters), _OUTERMOST])
            self._entries[frames[0][0]] += self._counts
        if before == _CALL:
            self._close(s_then)
            self._open(frames[-1][0], enters, s_then)
        elif before != _NONE:
            self._close((s_then + (2 if before == _RETURN else 3)) & 0xFF)
        if interrupted:
            self._open(INTERRUPTS, at, s_now)
        frame = frames[-1]
        if self._routine[frame[0]] != at:
            frame[0] = self._child(self._parent[frame[0]], at)
            self._entries[frame[0]] += self._counts
        return frame[0]

    def _open(self, parent: int, routine: int, s: int) -> None:
        node = self._child(parent, routine)
        self._calls[node] += self._counts
        self._frames.append([node, s])

    def _close(self, s: int) -> None:
        """Close the frames that the stack has left; the outermost stays."""
        frames = self._frames
        while frames[-1][1] <= s:
            frames.pop()

    def _child(self, parent: int, routine: int) -> int:
        key = parent, routine
        node = self._children.get(key)
        if node is None:
            node = self._children[key] = len(self._parent)
            self._parent.append(parent)
            self._routine.append(routine)
            self._calls.append(0)
            self._entries.append(0)
            self._costs.append([0, 0, 0])
        return node

    def nodes(self) -> tuple[CallNode, ...]:
        """Return all nodes, each behind the one that called it; the two roots first."""
        return tuple(
            CallNode(parent, routine, calls, entries, (costs[0], costs[1], costs[2]))
            for parent, routine, calls, entries, costs in zip(
                self._parent, self._routine, self._calls, self._entries, self._costs, strict=True
            )
        )


def charged_number(
    instructions: InstructionBatch,
    here: Int64Column,
    *,
    next_number: int,
    waits_at: Int64Column,
) -> Int64Column:
    """Return the number that each instruction's costs belong to; int64[instructions].

    An interrupt sequence is charged to the first instruction of its handler, a reset likewise, a
    wait to its WAI.

    Args:
        instructions: what ran.
        here: each one's own number.
        next_number: of the instruction that comes behind the last.
        waits_at: int64[waits]; numbers of their WAIs.
    """
    kind = instructions.kind
    others = np.flatnonzero(kind)
    interrupts = others[(kind[others] == StepKind.INTERRUPT) | (kind[others] == StepKind.RESET)]
    waits = others[kind[others] == StepKind.WAITING]
    charged = here.copy()
    charged[interrupts] = np.append(here[1:], next_number)[interrupts]
    charged[waits] = waits_at
    return charged


def totals(nodes: Sequence[CallNode]) -> list[tuple[int, int, int]]:
    """Return the costs of each node with all that it calls."""
    sums = [list(node.costs) for node in nodes]
    for index in range(len(nodes) - 1, INTERRUPTS, -1):
        above = sums[nodes[index].parent]
        for place, cost in enumerate(sums[index]):
            above[place] += cost
    return [(one[0], one[1], one[2]) for one in sums]
