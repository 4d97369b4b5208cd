"""Symbols from a capture, slowly: look up every wire at every time, one by one.

Written from the words alone: an edge is where the clock's level differs from before; a lane's
level at a time is that of the last change up to it.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

Row = tuple[int, int]  # time in ps, levels


def level_at(rows: Sequence[Row], time_ps: int, bit: int) -> int:
    """Return a wire's level at a time; before the first row that of the first row."""
    level = rows[0][1]
    for when, levels in rows:
        if when > time_ps:
            break
        level = levels
    return level >> bit & 1


def clock_edges(rows: Sequence[Row], bit: int, edges: str, *, inverted: bool) -> list[int]:
    """Return the times at which the clock changes in the way that counts."""
    found = []
    last = None
    for when, levels in rows:
        level = (levels >> bit & 1) ^ inverted
        if last is not None and level != last:
            rises = level == 1
            if edges == "both" or rises == (edges == "rising"):
                found.append(when)
        last = level
    return found


def without_glitches(rows: Sequence[Row], bit: int, glitch_ps: int) -> list[Row]:
    """Remove levels of one wire that last less than a time, with both edges."""
    moves = []
    last = rows[0][1] >> bit & 1
    for when, levels in rows:
        level = levels >> bit & 1
        if level != last:
            moves.append(when)
        last = level
    kept: list[int] = []
    for when in moves:
        if kept and when - kept[-1] < glitch_ps:
            kept.pop()
        else:
            kept.append(when)
    out = []
    level = rows[0][1] >> bit & 1
    times = {when for when, _ in rows} | set(kept)
    for when in sorted(times):
        if when in kept:
            level ^= 1
        others = rows[0][1]
        for at, levels in rows:
            if at <= when:
                others = levels
        out.append((when, others & ~(1 << bit) | level << bit))
    return out


def symbols(
    rows: Sequence[Row],
    *,
    clock: int,
    edges: str,
    lanes: Sequence[tuple[int, bool, int]],
    clock_inverted: bool = False,
) -> list[int]:
    """Return one symbol an edge.

    Args:
        lanes: for each bit of a symbol, lowest first: the wire's bit, whether it is inverted,
            and when it is read, from the edge.
    """
    out = []
    for edge in clock_edges(rows, clock, edges, inverted=clock_inverted):
        symbol = 0
        for place, (bit, inverted, offset_ps) in enumerate(lanes):
            symbol |= (level_at(rows, edge + offset_ps, bit) ^ inverted) << place
        out.append(symbol)
    return out


def changes_and_glitches(rows: Sequence[Row], bit: int, glitch_ps: int) -> tuple[int, int]:
    """Count a wire's changes, and those that come sooner than a time after the one before."""
    moves = [when for (_, before), (when, after) in pairwise(rows) if (before ^ after) >> bit & 1]
    short = [b - a for a, b in pairwise(moves) if b - a < glitch_ps]
    return len(moves), len(short)
