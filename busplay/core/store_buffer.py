"""Collect the stores of another emulator; keep those in windows."""

from __future__ import annotations

import numpy as np

from busplay.batch import StoreBatch
from busplay.core.memory_map import ADDRESSES, Action, MemoryMap
from busplay.core.store_log import StoreLog
from busplay.description.board import Board


class StoreBuffer:
    """Stores on their way to the link, in order of their cycles.

    Stores outside the board's windows are dropped, so an emulator may report every write.

    Attributes:
        stores_offered: stores reported so far.
        stores_tapped: stores of these that fell in a window.
    """

    def __init__(self, board: Board) -> None:
        self._map = MemoryMap.of_board(board)
        self._tapped = bytes((self._map.actions & Action.TAPPED) != 0)
        self._log = StoreLog()
        self._last_cycle = 0
        self.stores_offered = 0
        self.stores_tapped = 0

    def __len__(self) -> int:
        """Count of stores in windows not yet taken."""
        return len(self._log)

    @property
    def memory_map(self) -> MemoryMap:
        """The board's map, windows included."""
        return self._map

    @property
    def last_cycle(self) -> int:
        """Cycle of the newest store reported, 0 before the first."""
        return self._last_cycle

    def store(self, cycle: int, address: int, data: int) -> None:
        """Report one store.

        Args:
            cycle: processor cycle of the write; not before the previous store's.
            address: 0 to 65535.
            data: 0 to 255.

        Raises:
            ValueError: an argument is out of its range, or the cycle goes back.
        """
        if not 0 <= address < ADDRESSES:
            raise ValueError(f"address is {address}; an address is 0 to 65535")
        if not 0 <= data <= 0xFF:
            raise ValueError(f"data is {data}; a byte is 0 to 255")
        if not self._last_cycle <= cycle < 1 << 63:
            raise ValueError(
                f"cycle is {cycle}; it must not be below the last store's {self._last_cycle}"
                " and must fit 63 bits"
            )
        self._last_cycle = cycle
        self.stores_offered += 1
        if self._tapped[address]:
            self.stores_tapped += 1
            self._log.add(cycle, address, data)

    def extend(self, stores: StoreBatch) -> None:
        """Report a batch of stores, in order of their cycles.

        Raises:
            ValueError: a cycle goes back, within the batch or from the last store reported, or
                does not fit 63 bits; none of the batch is kept.
        """
        if not len(stores):
            return
        cycle = stores.cycle
        if int(cycle[0]) < self._last_cycle:
            raise ValueError(
                f"cycle is {int(cycle[0])} at index 0; it must not be below the last store's"
                f" {self._last_cycle}"
            )
        falls = np.flatnonzero(cycle[1:] < cycle[:-1])
        if len(falls):
            index = int(falls[0]) + 1
            raise ValueError(
                f"cycle is {int(cycle[index])} at index {index}; it must not be below the last"
                f" store's {int(cycle[index - 1])}"
            )
        if int(cycle[-1]) >= 1 << 63:
            raise ValueError(f"cycle is {int(cycle[-1])}; it must fit 63 bits")
        self._last_cycle = int(cycle[-1])
        self.stores_offered += len(stores)
        inside = self._map.in_windows(stores.address)
        kept = stores.at(inside)
        self.stores_tapped += len(kept)
        self._log.extend(kept)

    def take(self) -> StoreBatch:
        """Return the stores in windows since the last call, in order."""
        return self._log.take()
