"""Where a program spends its cycles and its stores: a profile summed up by label.

A routine is what lies from one label up to the next, or to the end of the label's region: what is
at $8000 does not belong to a variable in the zero page because no other label lies between.
Labels that compilers make up for jumps within a routine do not begin one.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from busplay.batch import UInt64Column
from busplay.core.memory_map import ADDRESSES
from busplay.core.profile import CoreProfile
from busplay.description.board import Memory

# cc65's own labels, and local ones of several assemblers.
_LOCAL = re.compile(r"L[0-9A-F]{4}|[@.].*|__.*")

_PAGE_BYTES = 256
# Where the zero page and the stack end.
_LOW_PAGES = (0x0100, 0x0200)


@dataclass(frozen=True, slots=True)
class Routine:
    """What was counted between one label and the next.

    Attributes:
        name: the label; `$8000–$8346, no label` in a region where none lies before the code; a
            page such as `$C000–$C0FF` if there are no labels at all.
        address: where it begins.
        cycles: spent there, calls to other routines not included.
        stores: stores in windows made there.
        stores_unchanged: those of them that changed nothing in display memory.
    """

    name: str
    address: int
    cycles: int
    stores: int
    stores_unchanged: int


def sum_by_routine(
    profile: CoreProfile,
    labels: Mapping[int, tuple[str, ...]] | None = None,
    *,
    regions: Iterable[Memory] = (),
) -> tuple[Routine, ...]:
    """Sum a profile up by label, the most cycles first; routines that never ran are left out.

    Args:
        labels: address to names, as `busplay.program.labels` reads them; without any, code is
            summed up by pages of 256 bytes.
        regions: the board's memory. The zero page and the stack are regions of their own.
    """
    names = _routine_names(labels or {}, _region_starts(regions))
    starts = np.array(sorted(names), np.int64)
    cycles = _sums(profile.cycles, starts)
    stores = _sums(profile.stores, starts)
    unchanged = _sums(profile.stores_unchanged, starts)
    routines = [
        Routine(
            names[start], start, *(int(column[index]) for column in (cycles, stores, unchanged))
        )
        for index, start in enumerate(starts.tolist())
        if cycles[index]
    ]
    return tuple(sorted(routines, key=lambda routine: (-routine.cycles, routine.address)))


def _region_starts(regions: Iterable[Memory]) -> list[int]:
    starts = {0, *_LOW_PAGES}
    for region in regions:
        starts |= {region.first_address, region.last_address + 1}
    return sorted(starts - {ADDRESSES})


def _routine_names(
    labels: Mapping[int, tuple[str, ...]], region_starts: list[int]
) -> dict[int, str]:
    """Return the start of each routine and its name, from address 0 on."""
    named = {}
    for address, names in labels.items():
        global_names = [name for name in names if not _LOCAL.fullmatch(name)]
        if global_names:
            named[address] = global_names[0]
    if not named:
        return {
            page: f"${page:04X}–${page + _PAGE_BYTES - 1:04X}"
            for page in range(0, ADDRESSES, _PAGE_BYTES)
        }
    starts = sorted({*named, *region_starts})
    return {
        start: named.get(start, f"${start:04X}–${stop - 1:04X}, no label")
        for start, stop in pairwise([*starts, ADDRESSES])
    }


def _sums(column: UInt64Column, starts: np.ndarray[tuple[int], np.dtype[np.int64]]) -> UInt64Column:
    sums: UInt64Column = np.add.reduceat(column, starts)
    return sums
