"""Faults applied to symbols: from words and idle time to runs of damaged symbols.

How to think about it. Faults hit edges. If single edges are hit, only those are visited: a hit
costs the same on an idle link and on a busy one. If a lane is faulty on every edge, every edge on
which that can show is visited: all of them if the fault changes the idle pattern, else those in
and next to slots that carry words.

Faults on an edge apply in physical order: a late lane shows the symbol before as it was sent, an
early one the symbol after (a lane that is both is late), then noise flips bits, and a stuck lane
shows its level in any case.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from busplay.batch import Int64Column, UInt64Column
from busplay.jit import kernel
from busplay.link.slot_symbols import SlotShape, idle_symbol, word_symbol

LATE, FLIPPED, STUCK, EARLY = range(4)
KINDS = 4


class EdgeHits(NamedTuple):
    """Single edges that are hit, in order, and the wires of each.

    Attributes:
        late_edge, early_edge, flip_edge: int64[hits].
        late_mask, early_mask, flip_mask: uint64[hits].
    """

    late_edge: Int64Column
    late_mask: UInt64Column
    early_edge: Int64Column
    early_mask: UInt64Column
    flip_edge: Int64Column
    flip_mask: UInt64Column


class DenseFaults(NamedTuple):
    """Wires that are faulty on every edge of a piece.

    Attributes:
        late, early, stuck: masks.
        level: the stuck wires' levels.
        changes_idle: whether the idle pattern is changed.
    """

    late: np.uint64
    early: np.uint64
    stuck: np.uint64
    level: np.uint64
    changes_idle: bool


_NONE = np.uint64(0)
NO_DENSE_FAULTS = DenseFaults(_NONE, _NONE, _NONE, _NONE, changes_idle=False)


class DamagedRuns(NamedTuple):
    """Room for what `damage` writes.

    Attributes:
        edge: int64[runs]; first edge of each run.
        first: int64[runs + 1]; index of each run's first symbol.
        symbols: unsigned[symbols].
        log_edge, log_kind: int64, uint8[entries]; the symbols changed.
    """

    edge: Int64Column
    first: Int64Column
    symbols: NDArray[np.unsignedinteger]
    log_edge: Int64Column
    log_kind: NDArray[np.uint8]


@kernel
def symbol_at(
    edge: int, slot_edge: UInt64Column, word: UInt64Column, slot: int, shape: SlotShape
) -> np.uint64:
    """Return the symbol that is sent on an edge.

    Args:
        slot: the slot that has the edge, or one of the two before it; or the first slot after it.
    """
    for near in range(slot, min(slot + 3, len(slot_edge))):
        place = edge - int(np.int64(slot_edge[near]))
        if 0 <= place < shape.slot_symbols:
            return word_symbol(word[near], place, shape)
    return idle_symbol(edge, shape)


@kernel
def _next_slot(slot: int, at: int, slot_edge: UInt64Column, shape: SlotShape) -> int:
    """Return the first slot, from one on, that ends at an edge or later.

    At the edge where it ends late lanes show its last symbol.
    """
    least = np.uint64(max(at - shape.slot_symbols, 0))
    slots = len(slot_edge)
    if slot == slots or slot_edge[slot] >= least:
        return slot
    # On a busy link the slots in between are full: skip as many as fit.
    further = int(np.int64(least - slot_edge[slot])) // shape.slot_symbols
    near = min(slot + further, slots - 1)
    if slot_edge[near] < least:
        slot = near
    step = 1
    while slot + step <= slots and slot_edge[slot + step - 1] < least:
        slot += step
        step *= 2
    # It is within the last step, or right here.
    while step > 0:
        if slot + step <= slots and slot_edge[slot + step - 1] < least:
            slot += step
        step //= 2
    return slot


@kernel
def damage(
    slot_edge: UInt64Column,
    word: UInt64Column,
    first_edge: int,
    stop_edge: int,
    before: np.uint64,
    after: np.uint64,
    dense: DenseFaults,
    hits: EdgeHits,
    shape: SlotShape,
    runs: DamagedRuns,
) -> tuple[int, int, int]:
    """Write the symbols on the edges of a stretch that are hit.

    Args:
        slot_edge, word: uint64[slots]; the words sent.
        before, after: the symbols sent on the edges next to the stretch.

    Returns:
        The counts of runs, symbols and log entries.
    """
    late = early = flip = slot = 0
    late_hits, early_hits, flip_hits = (
        len(hits.late_edge),
        len(hits.early_edge),
        len(hits.flip_edge),
    )
    zero = np.uint64(0)
    is_dense = (dense.late | dense.early | dense.stuck) != zero
    slots = len(slot_edge)
    end = first_edge - 1  # behind the last run
    run_count = symbols = logged = 0
    at = first_edge
    while True:
        # -- the next edge to look at
        following: int = stop_edge
        if late < late_hits:
            following = min(following, hits.late_edge[late])
        if early < early_hits:
            following = min(following, hits.early_edge[early])
        if flip < flip_hits:
            following = min(following, hits.flip_edge[flip])
        if dense.changes_idle:
            following = at
        elif is_dense:
            slot = _next_slot(slot, at, slot_edge, shape)
            if slot < slots:
                following = min(following, max(at, int(np.int64(slot_edge[slot])) - 1))
        at = following
        if at >= stop_edge:
            break
        slot = _next_slot(slot, at, slot_edge, shape)
        # -- what happens to it
        late_here, early_here, flip_here = dense.late, dense.early, zero
        while late < late_hits and hits.late_edge[late] == at:
            late_here |= hits.late_mask[late]
            late += 1
        while early < early_hits and hits.early_edge[early] == at:
            early_here |= hits.early_mask[early]
            early += 1
        while flip < flip_hits and hits.flip_edge[flip] == at:
            flip_here ^= hits.flip_mask[flip]
            flip += 1
        late_here &= ~dense.stuck
        early_here &= ~dense.stuck & ~late_here
        flip_here &= ~dense.stuck
        sent = symbol_at(at, slot_edge, word, slot, shape)
        value = sent
        if late_here != zero:
            previous = before
            if at > first_edge:
                previous = symbol_at(at - 1, slot_edge, word, slot, shape)
            changed = (previous ^ sent) & late_here
            value ^= changed
            if changed != zero:
                runs.log_edge[logged], runs.log_kind[logged] = at, LATE
                logged += 1
        if early_here != zero:
            behind = after
            if at + 1 < stop_edge:
                behind = symbol_at(at + 1, slot_edge, word, slot, shape)
            changed = (behind ^ sent) & early_here
            value ^= changed
            if changed != zero:
                runs.log_edge[logged], runs.log_kind[logged] = at, EARLY
                logged += 1
        if flip_here != zero:
            value ^= flip_here
            runs.log_edge[logged], runs.log_kind[logged] = at, FLIPPED
            logged += 1
        changed = (value ^ dense.level) & dense.stuck
        if changed != zero:
            value ^= changed
            runs.log_edge[logged], runs.log_kind[logged] = at, STUCK
            logged += 1
        # -- into the run that ends here, or a new one
        if at != end or run_count == 0:
            runs.edge[run_count] = at
            runs.first[run_count] = symbols
            run_count += 1
        runs.symbols[symbols] = value
        symbols += 1
        at += 1
        end = at
    runs.first[run_count] = symbols
    return run_count, symbols, logged
