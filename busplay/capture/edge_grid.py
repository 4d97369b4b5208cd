"""From symbols as they were captured to link edges: the grid of slots, and time both ways.

A capture begins anywhere in a slot, and after a loss of sync frames may lie at another place of
it. A trace has frames on the slot grid. So each frame moves to the next slot that is free;
nothing is reordered, and no frame moves by more than a slot beyond what moved before it.
"""

from __future__ import annotations

import numpy as np

from busplay.batch import UInt64Column
from busplay.capture.clock import Int64Column
from busplay.link.layout import FrameLayout


class EdgeGrid:
    """The edge at which each frame stands in a trace.

    Args:
        layout: of the link.
    """

    def __init__(self, layout: FrameLayout) -> None:
        link = layout.link
        self._grid = layout.slot_symbols if link.start == "slot" else link.edges_per_cycle
        self._step = -(-layout.slot_symbols // self._grid)
        self._next = 0
        self._jump_symbol: list[Int64Column] = [np.zeros(1, np.int64)]
        self._jump_total: list[Int64Column] = [np.zeros(1, np.int64)]
        self._jumped = 0

    @property
    def stop_edge(self) -> int:
        """Edge before which no frame to come will stand."""
        return self._next * self._grid

    def add_jumps(self, symbol: Int64Column, edges: Int64Column) -> None:
        """Count edges that passed before some symbols and of which nothing was seen."""
        if not len(symbol):
            return
        total = self._jumped + np.cumsum(edges)
        self._jumped = int(total[-1])
        self._jump_symbol.append(symbol)
        self._jump_total.append(total)

    def place(self, symbol: Int64Column) -> UInt64Column:
        """Return the edges of frames that begin with these symbols, rising, all after the last."""
        if not len(symbol):
            return np.empty(0, np.uint64)
        jumps = np.concatenate(self._jump_symbol)
        totals = np.concatenate(self._jump_total)
        passed = totals[np.searchsorted(jumps, symbol, side="right") - 1]
        # Only later symbols come, so what is before the last of these is done with.
        keep = max(0, int(np.searchsorted(jumps, symbol[-1], side="right")) - 1)
        self._jump_symbol, self._jump_total = [jumps[keep:]], [totals[keep:]]
        wanted = -(-(symbol + passed) // self._grid)
        steps = np.arange(len(symbol), dtype=np.int64) * self._step
        # The next free place, where each frame takes `step` places: a running maximum.
        free = np.maximum.accumulate(np.maximum(wanted - steps, self._next)) + steps
        self._next = int(free[-1]) + self._step
        return (free * self._grid).astype(np.uint64)

    def advance(self, symbol: int) -> None:
        """Take everything before this symbol as placed."""
        self._next = max(self._next, -(-(symbol + self._jumped) // self._grid))


class EdgeTimeTable:
    """When each edge of the trace was in the capture; keeps few points of many.

    A steady clock needs no more than its ends; where time and edges do not run alike, points
    are kept between.

    Args:
        tolerance_ps: how far a time between two points may be off.
    """

    def __init__(self, tolerance_ps: int) -> None:
        self._tolerance_ps = max(1, tolerance_ps)
        self._edge: list[Int64Column] = []
        self._time_ps: list[Int64Column] = []

    def add(self, edge: UInt64Column, time_ps: Int64Column) -> None:
        """Add frames' edges and times, rising."""
        if not len(edge):
            return
        edges = edge.astype(np.int64)
        keep = _needed(edges, time_ps, self._tolerance_ps)
        self._edge.append(edges[keep])
        self._time_ps.append(time_ps[keep])

    def at(self, edge: Int64Column) -> Int64Column:
        """Return int64[edges] ps; before the first and after the last frame by the slope there."""
        if not self._edge:
            return np.zeros(len(edge), np.int64)
        edges = np.concatenate(self._edge)
        times = np.concatenate(self._time_ps)
        if len(edges) == 1:
            return np.full(len(edge), times[0])
        right = np.clip(np.searchsorted(edges, edge, side="right"), 1, len(edges) - 1)
        left = right - 1
        width = np.maximum(edges[right] - edges[left], 1)
        # Whole parts apart, so that no product outgrows 64 bits.
        slope, rest = np.divmod(times[right] - times[left], width)
        away = edge - edges[left]
        return np.asarray(times[left] + slope * away + rest * away // width, np.int64)


def _needed(edge: Int64Column, time_ps: Int64Column, tolerance_ps: int) -> Int64Column:
    """Find which points a line through them cannot do without."""
    needed = {0, len(edge) - 1}
    open_spans = [(0, len(edge) - 1)]
    while open_spans:
        first, last = open_spans.pop()
        if last - first < 2:
            continue
        part = slice(first, last + 1)
        run = (edge[part] - edge[first]).astype(np.float64)
        line = run * (float(time_ps[last] - time_ps[first]) / max(run[-1], 1.0))
        off = np.abs((time_ps[part] - time_ps[first]) - line)
        worst = int(np.argmax(off))
        if off[worst] > tolerance_ps and 0 < worst < last - first:
            needed.add(first + worst)
            open_spans += [(first, first + worst), (first + worst, last)]
    return np.array(sorted(needed), np.int64)
