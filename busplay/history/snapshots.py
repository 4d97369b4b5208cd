"""Snapshots of a run by cycle, taken as it goes, in bounded memory.

Pages of memory that did not change are shared with the snapshot before, so that one costs the
changed pages and some 2 kB. When the room is used up, every other snapshot is removed, the oldest
first; once that has been done everywhere, every other of the remaining ones. So the gaps between
old snapshots are at most twice those between new ones, in a run of any length.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import dataclass

import numpy as np

from busplay.batch import UInt8Column
from busplay.core.memory_map import ADDRESSES
from busplay.core.rewind import CoreState

PAGE_BYTES = 256
PAGES = ADDRESSES // PAGE_BYTES
# Python's overhead: for a page, and for the state and its pages.
_PAGE_COST_BYTES = PAGE_BYTES + 33
_SNAPSHOT_COST_BYTES = 8 * PAGES + 1_000


@dataclass(frozen=True, slots=True)
class Snapshot:
    """A core's state, and its memory.

    Attributes:
        state: all but memory.
        pages: 256 pages of memory.
    """

    state: CoreState
    pages: tuple[bytes, ...]

    @property
    def cycle(self) -> int:
        """Cycle at which it was taken."""
        return self.state.registers.cycle

    def memory(self) -> UInt8Column:
        """Return uint8[65536]."""
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
        self._image = np.zeros(ADDRESSES, np.uint8)
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

    @property
    def due_cycle(self) -> int:
        """Cycle from which the next is due; 0 if there is none yet."""
        return self._cycles[-1] + self._spacing_cycles if self._cycles else 0

    def add(self, state: CoreState, memory: UInt8Column) -> None:
        """Append one.

        Args:
            memory: uint8[65536].

        Raises:
            ValueError: it is not after the last.
        """
        cycle = state.registers.cycle
        if self._cycles and cycle <= self._cycles[-1]:
            raise ValueError(f"cycle {cycle:,} is not after the last, {self._cycles[-1]:,}")
        changed = np.arange(PAGES)
        pages: list[bytes] = [b""] * PAGES
        if self._kept:
            pages = list(self._kept[-1].pages)
            differs = (memory != self._image).reshape(PAGES, PAGE_BYTES)
            changed = np.flatnonzero(differs.any(axis=1))
        for page in changed.tolist():
            pages[page] = memory[page * PAGE_BYTES : (page + 1) * PAGE_BYTES].tobytes()
        self._image[:] = memory
        self._kept.append(Snapshot(state, tuple(pages)))
        self._cycles.append(cycle)
        self._bytes += _SNAPSHOT_COST_BYTES + len(changed) * _PAGE_COST_BYTES
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
            self._bytes -= _SNAPSHOT_COST_BYTES + own * _PAGE_COST_BYTES
            del kept[index], cycles[index]
            return True
