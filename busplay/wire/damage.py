"""Compiled loops of the wire: which idle slots a fault touches, and what it does to symbols.

How to think about it. Faults hit edges. A slot that carries a frame is spelled out already; an
idle edge that is hit lies in a gap, so the idle slot around it is spelled out first (`lay_out`,
`fill`), and `damage` then goes over the hits alone, or over every symbol where a lane is hurt
all the time.

On an edge the order is that of the copper: a late lane shows the symbol before as it was sent, an
early one the symbol behind (a lane that is both is late), then noise flips bits, and a stuck lane
shows its level whatever the others did.

Where two spelled slots overlap (an idle one in a gap shorter than a slot), the first has the
edge: so the receiver reads them, so they are damaged here.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busplay.jit import kernel

LATE, FLIPPED, STUCK, EARLY = range(4)
KINDS = 4


@kernel
def lay_out(
    slot_edges: NDArray[np.int64],
    touched: NDArray[np.int64],
    first_edge: int,
    stop_edge: int,
    slot_symbols: int,
    spells_all: bool,
    out_edge: NDArray[np.int64],
    out_source: NDArray[np.int64],
) -> int:
    """List the slots of a stretch with the idle ones that are to be spelled out.

    Args:
        slot_edges: int64[slots]; spelled slots that reach into the stretch.
        touched: int64; edges that are hit, in order.
        spells_all: spell every idle slot.
        out_edge, out_source: room; first edge of each slot, and its index or -1 for idle.

    Returns:
        How many there are.
    """
    count = 0
    hit = 0
    end = first_edge - slot_symbols
    cursor = first_edge
    for slot in range(len(slot_edges) + 1):
        stop = stop_edge
        if slot < len(slot_edges):
            stop = min(stop, slot_edges[slot])
        while cursor < stop:
            at = cursor
            if not spells_all:
                while hit < len(touched) and touched[hit] < cursor:
                    hit += 1
                if hit == len(touched) or touched[hit] >= stop:
                    break
                at = touched[hit]
            end = max(at - at % slot_symbols, end)
            out_edge[count] = end
            out_source[count] = -1
            count += 1
            end += slot_symbols
            cursor = end
        if slot < len(slot_edges):
            out_edge[count] = slot_edges[slot]
            out_source[count] = slot
            count += 1
            end = slot_edges[slot] + slot_symbols
            cursor = max(cursor, end)
    return count


@kernel
def fill(
    edge: NDArray[np.int64],
    source: NDArray[np.int64],
    symbols: NDArray[np.unsignedinteger],
    idle: NDArray[np.unsignedinteger],
    out: NDArray[np.unsignedinteger],
) -> None:
    """Write each slot's symbols: a copy of its source, or idle up to the slot behind it.

    Args:
        edge, source: as `lay_out` gave them.
        symbols: unsigned[slots * slot_symbols]; what the sources carry.
        idle: unsigned[slot_symbols]; the idle slot from a multiple of its length on.
        out: unsigned[len(edge) * slot_symbols].
    """
    slot_symbols = len(idle)
    for index in range(len(edge)):
        place = index * slot_symbols
        if source[index] >= 0:
            from_place = source[index] * slot_symbols
            for one in range(slot_symbols):
                out[place + one] = symbols[from_place + one]
            continue
        phase = edge[index] % slot_symbols
        for one in range(slot_symbols):
            out[place + one] = idle[phase]
            phase += 1
            if phase == slot_symbols:
                phase = 0
        if index + 1 < len(edge) and source[index + 1] >= 0:
            from_place = source[index + 1] * slot_symbols
            for one in range(edge[index + 1] - edge[index], slot_symbols):
                out[place + one] = symbols[from_place + one - (edge[index + 1] - edge[index])]


@kernel
def damage(
    edge: NDArray[np.int64],
    symbols: NDArray[np.unsignedinteger],
    idle: NDArray[np.unsignedinteger],
    first_edge: int,
    stop_edge: int,
    before: int,
    after: int,
    always_late: int,
    always_early: int,
    stuck_mask: int,
    stuck_level: int,
    late_edge: NDArray[np.int64],
    late_mask: NDArray[np.uint64],
    early_edge: NDArray[np.int64],
    early_mask: NDArray[np.uint64],
    flip_edge: NDArray[np.int64],
    flip_mask: NDArray[np.uint64],
    log_edge: NDArray[np.int64],
    log_kind: NDArray[np.uint8],
) -> int:
    """Damage the symbols of a stretch in their places.

    Args:
        edge, symbols: the spelled slots; symbols are changed.
        idle: unsigned[slot_symbols].
        before: the symbol that was sent on the edge before `first_edge`.
        after: the symbol that was sent on `stop_edge`.
        always_late, always_early, stuck_mask, stuck_level: wires that are hurt on every edge.
        late_edge, late_mask, early_edge, early_mask, flip_edge, flip_mask: hits of single edges, in
            order.
        log_edge, log_kind: room for what was changed, by edge and kind.

    Returns:
        How many entries the log has.
    """
    slot_symbols = len(idle)
    stuck = np.uint64(stuck_mask)
    level = np.uint64(stuck_level)
    free = ~stuck
    every = np.uint64(always_late)
    every_early = np.uint64(always_early)
    is_dense = always_late != 0 or always_early != 0 or stuck_mask != 0
    zero = np.uint64(0)
    count = 0
    late = 0
    early = 0
    flip = 0
    slot = 0
    at = np.int64(first_edge)
    kept_edge = np.int64(first_edge - 1)
    kept = np.uint64(before)
    while True:
        # -- the next edge to look at
        if not is_dense:
            following = np.int64(stop_edge)
            if late < len(late_edge):
                following = min(following, late_edge[late])
            if early < len(early_edge):
                following = min(following, early_edge[early])
            if flip < len(flip_edge):
                following = min(following, flip_edge[flip])
            at = following
        if at >= stop_edge:
            break
        while slot < len(edge) and edge[slot] + slot_symbols <= at:
            slot += 1
        if slot == len(edge):
            break
        if edge[slot] > at:
            # Only where every edge is looked at: an idle one that the fault leaves as it is.
            at = edge[slot]
            continue
        place = slot * slot_symbols + at - edge[slot]
        sent = np.uint64(symbols[place])
        late_here = every
        while late < len(late_edge) and late_edge[late] == at:
            late_here |= late_mask[late]
            late += 1
        early_here = every_early
        while early < len(early_edge) and early_edge[early] == at:
            early_here |= early_mask[early]
            early += 1
        flip_here = zero
        while flip < len(flip_edge) and flip_edge[flip] == at:
            flip_here ^= flip_mask[flip]
            flip += 1
        late_here &= free
        early_here &= free & ~late_here
        flip_here &= free
        value = sent
        if late_here != zero:
            if kept_edge == at - 1:
                previous = kept
            elif at > edge[slot] or (slot > 0 and edge[slot - 1] + slot_symbols == at):
                previous = np.uint64(symbols[place - 1])
            else:
                previous = np.uint64(idle[(at - 1) % slot_symbols])
            changed = (previous ^ sent) & late_here
            value ^= changed
            if changed != zero:
                log_edge[count] = at
                log_kind[count] = LATE
                count += 1
        if early_here != zero:
            if at + 1 == stop_edge:
                behind = np.uint64(after)
            elif at + 1 < edge[slot] + slot_symbols:
                behind = np.uint64(symbols[place + 1])
            elif slot + 1 < len(edge) and edge[slot + 1] <= at + 1:
                begun = at + 1 - edge[slot + 1]
                behind = np.uint64(symbols[(slot + 1) * slot_symbols + begun])
            else:
                behind = np.uint64(idle[(at + 1) % slot_symbols])
            changed = (behind ^ sent) & early_here
            value ^= changed
            if changed != zero:
                log_edge[count] = at
                log_kind[count] = EARLY
                count += 1
        if flip_here != zero:
            value ^= flip_here
            log_edge[count] = at
            log_kind[count] = FLIPPED
            count += 1
        changed = (value ^ level) & stuck
        if changed != zero:
            value ^= changed
            log_edge[count] = at
            log_kind[count] = STUCK
            count += 1
        kept = sent
        kept_edge = at
        symbols[place] = value
        if is_dense:
            at += 1
    return count
