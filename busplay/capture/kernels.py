"""Compiled loops over the changes of a capture: clock edges, the steady clock, symbols.

How to think about it. A capture is a list of changes: a time, and the levels from then on.
`pick_edges` gives the times at which the clock changes in the way that the link samples on.
Of a clock that runs steadily `steady_edges` gives the times at which those edges must have
been, finer than the analyser's samples. `take_symbols` walks over edges and changes together,
each once, and reads every lane at its moment.

Times are int64 picoseconds in here, so that differences may be negative; numbers of the
state arrays are int64, masks are uint64: Numba makes a float of a mixture.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

# Places in the state of `pick_edges` (int64).
CLOCK_LEVEL = 0  # -1: nothing seen yet
PENDING_PS = 1  # an edge that may turn out to be a glitch's; -1: none
PENDING_RISES = 2
LAST_ANY_PS = 3  # the last edge of either kind
LAST_ACTIVE_PS = 4  # the last edge that was given
HIGH_PS = 5  # time of whole high levels
LOW_PS = 6
HIGH_COUNT = 7
LOW_COUNT = 8
GLITCHES = 9
RISING = 10
FALLING = 11
FIRST_PS = 12  # the first edge of all
SPACINGS = 13  # regular spacings of given edges
SPACING_PS = 14  # their sum, and further down least and most
SPACING_LEAST_PS = 15
SPACING_MOST_PS = 16
EDGES_MISSING = 17
EDGES_EARLY = 18
PAUSES = 19
UNKNOWN = 20  # changes at which the clock's level was not known
PICK_STATE = 21

# What an edge's kind says: which way the clock went, or that no edge was there.
FALLS = 0
RISES = 1
RESTS = 2  # no edge: the strobe rested while the clock stood still
FILLED = 4  # added: the steady clock says that an edge was here


@njit(cache=True, nogil=True)
def pick_edges(
    time_ps: NDArray[np.uint64],
    level: NDArray[np.uint64],
    unknown: NDArray[np.uint64],
    is_last: int,
    clock_mask: np.uint64,
    inverted: int,
    both: int,
    wanted: int,
    glitch_ps: int,
    period_ps: int,
    pause_ps: int,
    state: NDArray[np.int64],
    square: NDArray[np.float64],
    out_ps: NDArray[np.int64],
    out_kind: NDArray[np.uint8],
) -> int:
    """Give the clock's edges on which the link samples, glitches left out.

    Args:
        is_last: 1 if no more changes come, so that the last edge is no glitch's.
        clock_mask: the clock's bit.
        inverted: 1 if the capture shows the clock upside down.
        both, wanted: 1 if both kinds of edge count, else the kind that does.
        glitch_ps: a level shorter than this is none; 0: every level counts.
        period_ps, pause_ps: usual spacing of edges, and from where on it is a pause; 0: not known.
        square: float64[1]; sum of squared deviations of spacings from the usual one.
        out_ps, out_kind: room for as many edges as changes, and two more.

    Returns:
        How many edges were given.
    """
    zero = np.uint64(0)
    out = np.int64(0)
    rows = len(time_ps)
    clock_level = state[CLOCK_LEVEL]
    pending = state[PENDING_PS]
    pending_rises = state[PENDING_RISES]
    last_any = state[LAST_ANY_PS]
    last_active = state[LAST_ACTIVE_PS]
    high_ps = np.int64(0)
    low_ps = np.int64(0)
    high_count = np.int64(0)
    low_count = np.int64(0)
    spacings = np.int64(0)
    deviations = np.int64(0)
    squares = np.float64(0.0)
    least = state[SPACING_LEAST_PS]
    most = state[SPACING_MOST_PS]
    rising = np.int64(0)
    falling = np.int64(0)
    many = (np.int64(3) * period_ps + 1) // 2
    few = (period_ps + 1) // 2
    for at in range(rows + 1):
        if at < rows:
            is_high = np.int64(level[at] & clock_mask != zero) ^ np.int64(inverted)
            if is_high == clock_level:
                continue
            if unknown[at] & clock_mask != zero:
                state[UNKNOWN] += 1
                continue
            is_first = clock_level < 0
            clock_level = is_high
            if is_first:
                continue
            now = np.int64(time_ps[at])
            if pending >= 0 and now - pending < glitch_ps:
                # The level lasted too short: neither of its two edges counts.
                state[GLITCHES] += 1
                pending = np.int64(-1)
                continue
            given = pending
            rises = pending_rises
            pending = now
            pending_rises = is_high
            if given < 0:
                continue
        else:
            if pending < 0:
                break
            if is_last == 0 and (rows == 0 or np.int64(time_ps[rows - 1]) - pending < glitch_ps):
                break
            given = pending
            rises = pending_rises
            pending = np.int64(-1)
        # -- an edge that is settled
        if last_any < 0:
            state[FIRST_PS] = given
        elif given - last_any < pause_ps or pause_ps == 0:
            if rises == 1:
                low_ps += given - last_any
                low_count += 1
            else:
                high_ps += given - last_any
                high_count += 1
        last_any = given
        if rises == 1:
            rising += 1
        else:
            falling += 1
        if both == 0 and rises != wanted:
            continue
        if last_active >= 0 and period_ps > 0:
            spacing = given - last_active
            if spacing < many and spacing >= few:
                deviation = spacing - period_ps
                spacings += 1
                deviations += deviation
                squares += np.float64(deviation) * np.float64(deviation)
                least = min(least, spacing)
                most = max(most, spacing)
            elif spacing >= pause_ps:
                state[PAUSES] += 1
            elif spacing >= many:
                state[EDGES_MISSING] += (2 * spacing + period_ps) // (2 * period_ps) - 1
            else:
                state[EDGES_EARLY] += 1
        last_active = given
        out_ps[out] = given
        out_kind[out] = rises
        out += 1
    state[CLOCK_LEVEL] = clock_level
    state[PENDING_PS] = pending
    state[PENDING_RISES] = pending_rises
    state[LAST_ANY_PS] = last_any
    state[LAST_ACTIVE_PS] = last_active
    state[HIGH_PS] += high_ps
    state[LOW_PS] += low_ps
    state[HIGH_COUNT] += high_count
    state[LOW_COUNT] += low_count
    state[RISING] += rising
    state[FALLING] += falling
    state[SPACINGS] += spacings
    state[SPACING_PS] += deviations
    state[SPACING_LEAST_PS] = least
    state[SPACING_MOST_PS] = most
    square[0] += squares
    return int(out)


# Places in the state of `steady_edges` (int64).
NEXT_PS = 0  # where the next edge must be, whole picoseconds
NEXT_PART = 1  # and 2**-20 of one
PERIOD = 2  # spacing of edges in 2**-20 ps
DUTY = 3  # how much later than evenly spaced falling edges come, and rising ones earlier, same
NEXT_RISES = 4
IS_RUNNING = 5
EDGES_FILLED = 6
EDGES_LEFT_OUT = 7
RESTARTS = 8
LAST_GIVEN_PS = 9
AVERAGED = 10  # edges since the clock started
MEMORY_EDGES = 11  # over how many edges differences are averaged
FOLLOWS_PERIOD = 12  # the period may wander
STEADY_STATE = 13

PART_BITS = 20
PART_MASK = (1 << 20) - 1


@njit(cache=True, nogil=True)
def steady_edges(
    seen_ps: NDArray[np.int64],
    seen_kind: NDArray[np.uint8],
    both: int,
    pause_edges: int,
    state: NDArray[np.int64],
    out_ps: NDArray[np.int64],
    out_kind: NDArray[np.uint8],
    first_seen: int,
) -> tuple[int, int]:
    """Follow a steady clock: each edge where the edges around it say that it was.

    The analyser sees an edge up to a sample late. Over many edges that evens out, so the
    estimate follows what is seen by a small share of each difference: by one in n at the n-th
    edge, which is the mean of all, until `MEMORY_EDGES`. How many that should be: at 24 MS/s on
    an 8 MHz clock the pattern of lateness repeats every three samples, and only the few parts
    per million by which the two clocks differ even it out, over thousands of edges. A clock
    that wanders by more than that has a short memory and a period that follows.

    Args:
        seen_ps, seen_kind: edges as the analyser saw them.
        both: 1 if both kinds of edge count.
        pause_edges: a gap longer than this is a pause, after which the clock starts anew.
        first_seen: from which of the seen edges to go on.

    Returns:
        How many edges were given, and how many of the seen ones are done: fewer than all
        where the room was used up.
    """
    out = np.int64(0)
    room = len(out_ps)
    at = np.int64(first_seen)
    while at < len(seen_ps):
        now = seen_ps[at]
        kind = np.int64(seen_kind[at])
        period_ps = state[PERIOD] >> PART_BITS
        if state[IS_RUNNING] == 0:
            if out >= room:
                break
            duty = state[DUTY] >> PART_BITS
            state[AVERAGED] = 0
            state[NEXT_PS] = now - (np.int64(0) if both == 0 else (-duty if kind == 1 else duty))
            state[NEXT_PART] = 0
            state[NEXT_RISES] = kind
            state[IS_RUNNING] = 1
        expected_rises = state[NEXT_RISES]
        duty = state[DUTY] >> PART_BITS
        expected = state[NEXT_PS]
        difference = now - expected
        if both == 1:
            # As far as the edge of this kind is from where its kind belongs.
            difference -= -duty if kind == 1 else duty
        steps = (2 * difference + period_ps) // (2 * period_ps)
        if both == 1 and (steps & 1) != (kind ^ expected_rises):
            # The nearest place belongs to the other kind of edge: take the next nearest.
            steps += 1 if difference > steps * period_ps else -1
        if steps < 0:
            state[EDGES_LEFT_OUT] += 1
            at += 1
            continue
        if steps > pause_edges:
            state[IS_RUNNING] = 0
            state[RESTARTS] += 1
            continue
        if out + steps + 1 > room:
            break
        for _ in range(steps):
            rises = state[NEXT_RISES]
            shift = np.int64(0) if both == 0 else (-duty if rises == 1 else duty)
            out_ps[out] = state[NEXT_PS] + shift
            out_kind[out] = rises | FILLED
            out += 1
            state[EDGES_FILLED] += 1
            if both == 1:
                state[NEXT_RISES] = rises ^ 1
            part = state[NEXT_PART] + state[PERIOD]
            state[NEXT_PS] += part >> PART_BITS
            state[NEXT_PART] = part & PART_MASK
        error = now - state[NEXT_PS]
        shift = np.int64(0)
        if both == 1:
            shift = -duty if kind == 1 else duty
            error -= shift
        averaged = state[AVERAGED]
        if averaged < state[MEMORY_EDGES]:
            averaged += 1
            state[AVERAGED] = averaged
        part = (error << PART_BITS) // averaged
        if both == 1 and averaged > 64:
            # What the two kinds of edge have apart is known from the look ahead; go on slowly.
            state[DUTY] += -(part >> 3) if kind == 1 else part >> 3
        moved = state[NEXT_PART] + part
        state[NEXT_PS] += moved >> PART_BITS
        state[NEXT_PART] = moved & PART_MASK
        if state[FOLLOWS_PERIOD] != 0 and averaged == state[MEMORY_EDGES]:
            state[PERIOD] += part // (4 * averaged)
        given = state[NEXT_PS] + shift
        if given <= state[LAST_GIVEN_PS]:
            given = state[LAST_GIVEN_PS] + 1
        state[LAST_GIVEN_PS] = given
        out_ps[out] = given
        out_kind[out] = kind
        out += 1
        if both == 1:
            state[NEXT_RISES] = kind ^ 1
        part = state[NEXT_PART] + state[PERIOD]
        state[NEXT_PS] += part >> PART_BITS
        state[NEXT_PART] = part & PART_MASK
        at += 1
    return int(out), int(at)


@njit(cache=True, nogil=True)
def insert_rests(
    time_ps: NDArray[np.uint64],
    level: NDArray[np.uint64],
    edge_ps: NDArray[np.int64],
    edge_kind: NDArray[np.uint8],
    strobe_mask: np.uint64,
    rest_level: np.uint64,
    offset_ps: int,
    least_ps: int,
    is_resting: int,
    out_ps: NDArray[np.int64],
    out_kind: NDArray[np.uint8],
) -> int:
    """Add an edge of kind RESTS where the strobe rested while the clock stood still.

    Args:
        strobe_mask, rest_level: the strobe's bit, and what it is while it rests.
        offset_ps: when the strobe is sampled, from the edge.
        least_ps: a rest shorter than this is a glitch.
        is_resting: 1 if the strobe rested when the last edge before these was sampled.

    Returns:
        How many edges there are now; the room is for twice as many.
    """
    out = np.int64(0)
    row = np.int64(0)
    rows = len(time_ps)
    resting = np.int64(is_resting)
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
                if stop < moment and stop - np.int64(time_ps[row]) >= least_ps:
                    rested_ps = np.int64(time_ps[row])
                row = later - 1
            row += 1
        rests_now = row > 0 and level[row - 1] & strobe_mask == rest_level
        if rested_ps >= 0 and resting == 0 and not rests_now:
            out_ps[out] = rested_ps - offset_ps
            out_kind[out] = RESTS
            out += 1
        out_ps[out] = edge_ps[edge]
        out_kind[out] = edge_kind[edge]
        out += 1
        resting = np.int64(rests_now)
    return int(out)


# Places in the state of `take_symbols` (int64).
ROW = 0  # the change that holds, in the rows given
LAST_MOMENT_PS = 1  # when the lanes were sampled last; below 0: never
SYMBOLS_UNKNOWN = 2
TAKE_STATE = 3

EYE_BINS = 128


@njit(cache=True, nogil=True)
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
        table_shifts, tables: uint64[bytes], uint32[bytes, 256]; which byte of a level says
            what of a symbol.
        flip: bits of inverted lanes.
        rest_symbol: what this group says of a symbol where only the strobe rested.
        joins: 1 to add the group's bits to the symbols, 0 to begin them.
        period_ps: usual spacing of edges; the eye is that wide.
        doubt_before_ps, doubt_after_ps: a change within so much before (after) a moment may
            really have been after (before) it.
        eye: int64[bytes, EYE_BINS, 256]; changes by their time from the moment, and by which
            bits of the byte changed.
        is_doubted: uint8[edges + 1]; set to 1 where the symbol is in doubt, the first for the
            symbol before these.
        symbols: unsigned[edges].
    """
    zero = np.uint64(0)
    byte_mask = np.uint64(0xFF)
    rows = len(time_ps)
    row = state[ROW]
    last = state[LAST_MOMENT_PS]
    half = period_ps // 2
    scale = np.float64(EYE_BINS) / np.float64(max(period_ps, 1))
    bytes_used = len(table_shifts)
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
            changed = (level[row] ^ level[row - 1]) & mask
            if changed == zero:
                continue
            now = np.int64(time_ps[row])
            before = moment - now
            after = now - last
            if before < doubt_before_ps:
                is_doubted[edge + 1] = 1
            if last >= 0 and after < doubt_after_ps:
                is_doubted[edge] = 1
            place = -before if last < 0 or before <= after else after
            if -half <= place < half:
                bin_index = np.int64(np.float64(place + half) * scale)
                if bin_index >= EYE_BINS:
                    bin_index = np.int64(EYE_BINS - 1)
                for byte in range(bytes_used):
                    # Counted by whole bytes; one count for each wire took three times as long.
                    eye[byte, bin_index, (changed >> table_shifts[byte]) & byte_mask] += 1
        last = moment
        symbol = flip
        for byte in range(bytes_used):
            symbol ^= tables[byte, (level[row] >> table_shifts[byte]) & byte_mask]
        if unknown[row] & mask != zero:
            state[SYMBOLS_UNKNOWN] += 1
        if joins != 0:
            symbols[edge] |= symbol
        else:
            symbols[edge] = symbol
    state[ROW] = row
    state[LAST_MOMENT_PS] = last


