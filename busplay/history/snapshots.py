"""Snapshots of a run by cycle, taken as it goes, in bounded memory.

Pages of memory that did not change are shared with the snapshot before or after, so that one costs
the changed pages and some 2 kB. When the room is used up, every other snapshot is removed, the
oldest first; once that has been done everywhere, every other of the remaining ones. So the gaps
between old snapshots are at most twice those between new ones, in a run of any length.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import dataclass

import numpy as np

from busplay.batch import UInt8Column
from busplay.core.rewind import CoreState

PAGE_BYTES = 256
# Python's overhead: for a page's bytes, for the state, and for each page of it.
_PAGE_COST_BYTES = PAGE_BYTES + 33
_STATE_COST_BYTES = 1_000
_POINTER_BYTES = 8


@dataclass(frozen=True, slots=True)
class Snapshot:
    """A core's state, and its memory.

    Attributes:
        state: all but memory.
        pages: of memory, 256 bytes each; behind the 64 KiB the RAM that banks do not show.
    """

    state: CoreState
    pages: tuple[bytes, ...]

    @property
    def cycle(self) -> int:
        """Cycle at which it was taken."""
        return self.state.registers.cycle

    def memory(self) -> UInt8Column:
        """Return it as `whole_memory` does."""
        return np.frombuffer(b"".join(self.pages), np.uint8)


class Snapshots:
    """Snapshots in order of their cycles.

    Args:
        limit_bytes: room for all of them; a few are always kept.
        spacing_cycles: cycles between them, while there is room.
    """

    def __init__(self, *, limit_bytes: int, spacing_cycles: int) -> None:
        self._limit_bytes = limit_bytes
        self._spacing_cycles = spacing_cycles
        self._kept: list[Snapshot] = []
        self._cycles: list[int] = []
        self._image = np.empty(0, np.uint8)
        self._bytes = 0
        # Thinning continues from this index, and joins gaps up to this length.
        self._thin_from = 1
        self._gap_cycles = 2 * spacing_cycles

    def __len__(self) -> int:
        return len(self._kept)

    @property
    def used_bytes(self) -> int:
        """Memory that they take."""
        return self._bytes

    @property
    def longest_gap_cycles(self) -> int:
        """Most cycles between two snapshots."""
        return max(np.diff(self._cycles).tolist(), default=0)

    def is_due(self, cycle: int) -> bool:
        """Return whether one at this cycle is wanted: the last before it is far enough."""
        index = bisect_right(self._cycles, cycle) - 1
        if index < 0:
            return True
        spacing = self._spacing_cycles
        if index < len(self._cycles) - 1:
            # Not closer than thinning has left them.
            spacing = max(spacing, self._gap_cycles // 2)
        return cycle - self._cycles[index] >= spacing

    def add(self, state: CoreState, memory: UInt8Column) -> None:
        """Add one.

        Args:
            memory: as of `whole_memory`; of the same length each time.

        Raises:
            ValueError: there is one of that cycle.
        """
        cycle = state.registers.cycle
        index = bisect_left(self._cycles, cycle)
        before = self._kept[index - 1] if index else None
        after = self._kept[index] if index < len(self._kept) else None
        if after is not None and after.cycle == cycle:
            raise ValueError(f"there is a snapshot of cycle {cycle:,}")
        count = len(memory) // PAGE_BYTES
        changed = np.arange(count)
        pages: list[bytes] = [b""] * count
        if before is not None:
            pages = list(before.pages)
            image = self._image if after is None else before.memory()
            differs = (memory != image).reshape(count, PAGE_BYTES)
            changed = np.flatnonzero(differs.any(axis=1))
        own = 0
        for page in changed.tolist():
            content = memory[page * PAGE_BYTES : (page + 1) * PAGE_BYTES].tobytes()
            is_shared = after is not None and after.pages[page] == content
            pages[page] = after.pages[page] if after is not None and is_shared else content
            own += not is_shared
        if after is None:
            self._image = memory.copy()
        self._kept.insert(index, Snapshot(state, tuple(pages)))
        self._cycles.insert(index, cycle)
        self._bytes += _cost_bytes(count, own)
        while self._bytes > self._limit_bytes and self._thin():
            pass

    def at_or_before(self, cycle: int) -> Snapshot:
        """Return the last one at or before a cycle.

        Raises:
            IndexError: there is none.
        """
        index = bisect_right(self._cycles, cycle) - 1
        if index < 0:
            raise IndexError(cycle)
        return self._kept[index]

    def before(self, cycle: int) -> Snapshot | None:
        """Return the last one before a cycle, or None."""
        index = bisect_left(self._cycles, cycle) - 1
        return None if index < 0 else self._kept[index]

    def last_before_store(self, stores_tapped: int) -> Snapshot | None:
        """Return the last one by which so many stores, or fewer, have gone into windows."""
        index = bisect_right(self._kept, stores_tapped, key=lambda one: one.state.stores_tapped)
        return self._kept[index - 1] if index else None

    def first_after_store(self, stores_tapped: int) -> Snapshot | None:
        """Return the first one by which so many stores, or more, have gone into windows."""
        index = bisect_left(self._kept, stores_tapped, key=lambda one: one.state.stores_tapped)
        return self._kept[index] if index < len(self._kept) else None

    def _thin(self) -> bool:
        """Remove one; return whether one could be removed."""
        kept, cycles = self._kept, self._cycles
        if len(kept) < 3:
            return False
        while True:
            index = self._thin_from
            if index >= len(kept) - 1:
                self._thin_from = 1
                self._gap_cycles *= 2
                continue
            joined = cycles[index + 1] - cycles[index - 1]
            if joined > self._gap_cycles:
                self._thin_from += 1
                continue
            before, gone, behind = kept[index - 1 : index + 2]
            own = sum(
                page is not early and page is not late
                for early, page, late in zip(before.pages, gone.pages, behind.pages, strict=True)
            )
            self._bytes -= _cost_bytes(len(gone.pages), own)
            del kept[index], cycles[index]
            return True


def _cost_bytes(pages: int, own: int) -> int:
    """Return what a snapshot takes, some of whose pages are its own."""
    return _STATE_COST_BYTES + _POINTER_BYTES * pages + own * _PAGE_COST_BYTES
