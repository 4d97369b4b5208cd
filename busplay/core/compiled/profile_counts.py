"""The columns that the kernel counts in while a profile is taken."""

from __future__ import annotations

import numpy as np

from busplay.core.compiled.block import CANNOT_REPEAT, Cell
from busplay.core.memory_map import ADDRESSES, MemoryMap
from busplay.core.profile import CoreProfile

# Display memory before the first store counted; the second is not a byte.
_POWER_ON, _NOT_KNOWN = 0x0000, 0x0100


class ProfileCounts:
    """Counts by address, for the PROFILE cells.

    The kernel counts an instruction's cycles when the next one begins, so the last one of a
    stretch is still to be counted: `begin` and `end` enclose each stretch.
    """

    def __init__(
        self, memory_map: MemoryMap, cells: memoryview[int], *, nothing_stored_yet: bool
    ) -> None:
        self._cells = cells
        self._cycles = np.zeros(ADDRESSES, np.uint64)
        self._stores = np.zeros(ADDRESSES, np.uint64)
        self._unchanged = np.zeros(ADDRESSES, np.uint64)
        first = _POWER_ON if nothing_stored_yet else _NOT_KNOWN
        self._last = np.full(ADDRESSES, first, np.uint16)
        for index, window in enumerate(memory_map.windows):
            if window.space != "memory":
                self._last[memory_map.window_index == index] = CANNOT_REPEAT
        for cell, column in (
            (Cell.PROFILE_CYCLES, self._cycles),
            (Cell.PROFILE_STORES, self._stores),
            (Cell.PROFILE_UNCHANGED, self._unchanged),
            (Cell.PROFILE_LAST, self._last),
        ):
            cells[~cell] = column.ctypes.data
        self._limit = 0

    def begin(self, limit: int, address: int) -> None:
        """Note the state before the kernel runs: the limit, and the next instruction."""
        cells = self._cells
        self._limit = limit
        cells[~Cell.PROFILE_PC] = address
        cells[~Cell.PROFILE_LEFT] = cells[~Cell.LEFT]

    def end(self, cycle: int) -> None:
        """Count the last instruction that the kernel ran."""
        cells = self._cells
        # By cycles, not LEFT: a write to the host port moves LEFT and LIMIT together.
        began = self._limit - cells[~Cell.PROFILE_LEFT]
        self.add_cycles(cells[~Cell.PROFILE_PC], cycle - began)

    def add_cycles(self, address: int, cycles: int) -> None:
        """Count cycles outside the kernel."""
        self._cycles[address] += np.uint64(cycles)

    def copy(self) -> CoreProfile:
        """Return the counts so far."""
        return CoreProfile(self._cycles.copy(), self._stores.copy(), self._unchanged.copy())