@njit(cache=True, nogil=True)
def _bit_number(lowest: np.uint64) -> int:
    """Give the number of the only bit that is set."""
    number = np.int64(0)
    if lowest & np.uint64(0xFFFFFFFF00000000):
        number += 32
    if lowest & np.uint64(0xFFFF0000FFFF0000):
        number += 16
    if lowest & np.uint64(0xFF00FF00FF00FF00):
        number += 8
    if lowest & np.uint64(0xF0F0F0F0F0F0F0F0):
        number += 4
    if lowest & np.uint64(0xCCCCCCCCCCCCCCCC):
        number += 2
    if lowest & np.uint64(0xAAAAAAAAAAAAAAAA):
        number += 1
    return int(number)


@njit(cache=True, nogil=True)
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


@njit(cache=True, nogil=True)
def count_glitches(
    time_ps: NDArray[np.uint64],
    level: NDArray[np.uint64],
    before: np.uint64,
    mask: np.uint64,
    glitch_ps: int,
    changed_ps: NDArray[np.int64],
    changes: NDArray[np.int64],
    glitches: NDArray[np.int64],
) -> None:
    """Count changes of each signal, and levels that were shorter than a stated time.

    Args:
        before: levels before the first row.
        mask: signals to look at.
        changed_ps, changes, glitches: int64[64]; when each signal changed last (below 0:
            never), how often, and how often too soon.
    """
    one = np.uint64(1)
    for at in range(len(time_ps)):
        changed = (level[at] ^ before) & mask
        before = level[at]
        while changed != np.uint64(0):
            lowest = changed & (~changed + one)
            signal = _bit_number(lowest)
            now = np.int64(time_ps[at])
            changes[signal] += 1
            if changed_ps[signal] >= 0 and now - changed_ps[signal] < glitch_ps:
                glitches[signal] += 1
            changed_ps[signal] = now
            changed ^= lowest
