"""Which code is a routine: from one label up to the next, or to the end of its region.

What is at $8000 does not belong to a variable in the zero page because no other label lies between.
Local labels, and those that compilers make up for jumps, do not begin one.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter
from collections.abc import Iterable, Sequence
from functools import cached_property
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from busplay.description.banks import Bank
from busplay.description.board import Memory
from busplay.description.full_address import PAGE_UNIT, address_of, address_text, page_of
from busplay.program.label_names import Labels, routine_labels
from busplay.program.pages import BankedSpace

# Where the zero page and the stack end.
_LOW_PAGES = (0x0100, 0x0200)


class Routines:
    """Names of routines by where they begin, in the numbers of a `BankedSpace`.

    Each page of banked memory has routines of its own. A label without a page begins one in every
    page, up to the first label with that page.

    Args:
        labels: the program's.
        entries: full addresses that are called; where there are no labels, these begin routines,
            and their addresses are the names.
        regions: the board's memory. The zero page and the stack are regions of their own.
        banks: the board's.

    Attributes:
        space: the numbers.
    """

    def __init__(
        self,
        labels: Labels,
        *,
        entries: Iterable[int] = (),
        regions: Iterable[Memory] = (),
        banks: Sequence[Bank] = (),
    ) -> None:
        self.space = space = BankedSpace(banks)
        named = self._named(routine_labels(labels))
        if not named:
            named = {space.number(full): address_text(full) for full in entries}
        edges = {0, *_LOW_PAGES, *space.starts, *named}
        spans = [(one.first_address, one.last_address) for one in regions]
        spans += [(one.first_address, one.last_address) for one in banks]
        for first, last in spans:
            edges |= {first, last + 1}
        self._names = {}
        for start, stop in pairwise([*sorted(edges - {space.size}), space.size]):
            until = address_of(space.full(stop - 1))
            empty = f"{address_text(space.full(start))}–${until:04X}"
            self._names[start] = named.get(start, empty)

    def _named(self, labels: Labels) -> dict[int, str]:
        """Return the names of routines by where they begin, each once."""
        space, found = self.space, dict[int, str]()
        first_of_page: dict[int, int] = {}
        # Those with a page first.
        for full in sorted(labels, key=lambda one: (one < PAGE_UNIT, one)):
            places = [space.number(full)] if full >= PAGE_UNIT else space.in_every_page(full)
            for place in places:
                page = bisect_right(space.starts, place)
                if full >= PAGE_UNIT:
                    first_of_page.setdefault(page, place)
                elif page and place >= first_of_page.get(page, space.size):
                    continue
                found.setdefault(place, labels[full][0])
        counts = Counter(found.values())
        for place, name in found.items():
            if counts[name] > 1 and (page_number := page_of(space.full(place))) is not None:
                found[place] = f"{page_number}:{name}"
        return found

    @staticmethod
    def are_named_by(labels: Labels) -> bool:
        """Whether any label begins a routine."""
        return bool(routine_labels(labels))

    @cached_property
    def starts(self) -> NDArray[np.int64]:
        """int64[routines], rising: numbers of where they begin; the first is 0."""
        return np.array(list(self._names), np.int64)

    def name(self, start: int) -> str:
        """Name the routine that begins at a number."""
        return self._names[start]

    def start_of(self, number: int) -> int:
        """Return where the routine begins that a number lies in."""
        return int(self.starts[np.searchsorted(self.starts, number, side="right") - 1])
