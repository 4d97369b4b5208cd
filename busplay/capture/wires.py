"""Frames as levels on wires: the clock, the lanes and the strobe, exactly as a link says.

How to think about it. Time goes in half steps of an edge: on even ones the lanes take on the
next symbol, on odd ones comes the clock edge that samples it. So the lanes have half a step
before the edge and half a step after it. Where only one kind of edge counts, the clock goes
back on the even steps.

Times are exact: half step h is at h * 10^12 / (2 * edges in a second) ps, rounded down.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from busplay.batch import ChangeBatch, FrameBatch, SymbolColumn
from busplay.capture.lane_map import CLOCK, wires_of
from busplay.link.layout import FrameLayout
from busplay.units import PS_PER_S
from busplay.wire.expander import expand

STRETCH_EDGES = 1 << 17


@dataclass(frozen=True, slots=True, eq=False)
class SymbolStretch:
    """Symbols of a stretch of the link, one an edge, from `first_edge` on."""

    first_edge: int
    symbols: SymbolColumn

    @property
    def stop_edge(self) -> int:
        """Edge after the last."""
        return self.first_edge + len(self.symbols)


def spelled_stretches(
    frames: Iterable[FrameBatch], layout: FrameLayout, *, stop_edge: int
) -> Iterator[SymbolStretch]:
    """Spell frames out edge by edge, idle time too, a stretch at a time.

    Args:
        frames: in order, from edge 0 on.
        stop_edge: where to end at least; rounded up to a whole slot, and behind the last frame.
    """
    slot = layout.slot_symbols
    step = max(slot, STRETCH_EDGES // slot * slot)
    edge = 0
    waiting = FrameBatch.empty()
    for batch in frames:
        waiting = _joined(waiting, batch)
        while len(waiting) and int(waiting.edge[-1]) >= edge + step + slot:
            stretch, waiting, edge = _cut(waiting, layout, edge, edge + step)
            yield stretch
    last = max(stop_edge, int(waiting.edge[-1]) + slot if len(waiting) else 0)
    last = -(-last // slot) * slot
    while edge < last:
        stretch, waiting, edge = _cut(waiting, layout, edge, min(edge + step, last))
        yield stretch


def scaled(count: NDArray[np.int64], rate_hz: int) -> NDArray[np.int64]:
    """Return count / rate in ps, exact and rounded down; no product outgrows 64 bits."""
    seconds, rest = np.divmod(count, rate_hz)
    step_ps, over = divmod(PS_PER_S, rate_hz)
    return np.asarray(seconds * PS_PER_S + rest * step_ps + rest * over // rate_hz, np.int64)


def _joined(first: FrameBatch, second: FrameBatch) -> FrameBatch:
    return FrameBatch(
        np.concatenate([first.edge, second.edge]), np.concatenate([first.word, second.word])
    )


def _cut(
    frames: FrameBatch, layout: FrameLayout, first_edge: int, stop_edge: int
) -> tuple[SymbolStretch, FrameBatch, int]:
    slot = layout.slot_symbols
    count = int(np.searchsorted(frames.edge, np.uint64(stop_edge)))
    if count and int(frames.edge[count - 1]) + slot > stop_edge:
        # A frame off the grid goes on behind the stretch, so the stretch ends with it.
        stop_edge = int(frames.edge[count - 1]) + slot
    head = FrameBatch(frames.edge[:count], frames.word[:count])
    rest = FrameBatch(frames.edge[count:], frames.word[count:])
    symbols = expand(head, layout, first_edge=first_edge, stop_edge=stop_edge)
    return SymbolStretch(first_edge, symbols), rest, stop_edge


class WireDrawer:
    """Draws a link's wires: symbols in, changes out.

    Args:
        layout: of the link.
        edges_per_second: on which the lanes are sampled.

    Attributes:
        wires: names of the wires; bit i of a batch of changes is `wires[i]`.
    """

    def __init__(self, layout: FrameLayout, edges_per_second: int) -> None:
        self.layout = layout
        self.wires = wires_of(layout.link)
        self.edges_per_second = edges_per_second
        self._rate = 2 * edges_per_second
        self._edges = layout.link.edges
        self._last: int | None = None

    def half_step_ps(self, half_steps: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return the times of half steps, exact and rounded down."""
        return scaled(half_steps, self._rate)

    def edge_ps(self, edge: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return the times of clock edges."""
        return self.half_step_ps(2 * edge + 1)

    def levels(self, stretch: SymbolStretch) -> NDArray[np.uint64]:
        """Return uint64[2 * edges]: all wires from each half step on; bit 0 is the clock."""
        lanes = stretch.symbols.astype(np.uint64) << np.uint64(1)
        out = np.repeat(lanes, 2)
        if self._edges == "both":
            edge = np.arange(stretch.first_edge, stretch.stop_edge) & 1
            out[1::2] |= (edge ^ 1).astype(np.uint64)
            out[0::2] |= edge.astype(np.uint64)
        else:
            out[1 if self._edges == "rising" else 0 :: 2] |= np.uint64(1)
        return out

    def draw(self, stretch: SymbolStretch) -> ChangeBatch:
        """Draw the wires of a stretch that follows the one before."""
        level = self.levels(stretch)
        steps = np.arange(2 * stretch.first_edge, 2 * stretch.stop_edge, dtype=np.int64)
        before = np.concatenate([level[:1] if self._last is None else [np.uint64(self._last)],
                                 level[:-1]])  # fmt: skip
        keep = level != before
        if self._last is None and len(level):
            keep[0] = True
        if len(level):
            self._last = int(level[-1])
        times = self.half_step_ps(steps[keep]).astype(np.uint64)
        return ChangeBatch(times, level[keep], np.zeros(len(times), np.uint64))

    @property
    def clock_bit(self) -> int:
        """Bit of the clock."""
        return self.wires.index(CLOCK)
