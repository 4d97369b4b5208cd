"""Which code is a routine: from one label up to the next, or to the end of its region.

What is at $8000 does not belong to a variable in the zero page because no other label lies between.
Local labels, and those that compilers make up for jumps, do not begin one.
"""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from busplay.core.memory_map import ADDRESSES
from busplay.description.board import Memory
from busplay.program.label_names import Labels, routine_labels

# Where the zero page and the stack end.
_LOW_PAGES = (0x0100, 0x0200)


class Routines:
    """Names of routines by where they begin.

    Args:
        labels: the program's.
        entries: addresses that are called; where there are no labels, these begin routines, and
            their addresses are the names.
        regions: the board's memory. The zero page and the stack are regions of their own.
    """

    def __init__(
        self, labels: Labels, *, entries: Iterable[int] = (), regions: Iterable[Memory] = ()
    ) -> None:
        named = {address: names[0] for address, names in routine_labels(labels).items()}
        if not named:
            named = {address: f"${address:04X}" for address in entries}
        edges = {0, *_LOW_PAGES, *named}
        for region in regions:
            edges |= {region.first_address, region.last_address + 1}
        self._names = {
            start: named.get(start, f"${start:04X}–${stop - 1:04X}")
            for start, stop in pairwise([*sorted(edges - {ADDRESSES}), ADDRESSES])
        }

    @staticmethod
    def are_named_by(labels: Labels) -> bool:
        """Whether any label begins a routine."""
        return bool(routine_labels(labels))

    @property
    def starts(self) -> NDArray[np.int64]:
        """int64[routines], rising: where they begin; the first is 0."""
        return np.array(list(self._names), np.int64)

    def name(self, start: int) -> str:
        """Name the routine that begins at an address."""
        return self._names[start]

    def start_of(self, address: int) -> int:
        """Return where the routine that an address lies in begins."""
        return int(self.starts[np.searchsorted(self.starts, address, side="right") - 1])
