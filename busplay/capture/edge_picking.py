"""Compiled loops over a clock's changes: its edges as seen, and as a steady clock has them.

How to think about it. `pick_edges` gives the times at which the clock changes in the way that
the link samples on; a level that is too short is a glitch, known only once it has ended, so
one edge always waits. Of a clock that runs steadily `steady_edges` gives the times at which
those edges must have been, finer than the analyser's samples.

Times are int64 picoseconds in here, so that differences may be negative; numbers of the
state arrays are int64, masks are uint64: Numba makes a float of a mixture.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busplay.jit import kernel

# Places in the state of `pick_edges` (int64).
CLOCK_LEVEL = 0  # -1: nothing seen yet
PENDING_PS = 1  # an edge that may turn out to be a glitch's; -1: none
PENDING_RISES = 2
LAST_ANY_PS = 3  # the last edge of either kind
LAST_ACTIVE_PS = 4  # the last edge that was returned
HIGH_PS = 5  # time of whole high levels
LOW_PS = 6
HIGH_COUNT = 7
LOW_COUNT = 8
GLITCHES = 9
RISING = 10
FALLING = 11
FIRST_PS = 12  # the first edge of all
SPACINGS = 13  # regular spacings of returned edges
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
# 2 stands for no edge at all: `busplay.capture.sampled_symbols.RESTS`.
FILLED = 4  # added: the steady clock says that an edge was here


@kernel
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
    """Return the clock's edges on which the link samples, glitches left out.

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
        How many edges are returned.
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

# The memory of a steady clock is a power of two: dividing by it is a shift.
LONG_MEMORY_BITS = 15
LONG_MEMORY = 1 << LONG_MEMORY_BITS
PART_BITS = 20
PART_MASK = (1 << 20) - 1


@kernel
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
        How many edges are returned, and how many of the seen ones are done: fewer than all
        where the room was used up.
    """
    out = np.int64(0)
    room = len(out_ps)
    at = np.int64(first_seen)
    # In variables of their own: after a write to the array the compiler would reload them.
    next_ps = state[NEXT_PS]
    next_part = state[NEXT_PART]
    period = state[PERIOD]
    duty_parts = state[DUTY]
    next_rises = state[NEXT_RISES]
    is_running = state[IS_RUNNING]
    averaged = state[AVERAGED]
    memory = state[MEMORY_EDGES]
    follows = state[FOLLOWS_PERIOD]
    last_given = state[LAST_GIVEN_PS]
    filled = np.int64(0)
    left_out = np.int64(0)
    while at < len(seen_ps):
        now = seen_ps[at]
        kind = np.int64(seen_kind[at])
        period_ps = period >> PART_BITS
        duty = duty_parts >> PART_BITS
        shift = np.int64(0)
        if both == 1:
            shift = -duty if kind == 1 else duty
        if is_running == 0:
            if out >= room:
                break
            averaged = np.int64(0)
            next_ps = now - shift
            next_part = np.int64(0)
            next_rises = kind
            is_running = np.int64(1)
        # As far as the edge of this kind is from where its kind belongs.
        difference = now - next_ps - shift
        # Nearly always the edge is where it should be; a division would take as long as the rest.
        steps = np.int64(0)
        if 2 * difference >= period_ps or 2 * difference < -period_ps:
            steps = (2 * difference + period_ps) // (2 * period_ps)
        if both == 1 and (steps & 1) != (kind ^ next_rises):
            # The nearest place belongs to the other kind of edge: take the next nearest.
            steps += 1 if difference > steps * period_ps else -1
        if steps < 0:
            left_out += 1
            at += 1
            continue
        if steps > pause_edges:
            is_running = np.int64(0)
            state[RESTARTS] += 1
            continue
        if out + steps + 1 > room:
            break
        for _ in range(steps):
            gone = np.int64(0)
            if both == 1:
                gone = -duty if next_rises == 1 else duty
            out_ps[out] = next_ps + gone
            out_kind[out] = next_rises | FILLED
            out += 1
            filled += 1
            if both == 1:
                next_rises ^= 1
            part = next_part + period
            next_ps += part >> PART_BITS
            next_part = part & PART_MASK
        error = now - next_ps - shift
        if averaged < memory:
            averaged += 1
        if averaged == LONG_MEMORY:
            part = (error << PART_BITS) >> LONG_MEMORY_BITS
        else:
            part = (error << PART_BITS) // averaged
        if both == 1 and averaged > 64:
            # The duty is known from the look ahead; it changes slowly from there.
            duty_parts += -(part >> 3) if kind == 1 else part >> 3
        moved = next_part + part
        next_ps += moved >> PART_BITS
        next_part = moved & PART_MASK
        if follows != 0 and averaged == memory:
            period += part // (4 * averaged)
        given = next_ps + shift
        if given <= last_given:
            given = last_given + 1
        last_given = given
        out_ps[out] = given
        out_kind[out] = kind
        out += 1
        if both == 1:
            next_rises = kind ^ 1
        part = next_part + period
        next_ps += part >> PART_BITS
        next_part = part & PART_MASK
        at += 1
    state[NEXT_PS] = next_ps
    state[NEXT_PART] = next_part
    state[PERIOD] = period
    state[DUTY] = duty_parts
    state[NEXT_RISES] = next_rises
    state[IS_RUNNING] = is_running
    state[AVERAGED] = averaged
    state[LAST_GIVEN_PS] = last_given
    state[EDGES_FILLED] += filled
    state[EDGES_LEFT_OUT] += left_out
    return int(out), int(at)


@kernel
def fit_even(
    number: NDArray[np.int64], time_ps: NDArray[np.int64], kind: NDArray[np.uint8], both: int
) -> tuple[float, float, float, float]:
    """Fit an even clock to its edges by least squares.

    Args:
        number: of each edge on the grid, from any start.
        time_ps, kind: when it was seen, and which way it went.
        both: 1 if both kinds of edge count, so that the clock may have a duty.

    Returns:
        time of edge number 0 in ps since the first edge, the spacing, by how much falling edges
        come late and rising ones early, and how far apart the differences from that lie.
    """
    count = len(number)
    x_mean = 0.0
    y_mean = 0.0
    s_mean = 0.0
    for at in range(count):
        x_mean += number[at]
        y_mean += time_ps[at] - time_ps[0]
        if both == 1:
            s_mean += -1.0 if kind[at] == RISES else 1.0
    x_mean /= count
    y_mean /= count
    s_mean /= count
    xx = 0.0
    xs = 0.0
    ss = 0.0
    xy = 0.0
    sy = 0.0
    for at in range(count):
        x = number[at] - x_mean
        y = (time_ps[at] - time_ps[0]) - y_mean
        xx += x * x
        xy += x * y
        if both == 1:
            s = (-1.0 if kind[at] == RISES else 1.0) - s_mean
            xs += x * s
            ss += s * s
            sy += s * y
    period = xy / xx if xx > 0.0 else 0.0
    duty = 0.0
    determinant = xx * ss - xs * xs
    if determinant > 0.0:
        period = (xy * ss - sy * xs) / determinant
        duty = (sy * xx - xy * xs) / determinant
    begin = y_mean - period * x_mean - duty * s_mean
    least = 0.0
    most = 0.0
    for at in range(count):
        fitted = begin + period * number[at]
        if both == 1:
            fitted += -duty if kind[at] == RISES else duty
        off = (time_ps[at] - time_ps[0]) - fitted
        if at == 0 or off < least:
            least = off
        if at == 0 or off > most:
            most = off
    return begin, period, duty, most - least
