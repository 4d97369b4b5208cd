"""The columns that the kernel logs instructions in, with room for all that it can run."""

from __future__ import annotations

import numpy as np

from busplay.core.compiled.block import Cell
from busplay.core.rewind import InstructionBatch

_USUAL_ROOM = 1 << 16


class InstructionColumns:
    """Instructions in order; what `Cell.INSTRUCTION_COUNT` and the two pointers stand for."""

    def __init__(self) -> None:
        self._filled = 0
        self._begin, self._state = (np.empty(_USUAL_ROOM, np.uint64) for _ in range(2))

    def make_room(self, cycles: int, cells: memoryview[int]) -> None:
        """Lay out where the kernel writes, with room for as many instructions as cycles."""
        needed = self._filled + cycles + 1
        if needed > len(self._begin):
            # At least twice as many, so that growing costs little.
            grown = max(needed, 2 * len(self._begin))
            self._begin, self._state = (
                np.concatenate([column[: self._filled], np.empty(grown - self._filled, np.uint64)])
                for column in (self._begin, self._state)
            )
        cells[~Cell.INSTRUCTION_COUNT] = self._filled
        cells[~Cell.INSTRUCTION_BEGIN] = self._begin.ctypes.data
        cells[~Cell.INSTRUCTION_STATE] = self._state.ctypes.data

    def note_filled(self, cells: memoryview[int]) -> None:
        """Take note of what the kernel wrote."""
        self._filled = cells[~Cell.INSTRUCTION_COUNT]

    def drop_last(self) -> None:
        """Forget the last one: it did not run after all."""
        self._filled -= 1

    def add(self, begin: int, state: int, cells: memoryview[int]) -> None:
        """Add what the kernel has no part in."""
        self.make_room(0, cells)
        self._begin[self._filled], self._state[self._filled] = begin, state
        self._filled += 1

    def take(self) -> InstructionBatch:
        """Return what was written since the last call."""
        filled, self._filled = self._filled, 0
        return InstructionBatch(self._begin[:filled].copy(), self._state[:filled].copy())
