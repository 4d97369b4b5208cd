"""Banked memory in a board file: a range of addresses that shows one of several pages."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from busplay.description.device_pins import PORT_PINS

LATCH_BITS = 8
SELECT_BITS_MAX = 16
# Outputs of a 6522 that can choose a page.
OUTPUT_PINS = (*PORT_PINS, "ca2", "cb2")


@dataclass(frozen=True, slots=True)
class Bank:
    """A range of processor addresses that shows one of several pages of memory.

    Attributes:
        name: for messages and tables.
        kind: `ram` or `rom`.
        first_address, last_address: first and last address of the range, both included.
        pages: how many there are; each has as many bytes as the range.
        image: raw file with their contents, page 0 first, absolute; None: they begin as zeros.
        latch_address: address of an 8-bit latch, which a store there sets and a reset clears;
            banks may share one. None: there is none.
        select: the bits of the page's number, highest first, each `latch N` (bit N of the latch)
            or `DEVICE.PIN` (an output of a 6522).
        write_protect: while this bit is 1, stores to the RAM are ignored; empty: never.
        off_address: a store there removes the page, which is a boot overlay, until the next reset:
            the board's other memory is below it, and takes its stores from the start. None: it is
            no overlay.
    """

    name: str
    kind: Literal["ram", "rom"]
    first_address: int
    last_address: int
    pages: int
    image: Path | None = None
    latch_address: int | None = None
    select: tuple[str, ...] = ()
    write_protect: str = ""
    off_address: int | None = None

    @property
    def page_bytes(self) -> int:
        """Bytes of a page."""
        return self.last_address - self.first_address + 1

    @property
    def is_overlay(self) -> bool:
        """Whether it is a boot overlay."""
        return self.off_address is not None

    @property
    def latches(self) -> tuple[int, ...]:
        """Addresses at which a store changes what it shows."""
        both = (self.latch_address, self.off_address)
        return tuple(address for address in both if address is not None)

    @property
    def bits(self) -> tuple[str, ...]:
        """All bits that it depends on: those of `select`, then `write_protect`."""
        return (*self.select, *((self.write_protect,) if self.write_protect else ()))


def bank_index(address: int, banks: Sequence[Bank]) -> int | None:
    """Return the index of the bank that has an address; None: none, or only a boot overlay."""
    for index, bank in enumerate(banks):
        if bank.first_address <= address <= bank.last_address and not bank.is_overlay:
            return index
    return None


@dataclass(frozen=True, slots=True)
class SelectBit:
    """A bit that a bank depends on.

    Attributes:
        device: name of the 6522; empty: it is the bank's latch.
        pin: the 6522's output, or empty.
        latch_bit: the latch's bit.
    """

    device: str = ""
    pin: str = ""
    latch_bit: int = 0


def select_bit(text: str) -> SelectBit:
    """Read a bit of `select` or `write_protect`.

    Raises:
        ValueError: it is none; the message is what would be right.
    """
    words = text.split()
    if len(words) == 2 and words[0] == "latch":
        if words[1].isascii() and words[1].isdecimal() and int(words[1]) < LATCH_BITS:
            return SelectBit(latch_bit=int(words[1]))
        raise ValueError(f"a latch has the bits 0 to {LATCH_BITS - 1}")
    device, dot, pin = text.partition(".")
    if len(words) == 1 and dot and device:
        if pin not in OUTPUT_PINS:
            raise ValueError(f"an output of {device} is one of {', '.join(OUTPUT_PINS)}")
        return SelectBit(device, pin)
    raise ValueError('give "latch N" or "DEVICE.PIN", such as "latch 0" or "ports.pa3"')
