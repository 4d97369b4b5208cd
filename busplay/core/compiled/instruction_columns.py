"""The columns that the kernel logs instructions in."""

from __future__ import annotations

import numpy as np

from busplay.core.compiled.block import Cell
from busplay.core.rewind import InstructionBatch

_USUAL_ROOM = 1 << 16


class InstructionColumns:
    """Instructions in order, for `Cell.INSTRUCTION_COUNT` and the two pointers next to it."""

    def __init__(self) -> None:
        self._filled = 0
        self._begin, self._state = (np.empty(_USUAL_ROOM, np.uint64) for _ in range(2))

    def make_room(self, cycles: int, cells: memoryview[int]) -> None:
        """Make room for the most instructions possible in CYCLES cycles."""
        needed = self._filled + cycles + 1
        if needed > len(self._begin):
            # At least doubled, so that growing costs little.
            grown = max(needed, 2 * len(self._begin))
            self._begin, self._state = (
                np.concatenate([column[: self._filled], np.empty(grown - self._filled, np.uint64)])
                for column in (self._begin, self._state)
            )
        cells[~Cell.INSTRUCTION_COUNT] = self._filled
        cells[~Cell.INSTRUCTION_BEGIN] = self._begin.ctypes.data
        cells[~Cell.INSTRUCTION_STATE] = self._state.ctypes.data

    def note_filled(self, cells: memoryview[int]) -> None:
        """Count what the kernel wrote."""
        self._filled = cells[~Cell.INSTRUCTION_COUNT]

    def drop_last(self) -> None:
        """Drop the last one, which did not run."""
        self._filled -= 1

    def add(self, begin: int, state: int, cells: memoryview[int]) -> None:
        """Add one that ran outside the kernel."""
        self.make_room(0, cells)
        self._begin[self._filled], self._state[self._filled] = begin, state
        self._filled += 1

    def forget(self) -> None:
        """Forget what was not taken."""
        self._filled = 0

    def take(self) -> InstructionBatch:
        """Return the instructions since the last call."""
        filled, self._filled = self._filled, 0
        return InstructionBatch(self._begin[:filled].copy(), self._state[:filled].copy())
