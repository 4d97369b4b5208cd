"""Frames to symbols: what the lanes carry, edge by edge.

How to think about it. A slot's symbols are an affine map of the frame's word, so they are a
template (the slot of the word 0) XOR what each byte of the word changes. Those changes are
tables, made by `FrameLayout.to_symbols`, the only place that knows the order of lanes, the
strobe and the gap. The symbols of a slot are handled as chunks, the widest unsigned type that
divides a slot: 8 symbols of up to 8 wires are one number, and a frame of 40 bits takes five
look-ups.

`spell` gives only slots that carry frames; a gap stands for idle. `expand_all` writes every
edge, for those who need the wire itself.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from busplay.batch import FrameBatch, SymbolBatch, SymbolColumn
from busplay.link.layout import FrameLayout
from busplay.sender import encoding


class SymbolExpander:
    """Spells the frames of one layout; keeps tables, nothing from call to call."""

    def __init__(self, layout: FrameLayout) -> None:
        self.layout = layout
        slot_bytes = layout.slot_symbols * layout.symbol_dtype.itemsize
        chunk_bytes = next(width for width in (8, 4, 2, 1) if slot_bytes % width == 0)
        self._chunk = np.dtype(f"u{chunk_bytes}")
        chunk_count = slot_bytes // chunk_bytes
        blank = layout.to_symbols(np.zeros(1, np.uint64)).view(self._chunk)
        self._template = blank
        pairs: list[list[tuple[int, np.ndarray[tuple[int], np.dtype[np.unsignedinteger]]]]]
        pairs = [[] for _ in range(chunk_count)]
        for shift in range(0, layout.frame_bits, 8):
            used = 1 << min(8, layout.frame_bits - shift)
            words = np.arange(used, dtype=np.uint64) << np.uint64(shift)
            changes = layout.to_symbols(words).view(self._chunk).reshape(used, chunk_count) ^ blank
            for chunk in range(chunk_count):
                if changes[:, chunk].any():
                    table = np.zeros(256, self._chunk)
                    table[:used] = changes[:, chunk]
                    pairs[chunk].append((shift, table))
        self._first_pair = np.cumsum([0] + [len(each) for each in pairs]).astype(np.int64)
        flat = [pair for each in pairs for pair in each]
        self._pair_shift = np.array([shift for shift, _ in flat], np.uint64)
        self._pair_table = np.array([table for _, table in flat], self._chunk)

    def expand(self, frames: FrameBatch, *, first_edge: int, stop_edge: int) -> SymbolBatch:
        """Spell out the slots that carry frames in a stretch of the wire.

        Args:
            frames: their slots lie wholly within the stretch.
            first_edge, stop_edge: the stretch, `stop_edge` not included; on a link whose frames
                start on the slot grid both are multiples of `slot_symbols`.

        Raises:
            ValueError: a slot is not wholly within the stretch, or the stretch is no whole
                slots of the grid.
        """
        slot = self.layout.slot_symbols
        if self.layout.link.start == "slot" and (first_edge % slot or stop_edge % slot):
            raise ValueError(f"edges {first_edge} to {stop_edge} are no whole slots of {slot}")
        if len(frames) and (
            int(frames.edge[0]) < first_edge or int(frames.edge[-1]) + slot > stop_edge
        ):
            raise ValueError(
                f"slots from edge {frames.edge[0]} to {int(frames.edge[-1]) + slot} are not"
                f" within edges {first_edge} to {stop_edge}"
            )
        chunks = np.empty(len(frames) * len(self._template), self._chunk)
        encoding.expand(
            frames.word,
            self._template,
            self._first_pair,
            self._pair_shift,
            self._pair_table,
            chunks,
        )
        symbols: SymbolColumn = chunks.view(self.layout.symbol_dtype)
        return SymbolBatch(frames.edge, symbols, first_edge, stop_edge)


@lru_cache(maxsize=16)
def _expander_for(layout: FrameLayout) -> SymbolExpander:
    return SymbolExpander(layout)


def expand(
    frames: FrameBatch, layout: FrameLayout, *, first_edge: int, stop_edge: int
) -> SymbolBatch:
    """Spell frames of a layout; see `SymbolExpander.expand`."""
    return _expander_for(layout).expand(frames, first_edge=first_edge, stop_edge=stop_edge)


def expand_all(batch: SymbolBatch, layout: FrameLayout) -> SymbolColumn:
    """Write every edge of a stretch: its slots, and the idle pattern between them.

    Returns:
        unsigned[stop_edge - first_edge] of `symbol_dtype`.
    """
    slot = layout.slot_symbols
    symbols: SymbolColumn = np.empty(batch.stop_edge - batch.first_edge, layout.symbol_dtype)
    done = min(slot, len(symbols))
    symbols[:done] = np.roll(layout.idle_symbols, -(batch.first_edge % slot))[:done]
    # Each copy doubles what is filled; with np.resize the whole took 10 times as long.
    while done < len(symbols):
        more = min(done, len(symbols) - done)
        symbols[done : done + more] = symbols[:more]
        done += more
    encoding.lay_slots(batch.edge, batch.symbols, np.uint64(batch.first_edge), slot, symbols)
    return symbols
