"""Breakpoints, to which a program runs forwards or backwards."""

from __future__ import annotations

from collections.abc import Set
from dataclasses import dataclass
from typing import Literal

RegisterName = Literal["a", "x", "y", "s", "p"]
REGISTER_NAMES: tuple[RegisterName, ...] = ("a", "x", "y", "s", "p")


@dataclass(frozen=True, slots=True)
class AtAddress:
    """An instruction at one of these addresses is next: an address, a label, a source line."""

    addresses: Set[int]

    def __post_init__(self) -> None:
        for address in self.addresses:
            _require_address(address)


@dataclass(frozen=True, slots=True)
class WriteTo:
    """The next instruction or interrupt writes to `first` to `last`, both included."""

    first: int
    last: int

    def __post_init__(self) -> None:
        _require_address(self.first)
        _require_address(self.last)
        if self.last < self.first:
            raise ValueError(f"the range ${self.first:04X}-${self.last:04X} goes backwards")


@dataclass(frozen=True, slots=True)
class RegisterIs:
    """A register has a value: `a`, `x`, `y`, `s`, or `p` with its bits 4 and 5 set."""

    register: RegisterName
    value: int

    def __post_init__(self) -> None:
        if self.register not in REGISTER_NAMES:
            raise ValueError(f"register is {self.register!r}; it is one of a, x, y, s and p")
        _require_byte(self.value)


@dataclass(frozen=True, slots=True)
class MemoryIs:
    """A byte of memory has a value."""

    address: int
    value: int

    def __post_init__(self) -> None:
        _require_address(self.address)
        _require_byte(self.value)


Breakpoint = AtAddress | WriteTo | RegisterIs | MemoryIs


def _require_address(address: int) -> None:
    if not 0 <= address <= 0xFFFF:
        raise ValueError(f"address is {address}; it must be 0 to 65535")


def _require_byte(value: int) -> None:
    if not 0 <= value <= 0xFF:
        raise ValueError(f"value is {value}; it must be 0 to 255")
