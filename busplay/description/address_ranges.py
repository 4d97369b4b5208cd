"""Ranges of addresses: where two overlap, where a window leaves its space, how messages show it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from busplay.description.board import Window
from busplay.description.limits import ADDRESS_MAX
from busplay.description.toml_reader import Table, show_address


@dataclass(frozen=True, slots=True)
class AddressRange:
    """A range of addresses, both ends included, and what messages call it."""

    label: str
    first_address: int
    last_address: int

    def __str__(self) -> str:
        return f"{show_address(self.first_address)}-{show_address(self.last_address)}"

    def first_common(self, other: AddressRange) -> int | None:
        """Return the first address that both hold, or None."""
        first = max(self.first_address, other.first_address)
        return first if first <= min(self.last_address, other.last_address) else None


def read_range(table: Table) -> AddressRange:
    """Read `first_address` and `last_address`.

    Raises:
        DescriptionError: one is missing, no address, or they are the wrong way round.
    """
    first = table.integer("first_address", 0, ADDRESS_MAX, address=True)
    last = table.integer("last_address", 0, ADDRESS_MAX, address=True, hint=" (included)")
    if last < first:
        raise table.error(
            "last_address",
            found=show_address(last),
            wanted=f"the range begins at {show_address(first)}, so give that or more",
        )
    return AddressRange(table.place, first, last)


def require_apart(
    table: Table, span: AddressRange, others: Sequence[AddressRange], *, remedy: str
) -> None:
    """Refuse a range that shares an address with one of the others.

    Raises:
        DescriptionError: with both ranges and the first address that they share.
    """
    for other in others:
        common = span.first_common(other)
        if common is not None:
            found = f"{span} overlaps {other.label} ({other}) from {show_address(common)}"
            raise table.error(found=found, wanted=remedy, message=f"{found}; {remedy}")


@dataclass(frozen=True, slots=True)
class Overreach:
    """A window whose offsets leave a space: the key at fault (empty: the range), and why."""

    key: str
    found: str
    wanted: str


def find_overreach(window: Window, *, last_offset: int, holder: str) -> Overreach | None:
    """Find what is wrong with a window's offsets, if they go past `last_offset`.

    Args:
        window: the window.
        last_offset: the last offset that there is.
        holder: who ends there, with its verb: `the memory of units.panel ends`.
    """
    reached = window.last_offset
    if window.first_offset > last_offset:
        return Overreach(
            "first_offset",
            found=show_address(window.first_offset),
            wanted=f"{holder} at {show_address(last_offset)}, so give that or less",
        )
    if reached <= last_offset:
        return None
    last_address = window.first_address + last_offset - window.first_offset
    span = f"{show_address(window.first_address)}-{show_address(window.last_address)}"
    return Overreach(
        "",
        found=f"{span}, which reaches offset {show_address(reached)}",
        wanted=f"{holder} at {show_address(last_offset)}, so end the window at "
        f"{show_address(last_address)}",
    )
