"""The pages that stores and instructions of a run were in, by what their banks showed then."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from typing import Protocol

import numpy as np

from busplay.batch import Int64Column, UInt16Column, UInt64Column
from busplay.description.banks import Bank, bank_index
from busplay.description.full_address import ADDRESS_MASK, PAGE_UNIT, full_address


class PageSource(Protocol):
    """What knows the page that a bank showed at some moments: cycles, or link edges."""

    def pages_at(self, bank: int, moments: UInt64Column) -> Int64Column:
        """Return the page that a bank, by its index, showed at each moment; -1: not known."""


class FullAddresses:
    """Full addresses (`description.full_address`) of a run.

    Args:
        banks: the board's.
        source: knows their pages; None: nothing is known, so addresses stay plain ones.
    """

    def __init__(self, banks: Sequence[Bank] = (), source: PageSource | None = None) -> None:
        self._banks = banks
        self._source = source

    def of(self, address: int, moment: int) -> int:
        """Return the full address of what the processor saw at an address."""
        index = None if self._source is None else bank_index(address, self._banks)
        if self._source is None or index is None:
            return address
        page = int(self._source.pages_at(index, np.array([moment], np.uint64))[0])
        return full_address(address, None if page < 0 else page)

    def column(self, addresses: UInt16Column | Int64Column, moments: UInt64Column) -> Int64Column:
        """Return int64[addresses]: `of` for each of them; negative addresses stay."""
        found = addresses.astype(np.int64)
        if self._source is None:
            return found
        for index, bank in enumerate(self._banks):
            there = (addresses >= bank.first_address) & (addresses <= bank.last_address)
            if not bank.is_overlay and there.any():
                found[there] += (self._source.pages_at(index, moments[there]) + 1) * PAGE_UNIT
        return found


class BankedSpace:
    """Numbers for every byte of a board's memory, for tables that have each page of its banks.

    An address without a page is its own number. The pages follow, bank by bank.

    Args:
        banks: the board's.

    Attributes:
        size: count of numbers.
        starts: number of the first byte of each page.
    """

    def __init__(self, banks: Sequence[Bank] = ()) -> None:
        self._banks = [one for one in banks if not one.is_overlay]
        self._bases: list[int] = []
        self.starts: list[int] = []
        self.size = PAGE_UNIT
        for bank in self._banks:
            self._bases.append(self.size)
            stop = self.size + bank.pages * bank.page_bytes
            self.starts += range(self.size, stop, bank.page_bytes)
            self.size = stop

    def numbers(self, full: Int64Column) -> Int64Column:
        """Return the number of each full address; of a page that is not there, the address's."""
        address = full & ADDRESS_MASK
        found = address.copy()
        for bank, base in zip(self._banks, self._bases, strict=True):
            page = full // PAGE_UNIT - 1
            offset = address - bank.first_address
            there = (offset >= 0) & (offset < bank.page_bytes) & (page >= 0) & (page < bank.pages)
            found[there] = base + page[there] * bank.page_bytes + offset[there]
        return found

    def number(self, full: int) -> int:
        """Return the number of a full address."""
        return int(self.numbers(np.array([full], np.int64))[0])

    def full(self, number: int) -> int:
        """Return the full address of a number."""
        which = bisect_right(self._bases, number) - 1
        if which < 0:
            return number
        bank = self._banks[which]
        page, offset = divmod(number - self._bases[which], bank.page_bytes)
        return full_address(bank.first_address + offset, page)

    def in_every_page(self, address: int) -> list[int]:
        """Return the numbers of an address in every page of its bank; without one, its own."""
        for bank, base in zip(self._banks, self._bases, strict=True):
            offset = address - bank.first_address
            if 0 <= offset < bank.page_bytes:
                stop = base + bank.pages * bank.page_bytes
                return list(range(base + offset, stop, bank.page_bytes))
        return [address]
