"""The registers of a core over py65, as `Core` has them."""

from __future__ import annotations

from busplay.core.interface import require_in_range
from busplay.core.py65_corrected import BREAK, INTERRUPT, UNUSED, Corrected65C02, Corrected6502


class Py65Registers:
    """A processor's registers, which py65 keeps; assigned values are checked.

    Args:
        mpu: py65's processor; set to its state before a reset.
    """

    def __init__(self, mpu: Corrected6502 | Corrected65C02) -> None:
        self._mpu = mpu
        mpu.pc = 0
        mpu.sp = 0
        mpu.p = BREAK | UNUSED | INTERRUPT

    @property
    def pc(self) -> int:
        """See `Core`."""
        pc: int = self._mpu.pc
        return pc

    @pc.setter
    def pc(self, value: int) -> None:
        self._mpu.pc = require_in_range("pc", value, 0xFFFF)

    @property
    def a(self) -> int:
        """See `Core`."""
        a: int = self._mpu.a
        return a

    @a.setter
    def a(self, value: int) -> None:
        self._mpu.a = require_in_range("a", value, 0xFF)

    @property
    def x(self) -> int:
        """See `Core`."""
        x: int = self._mpu.x
        return x

    @x.setter
    def x(self, value: int) -> None:
        self._mpu.x = require_in_range("x", value, 0xFF)

    @property
    def y(self) -> int:
        """See `Core`."""
        y: int = self._mpu.y
        return y

    @y.setter
    def y(self, value: int) -> None:
        self._mpu.y = require_in_range("y", value, 0xFF)

    @property
    def s(self) -> int:
        """See `Core`."""
        s: int = self._mpu.sp
        return s

    @s.setter
    def s(self, value: int) -> None:
        self._mpu.sp = require_in_range("s", value, 0xFF)

    @property
    def p(self) -> int:
        """See `Core`."""
        p: int = self._mpu.p | BREAK | UNUSED
        return p

    @p.setter
    def p(self, value: int) -> None:
        self._mpu.p = require_in_range("p", value, 0xFF) | BREAK | UNUSED
