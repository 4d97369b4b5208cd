"""Compiled loops over changes and edges: symbols, jumps, glitches.

How to think about it. A capture is a list of changes: a time, and the levels from then on.
`take_symbols` walks over edges and changes together, each once, and reads every lane at its
moment.

Times are int64 picoseconds in here, so that differences may be negative; numbers of the
state arrays are int64, masks are uint64: Numba makes a float of a mixture.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busplay.jit import kernel
from busplay.jit.bits import trailing_zeros

# The kind of an edge that is none: the strobe rested while the clock stood still. Other kinds
# are in `edges.kernels`.
RESTS = 2


@kernel
def insert_rests(
    time_ps: NDArray[np.uint64],
    level: NDArray[np.uint64],
    edge_ps: NDArray[np.int64],
    edge_kind: NDArray[np.uint8],
    strobe_mask: np.uint64,
    rest_level: np.uint64,
    offset_ps: int,
    least_ps: int,
    frame_symbols: int,
    held_edges: int,
    out_ps: NDArray[np.int64],
    out_kind: NDArray[np.uint8],
) -> tuple[int, int, int]:
    """Add an edge of kind RESTS where the strobe rested while the clock stood still.

    Args:
        strobe_mask, rest_level: the strobe's bit, and what it is while it rests.
        offset_ps: when the strobe is sampled, from the edge.
        least_ps: a rest shorter than this is a glitch, unless a whole frame has come.
        frame_symbols: of a frame.
        held_edges: edges since the strobe last rested; 0: it rested on the last one; below 0:
            it has not been seen to rest.

    Returns:
        How many edges there are now, the room is for twice as many; `held_edges` for those
        that come; and how many came while the strobe was held for more than a frame.
    """
    out = np.int64(0)
    row = np.int64(0)
    rows = len(time_ps)
    held = np.int64(held_edges)
    beyond = np.int64(0)
    # Levels before the first row are not known here; the caller gives rows from before.
    for edge in range(len(edge_ps)):
        moment = edge_ps[edge] + offset_ps
        rested_ps = np.int64(-1)
        while row < rows and np.int64(time_ps[row]) <= moment:
            if level[row] & strobe_mask == rest_level:
                stop = moment
                # The rest goes on over rows in which another signal changes.
                later = row + 1
                while later < rows and np.int64(time_ps[later]) <= moment:
                    if level[later] & strobe_mask != rest_level:
                        stop = np.int64(time_ps[later])
                        break
                    later += 1
                is_between = held > 0 and held % frame_symbols == 0
                if stop < moment and (is_between or stop - np.int64(time_ps[row]) >= least_ps):
                    rested_ps = np.int64(time_ps[row])
                row = later - 1
            row += 1
        rests_now = row > 0 and level[row - 1] & strobe_mask == rest_level
        if rested_ps >= 0 and held != 0 and not rests_now:
            out_ps[out] = rested_ps - offset_ps
            out_kind[out] = RESTS
            out += 1
            held = np.int64(0)
        out_ps[out] = edge_ps[edge]
        out_kind[out] = edge_kind[edge]
        out += 1
        if rests_now:
            held = np.int64(0)
        elif held >= 0:
            held += 1
            beyond += np.int64(held > frame_symbols)
    return int(out), int(held), int(beyond)


# Places in the state of `take_symbols` (int64).
ROW = 0  # the change that holds, in the rows given
LAST_MOMENT_PS = 1  # when the lanes were sampled last; below 0: never
SYMBOLS_UNKNOWN = 2
TAKE_STATE = 3

# An eye reaches from a period before the moment to a period after it.
EYE_BINS = 256


@kernel
def take_symbols(
    time_ps: NDArray[np.uint64],
    level: NDArray[np.uint64],
    unknown: NDArray[np.uint64],
    edge_ps: NDArray[np.int64],
    edge_kind: NDArray[np.uint8],
    offset_ps: int,
    mask: np.uint64,
    table_shifts: NDArray[np.uint64],
    tables: NDArray[np.uint32],
    flip: np.uint32,
    rest_symbol: np.uint32,
    joins: int,
    period_ps: int,
    doubt_before_ps: int,
    doubt_after_ps: int,
    eye: NDArray[np.int64],
    state: NDArray[np.int64],
    is_doubted: NDArray[np.uint8],
    symbols: NDArray[np.unsignedinteger],
) -> None:
    """Read the lanes of one group at every edge.

    Args:
        time_ps, level, unknown: changes; the first one holds at the first edge's moment.
        edge_ps, edge_kind: all of their moments lie before the last row's time, or the
            capture ends with it.
        offset_ps: when the lanes are read, from the edge.
        mask: bits of the group's signals.
        table_shifts, tables: uint64[bytes], uint32[bytes, 256]; what each byte of a level adds to a
            symbol.
        flip: bits of inverted lanes.
        rest_symbol: this group's part of a symbol where only the strobe rested.
        joins: 1 to add the group's bits to the symbols, 0 to begin them.
        period_ps: usual spacing of edges; the eye is twice as wide.
        doubt_before_ps, doubt_after_ps: a change within so much before (after) a moment may
            really have been after (before) it.
        eye: int64[bytes, EYE_BINS, 256]; changes by their time from the moment behind them
            and from the one before, and by which bits of the byte changed.
        is_doubted: uint8[edges + 1]; set to 1 where the symbol is in doubt, the first for the
            symbol before these.
        symbols: unsigned[edges].
    """
    zero = np.uint64(0)
    byte_mask = np.uint64(0xFF)
    rows = len(time_ps)
    row = state[ROW]
    last = state[LAST_MOMENT_PS]
    middle = np.int64(EYE_BINS // 2)
    scale = np.float64(middle) / np.float64(max(period_ps, 1))
    bytes_used = len(table_shifts)
    first_shift = table_shifts[0]
    held = level[row]
    for edge in range(len(edge_ps)):
        if edge_kind[edge] == RESTS:
            if joins != 0:
                symbols[edge] |= rest_symbol
            else:
                symbols[edge] = rest_symbol
            continue
        moment = edge_ps[edge] + offset_ps
        while row + 1 < rows and np.int64(time_ps[row + 1]) <= moment:
            row += 1
            changed = (level[row] ^ held) & mask
            held = level[row]
            if changed == zero:
                continue
            now = np.int64(time_ps[row])
            before = moment - now
            after = now - last
            if before < doubt_before_ps:
                is_doubted[edge + 1] = 1
            if last >= 0 and after < doubt_after_ps:
                is_doubted[edge] = 1
            # Counted by whole bytes; one count for each wire took three times as long.
            if before < period_ps:
                # At the moment itself is just before it: the first bin below the middle.
                at = np.uint64(middle - 1 - np.int64(np.float64(before) * scale))
                eye[0, at, (changed >> first_shift) & byte_mask] += 1
                for byte in range(1, bytes_used):
                    eye[byte, at, (changed >> table_shifts[byte]) & byte_mask] += 1
            if last >= 0 and after < period_ps:
                at = np.uint64(middle + np.int64(np.float64(after) * scale))
                eye[0, at, (changed >> first_shift) & byte_mask] += 1
                for byte in range(1, bytes_used):
                    eye[byte, at, (changed >> table_shifts[byte]) & byte_mask] += 1
        last = moment
        symbol = flip ^ tables[0, (held >> first_shift) & byte_mask]
        for byte in range(1, bytes_used):
            symbol ^= tables[byte, (held >> table_shifts[byte]) & byte_mask]
        if unknown[row] & mask != zero:
            state[SYMBOLS_UNKNOWN] += 1
        if joins != 0:
            symbols[edge] |= symbol
        else:
            symbols[edge] = symbol
    state[ROW] = row
    state[LAST_MOMENT_PS] = last


@kernel
def find_jumps(
    edge_ps: NDArray[np.int64],
    edge_kind: NDArray[np.uint8],
    last_ps: int,
    period_ps: int,
    out_index: NDArray[np.int64],
    out_edges: NDArray[np.int64],
    out_gap_ps: NDArray[np.int64],
) -> int:
    """Find where more than one and a half periods lie between edges, and how many edges fit.

    Args:
        last_ps: the edge before these; below 0: none.

    Returns:
        How many places were found: index of the edge behind the gap, edges that fit into the
        gap beyond those given, the gap itself.
    """
    out = np.int64(0)
    last = np.int64(last_ps)
    rests = np.int64(0)
    for edge in range(len(edge_ps)):
        if edge_kind[edge] == RESTS:
            rests += 1
            continue
        now = edge_ps[edge]
        if last >= 0 and 2 * (now - last) >= 3 * period_ps:
            fit = (2 * (now - last) + period_ps) // (2 * period_ps) - 1 - rests
            if fit > 0:
                out_index[out] = edge
                out_edges[out] = fit
                out_gap_ps[out] = now - last
                out += 1
        last = now
        rests = np.int64(0)
    return int(out)


@kernel
def count_glitches(
    time_ps: NDArray[np.uint64],
    level: NDArray[np.uint64],
    before: np.uint64,
    mask: np.uint64,
    shifts: NDArray[np.uint64],
    glitch_ps: int,
    changed_ps: NDArray[np.int64],
    changes: NDArray[np.int64],
    glitches: NDArray[np.int64],
) -> None:
    """Count changes of each signal, and levels that were shorter than a stated time.

    Only where rows are closer together than a glitch is long can there be one, so the rows
    before are looked at there and nowhere else.

    Args:
        before: levels before the first row.
        mask: signals to look at.
        shifts: uint64[bytes]; bytes of a level that have any of them.
        changed_ps: int64[64]; when each signal changed last, where that is less than a glitch
            before the last row (else any earlier time; below 0: never).
        changes: int64[bytes, 256]; rows by which bits of the byte changed.
        glitches: int64[64]; how often each signal changed too soon.
    """
    zero = np.uint64(0)
    byte_mask = np.uint64(0xFF)
    rows = len(time_ps)
    if rows == 0:
        return
    bytes_used = len(shifts)
    first_shift = shifts[0]
    earlier = before
    then = time_ps[0]
    close = np.uint64(glitch_ps)
    are_close = np.int64(0)
    for at in range(rows):
        changed = (level[at] ^ earlier) & mask
        earlier = level[at]
        changes[0, (changed >> first_shift) & byte_mask] += 1
        for byte in range(1, bytes_used):
            changes[byte, (changed >> shifts[byte]) & byte_mask] += 1
        are_close += np.int64(time_ps[at] - then < close)
        then = time_ps[at]
    # The first row is always that close to itself; what came before the rows is asked below.
    first = np.int64(time_ps[0])
    for signal in range(len(changed_ps)):
        are_close += np.int64(changed_ps[signal] >= 0 and first - changed_ps[signal] < glitch_ps)
    if are_close > 1:
        _find_glitches(time_ps, level, before, mask, glitch_ps, changed_ps, glitches)
    left = mask
    at = rows - 1
    while at >= 0 and np.int64(time_ps[rows - 1] - time_ps[at]) < glitch_ps:
        moved = (level[at] ^ (level[at - 1] if at > 0 else before)) & left
        left &= ~moved
        while moved != zero:
            changed_ps[trailing_zeros(moved)] = np.int64(time_ps[at])
            moved &= moved - np.uint64(1)
        at -= 1


@kernel
def _find_glitches(
    time_ps: NDArray[np.uint64],
    level: NDArray[np.uint64],
    before: np.uint64,
    mask: np.uint64,
    glitch_ps: int,
    changed_ps: NDArray[np.int64],
    glitches: NDArray[np.int64],
) -> None:
    """Count changes that come less than a glitch after the same signal's last change."""
    zero = np.uint64(0)
    earlier = before
    for at in range(len(time_ps)):
        changed = (level[at] ^ earlier) & mask
        earlier = level[at]
        now = np.int64(time_ps[at])
        if at > 0 and now - np.int64(time_ps[at - 1]) >= glitch_ps:
            continue
        back = at - 1
        while back >= 0 and changed != zero and now - np.int64(time_ps[back]) < glitch_ps:
            moved = level[back] ^ (level[back - 1] if back > 0 else before)
            _add_bits(changed & moved, glitches)
            changed &= ~moved
            back -= 1
        if back < 0:
            while changed != zero:
                signal = trailing_zeros(changed)
                changed &= changed - np.uint64(1)
                if changed_ps[signal] >= 0 and now - changed_ps[signal] < glitch_ps:
                    glitches[signal] += 1


@kernel
def _add_bits(bits: np.uint64, counts: NDArray[np.int64]) -> None:
    """Add one to the count of each bit that is set."""
    while bits != np.uint64(0):
        counts[trailing_zeros(bits)] += 1
        bits &= bits - np.uint64(1)
