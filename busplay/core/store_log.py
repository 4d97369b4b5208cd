"""Stores gathered for a batch: three typed arrays that grow, emptied by `take`."""

from __future__ import annotations

from array import array

import numpy as np

from busplay.batch import StoreBatch


class StoreLog:
    """Columns of stores in order; 11 bytes a store."""

    def __init__(self) -> None:
        self._new()

    def _new(self) -> None:
        cycle, address, data = array("Q"), array("H"), array("B")
        self._columns = (cycle, address, data)
        # The bound methods are kept: a core calls these once a store.
        self._add_cycle, self._add_address, self._add_data = (
            cycle.append,
            address.append,
            data.append,
        )

    def __len__(self) -> int:
        return len(self._columns[0])

    def add(self, cycle: int, address: int, data: int) -> None:
        """Add one store; the caller has checked it."""
        self._add_cycle(cycle)
        self._add_address(address)
        self._add_data(data)

    def extend(self, batch: StoreBatch) -> None:
        """Add a batch of stores; the caller has checked it."""
        cycle, address, data = self._columns
        cycle.frombytes(batch.cycle.astype(np.uint64, copy=False).tobytes())
        address.frombytes(batch.address.astype(np.uint16, copy=False).tobytes())
        data.frombytes(batch.data.astype(np.uint8, copy=False).tobytes())

    def take(self) -> StoreBatch:
        """Return the stores since the last call."""
        cycle, address, data = self._columns
        self._new()
        return StoreBatch(
            np.frombuffer(cycle, np.uint64),
            np.frombuffer(address, np.uint16),
            np.frombuffer(data, np.uint8),
        )
