"""Full addresses: an address of the processor and, in banked memory, the page shown there.

How to think about it. A full address is one number: `(page + 1) << 16 | address`, and the plain
address where no page is known or there is none. So tables by address hold both, and what knows
nothing of banks goes on with plain ones. Its text is `3:$8010`, or `$0200`.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from busplay.description.banks import Bank, bank_index
from busplay.errors import InputError
from busplay.wording import counted

PAGE_UNIT = 0x10000
ADDRESS_MASK = PAGE_UNIT - 1
PAGE_MAX = 0xFFFF

_TEXT = re.compile(r"(?:(?P<page>[0-9]{1,5}):)?\$(?P<hex>[0-9A-Fa-f]{1,4})")


def full_address(address: int, page: int | None) -> int:
    """Join an address and a page; `page` None: there is none."""
    return address if page is None else (page + 1) * PAGE_UNIT | address


def address_of(full: int) -> int:
    """Return the processor's address of a full one."""
    return full & ADDRESS_MASK


def page_of(full: int | None) -> int | None:
    """Return the page of a full address, or None."""
    return None if full is None or full < PAGE_UNIT else full // PAGE_UNIT - 1


def address_text(address: int, page: int | None = None) -> str:
    """Write a full address, or an address and its page: `3:$8010`, `$0200`."""
    if page is None:
        page, address = page_of(address), address_of(address)
    return f"{'' if page is None else f'{page}:'}${address:04X}"


def parse_address(text: str) -> int | None:
    """Read a full address, `3:$8010` or `$0200`; None: the text is none."""
    match = _TEXT.fullmatch(text)
    if match is None:
        return None
    page = None if match["page"] is None else int(match["page"])
    return full_address(int(match["hex"], 16), None if page is None else min(page, PAGE_MAX))


def bank_of(address: int, banks: Sequence[Bank]) -> Bank | None:
    """Return the bank that has an address, or None; see `bank_index`."""
    index = bank_index(address, banks)
    return None if index is None else banks[index]


def require_page(full: int, banks: Sequence[Bank]) -> int:
    """Return a full address whose page there is.

    Raises:
        InputError: no bank has the address, or its bank has no such page.
    """
    page, address = page_of(full), address_of(full)
    if page is None:
        return full
    bank = bank_of(address, banks)
    if bank is None:
        ranges = ", ".join(
            f"${one.first_address:04X} to ${one.last_address:04X}"
            for one in banks
            if not one.is_overlay
        )
        raise InputError(
            found=address_text(full),
            wanted=f"only banked memory has pages: {ranges or 'there is none on this board'}",
        )
    if page >= bank.pages:
        last = f"0 to {bank.pages - 1}" if bank.pages > 1 else "0"
        raise InputError(
            found=address_text(full),
            wanted=f"bank {bank.name!r} has {counted(bank.pages, 'page')}, {last}",
        )
    return full
