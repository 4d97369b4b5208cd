"""Where a program spends its cycles and its stores: a profile summed up by label.

A routine is what lies from one label up to the next. Labels that compilers make up for jumps
within a routine do not begin one.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from busplay.batch import UInt64Column
from busplay.core.profile import CoreProfile

# cc65's own labels, and local ones of several assemblers.
_LOCAL = re.compile(r"L[0-9A-F]{4}|[@.].*|__.*")

_PAGE_BYTES = 256


@dataclass(frozen=True, slots=True)
class Routine:
    """What was counted between one label and the next.

    Attributes:
        name: the label; a page such as `$C000-$C0FF` where no label lies before the code.
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
    profile: CoreProfile, labels: Mapping[int, tuple[str, ...]] | None = None
) -> tuple[Routine, ...]:
    """Sum a profile up by label, the most cycles first; routines that never ran are left out.

    Args:
        labels: address to names, as `busplay.program.labels` reads them. Code before the first
            of them, or all of it if there are none, is summed up by pages of 256 bytes.
    """
    names = _routine_names(labels or {})
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


def _routine_names(labels: Mapping[int, tuple[str, ...]]) -> dict[int, str]:
    """Return the start of each routine and its name, from address 0 on."""
    named = {}
    for address, names in labels.items():
        global_names = [name for name in names if not _LOCAL.fullmatch(name)]
        if global_names:
            named[address] = global_names[0]
    first = min(named, default=0x10000)
    pages = {
        page: f"${page:04X}-${min(page + _PAGE_BYTES, first) - 1:04X}"
        for page in range(0, first, _PAGE_BYTES)
    }
    return pages | named


def _sums(column: UInt64Column, starts: np.ndarray[tuple[int], np.dtype[np.int64]]) -> UInt64Column:
    sums: UInt64Column = np.add.reduceat(column, starts)
    return sums
