"""Rows of changes to text, compiled."""

from __future__ import annotations

import numpy as np

from busplay.batch import Int64Column, UInt8Column, UInt64Column
from busplay.jit import kernel

# Places in `state` of the dump's writer.
TIME, HAS_TIME, LEVEL, UNKNOWN, HAS_ROW = 0, 1, 2, 3, 4
STATE_SIZE = 5
MAX_DIGITS = 20
_ZERO, _ONE, _X, _COMMA, _POINT, _LINE, _HASH = 48, 49, 120, 44, 46, 10, 35


@kernel
def put_number(number: np.uint64, out: UInt8Column, at: int) -> int:
    """Write a number in decimal; return the place behind it."""
    digits = 1
    limit = np.uint64(10)
    while digits < MAX_DIGITS and number >= limit:
        digits += 1
        if digits < MAX_DIGITS:
            limit *= np.uint64(10)
    for place in range(at + digits - 1, at - 1, -1):
        rest = number // np.uint64(10)
        out[place] = _ZERO + np.int64(number - rest * np.uint64(10))
        number = rest
    return at + digits


@kernel
def put_changes(
    time_ps: UInt64Column,
    level: UInt64Column,
    unknown: UInt64Column,
    text_time_ps: UInt64Column,
    text_place: Int64Column,
    text_first: Int64Column,
    text: UInt8Column,
    ids: UInt8Column,
    wires: int,
    tick_ps: np.uint64,
    state: UInt64Column,
    out: UInt8Column,
) -> int:
    """Write rows and texts as value changes, in order of time; return how many bytes.

    Args:
        time_ps, level, unknown: uint64[rows].
        text_time_ps: uint64[texts], never falling; text_place: which text variable;
            text_first: int64[texts + 1]; where each begins in `text`, escaped already.
        tick_ps: unit of the times that are written.
        ids: uint8[2 * variables]; two characters an id, 0 for one that is not there; the
            wires' first.
        state: uint64[STATE_SIZE], kept from call to call.
        out: long enough for every row to change every wire.
    """
    at = 0
    next_text = 0
    last_level, last_unknown = state[LEVEL], state[UNKNOWN]
    has_row = state[HAS_ROW] != np.uint64(0)
    for row in range(len(time_ps) + 1):
        while next_text < len(text_time_ps) and (
            row == len(time_ps) or text_time_ps[next_text] < time_ps[row]
        ):
            at = put_time(text_time_ps[next_text] // tick_ps, state, out, at)
            out[at] = 115  # 's'
            at += 1
            for place in range(text_first[next_text], text_first[next_text + 1]):
                out[at] = text[place]
                at += 1
            out[at] = 32
            at = put_id(wires + text_place[next_text], ids, out, at + 1)
            next_text += 1
        if row == len(time_ps):
            break
        at = put_time(time_ps[row] // tick_ps, state, out, at)
        differs = (level[row] ^ last_level) | (unknown[row] ^ last_unknown)
        for wire in range(wires):
            bit = np.uint64(1) << np.uint64(wire)
            if not has_row or differs & bit != np.uint64(0):
                if unknown[row] & bit != np.uint64(0):
                    out[at] = _X
                elif level[row] & bit != np.uint64(0):
                    out[at] = _ONE
                else:
                    out[at] = _ZERO
                at = put_id(wire, ids, out, at + 1)
        has_row = True
        last_level, last_unknown = level[row], unknown[row]
    state[LEVEL], state[UNKNOWN] = last_level, last_unknown
    state[HAS_ROW] = np.uint64(has_row)
    return at


@kernel
def put_time(ticks: np.uint64, state: UInt64Column, out: UInt8Column, at: int) -> int:
    """Write a time, unless it is the one written last."""
    if state[HAS_TIME] != np.uint64(0) and state[TIME] == ticks:
        return at
    state[HAS_TIME], state[TIME] = np.uint64(1), ticks
    out[at] = _HASH
    at = put_number(ticks, out, at + 1)
    out[at] = _LINE
    return at + 1


@kernel
def put_id(variable: int, ids: UInt8Column, out: UInt8Column, at: int) -> int:
    """Write an id and the end of the line."""
    out[at] = ids[2 * variable]
    at += 1
    if ids[2 * variable + 1] != 0:
        out[at] = ids[2 * variable + 1]
        at += 1
    out[at] = _LINE
    return at + 1


@kernel
def put_rows(
    time_ps: UInt64Column,
    level: UInt64Column,
    unknown: UInt64Column,
    wires: int,
    out: UInt8Column,
) -> int:
    """Write rows as CSV: seconds with twelve digits after the point, then a cell a wire."""
    at = 0
    trillion = np.uint64(10**12)
    for row in range(len(time_ps)):
        seconds = time_ps[row] // trillion
        at = put_number(seconds, out, at)
        out[at] = _POINT
        rest = time_ps[row] - seconds * trillion
        for place in range(at + 12, at, -1):
            shorter = rest // np.uint64(10)
            out[place] = _ZERO + np.int64(rest - shorter * np.uint64(10))
            rest = shorter
        at += 13
        for wire in range(wires):
            bit = np.uint64(1) << np.uint64(wire)
            out[at] = _COMMA
            if unknown[row] & bit != np.uint64(0):
                out[at + 1] = _X
            elif level[row] & bit != np.uint64(0):
                out[at + 1] = _ONE
            else:
                out[at + 1] = _ZERO
            at += 2
        out[at] = _LINE
        at += 1
    return at
