"""Breakpoints, to which a program runs forwards or backwards."""

from __future__ import annotations

from collections.abc import Set
from dataclasses import dataclass
from typing import Literal

from busplay.description.full_address import PAGE_MAX, PAGE_UNIT, address_text, page_of

RegisterName = Literal["a", "x", "y", "s", "p"]
REGISTER_NAMES: tuple[RegisterName, ...] = ("a", "x", "y", "s", "p")


@dataclass(frozen=True, slots=True)
class AtAddress:
    """An instruction at one of these addresses is next: an address, a label, a source line.

    Full addresses (`description.full_address`) mean that page only; plain ones whatever is shown.
    """

    addresses: Set[int]

    def __post_init__(self) -> None:
        for address in self.addresses:
            _require_address(address)


@dataclass(frozen=True, slots=True)
class WriteTo:
    """The next instruction or interrupt writes to `first` to `last`, both included.

    Full addresses mean that page only, and both have the same one.
    """

    first: int
    last: int

    def __post_init__(self) -> None:
        _require_address(self.first)
        _require_address(self.last)
        if self.last < self.first:
            text = f"{address_text(self.first)}-{address_text(self.last)}"
            raise ValueError(f"the range {text} goes backwards")
        if page_of(self.first) != page_of(self.last):
            raise ValueError("the range must lie in one page")


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
    """A byte of memory has a value: with a full address that page's, else what is shown."""

    address: int
    value: int

    def __post_init__(self) -> None:
        _require_address(self.address)
        _require_byte(self.value)


Breakpoint = AtAddress | WriteTo | RegisterIs | MemoryIs


def _require_address(address: int) -> None:
    if not 0 <= address < (PAGE_MAX + 2) * PAGE_UNIT:
        raise ValueError(f"address is {address}; it must be 0 to 65535")


def _require_byte(value: int) -> None:
    if not 0 <= value <= 0xFF:
        raise ValueError(f"value is {value}; it must be 0 to 255")
