"""The processor's registers, read from and written to the cells of the block."""

from __future__ import annotations

from busplay.core.compiled.block import Cell
from busplay.core.interface import require_in_range

CARRY, ZERO, INTERRUPT, DECIMAL, OVERFLOW, NEGATIVE = 0x01, 0x02, 0x04, 0x08, 0x40, 0x80
ALWAYS_SET = 0x30


class CellRegisters:
    """The registers of `Core`."""

    _cells: memoryview[int]

    @property
    def pc(self) -> int:
        """See `Core`."""
        return self._cells[~Cell.PC]

    @pc.setter
    def pc(self, value: int) -> None:
        self._set("pc", Cell.PC, value, highest=0xFFFF)

    @property
    def a(self) -> int:
        """See `Core`."""
        return self._cells[~Cell.A]

    @a.setter
    def a(self, value: int) -> None:
        self._set("a", Cell.A, value)

    @property
    def x(self) -> int:
        """See `Core`."""
        return self._cells[~Cell.X]

    @x.setter
    def x(self, value: int) -> None:
        self._set("x", Cell.X, value)

    @property
    def y(self) -> int:
        """See `Core`."""
        return self._cells[~Cell.Y]

    @y.setter
    def y(self, value: int) -> None:
        self._set("y", Cell.Y, value)

    @property
    def s(self) -> int:
        """See `Core`."""
        return self._cells[~Cell.S]

    @s.setter
    def s(self, value: int) -> None:
        self._set("s", Cell.S, value)

    @property
    def p(self) -> int:
        """See `Core`."""
        cells = self._cells
        nz = cells[~Cell.NZ]
        return (
            ALWAYS_SET
            | (NEGATIVE if nz & 0x8080 else 0)
            | (OVERFLOW if cells[~Cell.V] & 0x80 else 0)
            | cells[~Cell.D]
            | cells[~Cell.I]
            | (0 if nz & 0xFF else ZERO)
            | cells[~Cell.C]
        )

    @p.setter
    def p(self, value: int) -> None:
        cells = self._cells
        value = require_in_range("p", value, 0xFF)
        cells[~Cell.NZ] = (value & NEGATIVE) << 8 | (0 if value & ZERO else 1)
        cells[~Cell.V] = (value & OVERFLOW) << 1
        cells[~Cell.D] = value & DECIMAL
        cells[~Cell.I] = value & INTERRUPT
        cells[~Cell.C] = value & CARRY

    def _set(self, name: str, cell: int, value: int, *, highest: int = 0xFF) -> None:
        self._cells[~cell] = require_in_range(name, value, highest)
