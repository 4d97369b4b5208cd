"""Searches of a run for the next or last position at which a condition holds.

How to think about it. To log every instruction takes the core five times as long as to run them. A
condition on stores, or on a byte of memory, is the same at all positions of a passage that has no
such store, and a core can run up to an address; so passages are run without the log first, and
looked at closely only if they store to the place or come to the address.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from busplay.batch import UInt64Column
from busplay.core.interface import Core, RunsToAddress
from busplay.description.full_address import address_of
from busplay.history.breakpoints import AtAddress
from busplay.history.conditions import (
    Condition,
    Piece,
    StoresIntoWindow,
    constant_hold,
    holds,
    holds_now,
    is_by_stores,
    needs_steps,
    watched_range,
)
from busplay.history.walk import NEAR_CYCLES, WIDER, ProgramWalk


def first_behind(walk: ProgramWalk, condition: Condition, end_cycle: int) -> int | None:
    """Return the first position after the present one at which a condition holds, or None.

    A value that holds already must change in between. The walk is anywhere afterwards.
    """
    cycle = walk.core.cycle
    must_end = holds_now(condition, walk.core)
    for stop_cycle in _passages(walk, condition, end_cycle):
        if _is_quick(condition, walk.core):
            constant = _constant(walk, condition, stop_cycle)
            if constant is not None and (must_end or not constant):
                must_end = constant
                continue
        for piece in _pieces(walk, condition, stop_cycle):
            held = holds(condition, piece)
            first = 0
            if must_end:
                if held.all():
                    continue
                must_end, first = False, int(np.argmin(held))
            hits = np.flatnonzero(held[first:] & (piece.cycle[first:] > cycle))
            if len(hits):
                return int(piece.cycle[first + int(hits[0])])
    return None


def _passages(walk: ProgramWalk, condition: Condition, end_cycle: int) -> Iterator[int]:
    """Return the cycles at which to stop; a condition that needs the log has one passage."""
    if not _is_quick(condition, walk.core):
        yield end_cycle
        return
    cycles = min(NEAR_CYCLES, walk.spacing_cycles)
    before = -1
    while before < walk.core.cycle < end_cycle:
        if isinstance(condition, StoresIntoWindow):
            walk.pass_over_quiet()
        before = walk.core.cycle
        yield min(end_cycle, before + cycles)
        if not needs_steps(condition, walk.board.banks):
            cycles = min(WIDER * cycles, walk.spacing_cycles)


def _pieces(walk: ProgramWalk, condition: Condition, stop_cycle: int) -> Iterator[Piece]:
    steps = needs_steps(condition, walk.board.banks)
    return walk.pieces(stop_cycle, watched_range(condition), steps=steps)


def _is_quick(condition: Condition, core: Core) -> bool:
    """Return whether a passage may be found to be of no interest without the log."""
    if isinstance(condition, AtAddress):
        return len(condition.addresses) == 1 and isinstance(core, RunsToAddress)
    return is_by_stores(condition)


def _constant(walk: ProgramWalk, condition: Condition, stop_cycle: int) -> bool | None:
    """Return what a condition is at all positions up to a cycle, and go there; or None, and stay.

    The condition is a quick one.
    """
    here = walk.place()
    constant: bool | None
    if isinstance(condition, AtAddress):
        (full,) = condition.addresses
        constant = None if walk.reaches(address_of(full), stop_cycle) else False
    else:
        begins = holds_now(condition, walk.core)
        stores, changes = walk.stores_until(stop_cycle, watched_range(condition))
        constant = constant_hold(
            condition, stores, changes, walk.core.memory_map, walk.board.banks, begins=begins
        )
    if constant is None:
        walk.put(here)
    return constant


def last_before(walk: ProgramWalk, condition: Condition) -> int | None:
    """Return the last position before the present one at which a condition holds, or None.

    A value that holds already must be another in between. The walk is anywhere afterwards.
    """
    must_end = holds_now(condition, walk.core)
    stores_by_then, begin = walk.core.counters.stores_tapped, walk.core.cycle
    if isinstance(condition, StoresIntoWindow):
        quiet = walk.snapshots.first_after_store(stores_by_then)
        begin = begin if quiet is None else min(begin, quiet.cycle)
    for stop_cycle in walk.spans_back(begin):
        stores_before = walk.core.counters.stores_tapped
        if isinstance(condition, StoresIntoWindow) and stores_before == stores_by_then:
            continue
        stores_by_then = stores_before
        if _is_quick(condition, walk.core):
            constant = _constant(walk, condition, stop_cycle)
            if constant is not None and (must_end or not constant):
                must_end = constant
                continue
        hits = _LastHits(wants_other=must_end)
        for piece in _pieces(walk, condition, stop_cycle):
            hits.add(piece.cycle, holds(condition, piece))
        found = hits.before_last_other if must_end else hits.last
        must_end = must_end and hits.last_other is None
        if found is not None:
            return found
    return None


class _LastHits:
    """The last positions at which a condition holds, found forwards.

    Attributes:
        last: the last at which it holds.
        last_other: the last at which it does not; None if that is not wanted.
        before_last_other: the last before that at which it holds.
    """

    def __init__(self, *, wants_other: bool) -> None:
        self._wants_other = wants_other
        self.last: int | None = None
        self.last_other: int | None = None
        self.before_last_other: int | None = None

    def add(self, cycle: UInt64Column, held: NDArray[np.bool_]) -> None:
        """Add the positions of a piece."""
        other = _last_true(~held) if self._wants_other else None
        if other is not None:
            self.last_other = int(cycle[other])
            earlier = _last_true(held[:other])
            self.before_last_other = self.last if earlier is None else int(cycle[earlier])
        hit = _last_true(held)
        if hit is not None:
            self.last = int(cycle[hit])


def _last_true(column: NDArray[np.bool_]) -> int | None:
    """Return the last index of True, or None."""
    if not len(column):
        return None
    from_end = int(np.argmax(column[::-1]))
    index = len(column) - 1 - from_end
    return index if column[index] else None
