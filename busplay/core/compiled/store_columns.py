"""The columns that the kernel writes stores into."""

from __future__ import annotations

import numpy as np

from busplay.batch import StoreBatch
from busplay.core.compiled.block import Cell

# No instruction writes more often than BRK: 3 times in 7 cycles; the last one may run over.
_WRITES, _CYCLES, _OVER = 3, 7, 3
_USUAL_ROOM = 1 << 19


class StoreColumns:
    """Stores in order, for `Cell.LOG_COUNT` and the three pointers next to it.

    Attributes:
        count: stores written since power-on.
    """

    def __init__(self) -> None:
        self.count = 0
        self._filled = 0
        self._make(_USUAL_ROOM)

    def _make(self, room: int) -> None:
        self._cycle = np.empty(room, np.uint64)
        self._address = np.empty(room, np.uint16)
        self._data = np.empty(room, np.uint8)
        self._pointers = tuple(
            column.ctypes.data for column in (self._cycle, self._address, self._data)
        )

    def make_room(self, cycles: int, cells: memoryview[int]) -> None:
        """Make room for the most stores possible in CYCLES cycles."""
        needed = self._filled + cycles * _WRITES // _CYCLES + _OVER
        if needed > len(self._cycle):
            cycle, address, data = self._cycle, self._address, self._data
            filled = self._filled
            self._make(max(needed, 2 * len(cycle)))
            self._cycle[:filled] = cycle[:filled]
            self._address[:filled] = address[:filled]
            self._data[:filled] = data[:filled]
        cells[~Cell.LOG_COUNT] = self._filled
        cells[~Cell.LOG_CYCLE], cells[~Cell.LOG_ADDRESS], cells[~Cell.LOG_DATA] = self._pointers

    def note_filled(self, cells: memoryview[int]) -> None:
        """Count what the kernel wrote."""
        filled = cells[~Cell.LOG_COUNT]
        self.count += filled - self._filled
        self._filled = filled

    def take(self) -> StoreBatch:
        """Return the stores since the last call."""
        filled = self._filled
        self._filled = 0
        columns = (self._cycle[:filled], self._address[:filled], self._data[:filled])
        if len(self._cycle) > _USUAL_ROOM:
            # Grown large: the batch takes it over.
            self._make(_USUAL_ROOM)
            return StoreBatch(*columns)
        return StoreBatch(columns[0].copy(), columns[1].copy(), columns[2].copy())
