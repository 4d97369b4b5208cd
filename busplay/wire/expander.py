"""Every symbol of a stretch, where the wire itself is needed."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busplay.batch import FrameBatch, SymbolColumn, UInt64Column
from busplay.jit import kernel
from busplay.link.layout import FrameLayout
from busplay.link.slot_symbols import SlotShape, slot_shape, word_symbol


def expand(
    frames: FrameBatch, layout: FrameLayout, *, first_edge: int, stop_edge: int
) -> SymbolColumn:
    """Expand frames, and the idle pattern between them, to symbols.

    Args:
        frames: their slots are within the stretch.
        first_edge, stop_edge: the stretch, `stop_edge` not included.

    Returns:
        unsigned[stop_edge - first_edge] of `symbol_dtype`.

    Raises:
        ValueError: a slot is not within the stretch.
    """
    slot = layout.slot_symbols
    if len(frames) and not first_edge <= int(frames.edge[0]) <= stop_edge - slot:
        raise ValueError(f"a slot from edge {frames.edge[0]} in {first_edge} to {stop_edge}")
    if len(frames) and int(frames.edge[-1]) > stop_edge - slot:
        raise ValueError(f"a slot from edge {frames.edge[-1]} in {first_edge} to {stop_edge}")
    symbols: SymbolColumn = np.empty(stop_edge - first_edge, layout.symbol_dtype)
    done = min(slot, len(symbols))
    symbols[:done] = np.roll(layout.idle_symbols, -(first_edge % slot))[:done]
    # Each copy doubles the part filled; np.resize took 10 times as long.
    while done < len(symbols):
        more = min(done, len(symbols) - done)
        symbols[done : done + more] = symbols[:more]
        done += more
    _lay_words(frames.edge, frames.word, first_edge, slot_shape(layout), symbols)
    return symbols


@kernel
def _lay_words(
    edge: UInt64Column,
    word: UInt64Column,
    first_edge: int,
    shape: SlotShape,
    symbols: NDArray[np.unsignedinteger],
) -> None:
    """Write each word's symbols over its slot; `symbols` begins at `first_edge`."""
    for index in range(len(edge)):
        at = np.int64(edge[index]) - first_edge
        for place in range(shape.slot_symbols):
            symbols[at + place] = word_symbol(word[index], place, shape)
