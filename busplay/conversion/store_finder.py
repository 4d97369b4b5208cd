"""From frames back to the stores that made them, by a board's windows."""

from __future__ import annotations

import numpy as np

from busplay.batch import FrameBatch, StoreBatch, UInt64Column
from busplay.description.link import SPACE_MEMORY, SPACE_REGISTERS
from busplay.link.layout import FrameLayout
from busplay.trace.header import TraceHeader


class StoreFinder:
    """Turns frames back to stores, by the board's windows.

    Args:
        header: of the trace; it has a board.

    Attributes:
        found, left_out: frames that a window explains, and those that none does.
    """

    def __init__(self, header: TraceHeader) -> None:
        if header.board is None:
            raise ValueError("a header with a board is needed")
        self._header = header
        self._layout = FrameLayout(header.link)
        self._board = header.board
        self.found = self.left_out = 0

    def stores(self, frames: FrameBatch) -> StoreBatch:
        """Return the stores of some frames."""
        layout, board = self._layout, self._board
        words = frames.word
        right = layout.is_valid(words) & ~layout.is_idle(words)
        space = self._field("space", words, SPACE_MEMORY)
        number = board.units[0].number if len(board.units) == 1 else 0
        unit = self._field("unit", words, number)
        offset = layout.unpack_field(words, "address").astype(np.int64)
        address = np.full(len(words), -1, np.int64)
        for window in reversed(board.windows):
            length = window.last_address - window.first_address
            away = offset - window.first_offset
            numbers = {"memory": SPACE_MEMORY, "registers": SPACE_REGISTERS}
            fits = (
                (space == np.uint64(numbers[window.space]))
                & (unit == np.uint64(board.unit_named(window.unit).number))
                & (away >= 0)
                & (away <= length)
            )
            address = np.where(fits, window.first_address + away, address)
        keep = right & (address >= 0)
        self.found += int(np.count_nonzero(keep))
        self.left_out += int(np.count_nonzero(~keep))
        data = layout.unpack_field(words, "data")[keep].astype(np.uint8)
        edges = frames.edge[keep].tolist()
        cycle = [max(0, self._header.cycles_at(edge) - 1) for edge in edges]
        return StoreBatch(np.array(cycle, np.uint64), address[keep].astype(np.uint16), data)

    def _field(self, name: str, words: UInt64Column, otherwise: int) -> UInt64Column:
        if self._header.link.field_named(name) is None:
            return np.full(len(words), otherwise, np.uint64)
        return self._layout.unpack_field(words, name)
