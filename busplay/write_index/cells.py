"""The cells of a board: the bytes of its units' memories and their registers, numbered."""

from __future__ import annotations

import numpy as np

from busplay.batch import Int64Column
from busplay.description.board import Board, Space
from busplay.display.registers import register_count
from busplay.link.layout import FrameLayout

CELLS_MAX = 1 << 17


class Cells:
    """The cells of each unit's memory and registers.

    Unit by unit in the board's order: its memory, as far as the address field reaches, then its
    registers. If that makes more than 131,072 cells, a cell is 2, 4 or more adjacent bytes of
    memory.

    Attributes:
        count: cells of all units.
        shift: a cell of memory is 2**shift bytes.
        memory_first, register_first: int64[units]; first cell of each unit's memory, registers.
    """

    def __init__(self, board: Board, layout: FrameLayout) -> None:
        units = board.units
        reach = 1 << len(layout.bit_places("address"))
        used = [min(unit.memory_bytes, reach) for unit in units]
        registers = [register_count(unit) for unit in units]
        self.shift = 0
        while sum(-(-one >> self.shift) for one in used) + sum(registers) > CELLS_MAX:
            self.shift += 1
        self._index = {unit.name: index for index, unit in enumerate(units)}
        sizes = [-(-one >> self.shift) for one in used]
        pairs = zip(sizes, registers, strict=True)
        stops = np.cumsum([0, *(one for pair in pairs for one in pair)], dtype=np.int64)
        self.memory_first: Int64Column = stops[:-1:2].copy()
        self.register_first: Int64Column = stops[1::2].copy()
        self.count = int(stops[-1])
        self._used, self._registers = used, registers

    def of_range(self, unit: str, space: Space, first: int, stop: int) -> tuple[int, int]:
        """Return first and stop of the cells of a range of offsets.

        Offsets that no frame can reach, or without a register, have no cell.
        """
        index = self._index[unit]
        if space == "registers":
            start = int(self.register_first[index])
            registers = self._registers[index]
            return start + min(first, registers), start + min(stop, registers)
        start, most = int(self.memory_first[index]), self._used[index]
        first, stop = min(first, most), min(stop, most)
        if first >= stop:
            return start, start
        return start + (first >> self.shift), start + (stop - 1 >> self.shift) + 1
