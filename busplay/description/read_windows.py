"""Read a board file's windows: which stores go out, to which unit and offset."""

from __future__ import annotations

from collections.abc import Sequence

from busplay.description.address_ranges import (
    AddressRange,
    find_overreach,
    read_range,
    require_apart,
)
from busplay.description.attributes import keys_of, read_key, read_keys
from busplay.description.banks import Bank
from busplay.description.board import Memory, Unit, Window
from busplay.description.toml_reader import Table, did_you_mean, show_address, show_string
from busplay.wording import counted

WINDOW_KEYS = keys_of(Window)
REMEDY = "move one or shorten it"


def read_windows(
    board: Table,
    *,
    units: tuple[Unit, ...],
    memory: tuple[Memory, ...],
    banks: tuple[Bank, ...],
    others: Sequence[AddressRange],
) -> tuple[tuple[Window, ...], list[AddressRange]]:
    """Read every window, in the file's order.

    Args:
        others: the ranges of host port and devices.

    Returns:
        The windows, and their ranges.

    Raises:
        DescriptionError: two overlap, a unit is unknown, or an offset has no place in it.
    """
    tables = board.tables("windows", WINDOW_KEYS)
    # Where the windows lie comes first: an overlap explains what may follow from it.
    spans: list[AddressRange] = []
    pages: list[int | None] = []
    for table in tables:
        span = read_range(table)
        page = read_key(table, Window, "page")
        # Windows of different pages may share addresses.
        apart = [
            one
            for one, other in zip(spans, pages, strict=True)
            if page is None or other is None or page == other
        ]
        require_apart(table, span, apart, remedy=REMEDY)
        require_apart(table, span, others, remedy=REMEDY)
        spans.append(span)
        pages.append(page)
    if not tables:
        raise board.error(
            "windows",
            found="no windows",
            wanted="without one nothing goes out, so give at least one, headed [[windows]]",
        )
    both: list[Memory | Bank] = [*memory, *banks]
    ram = [one for one in both if one.kind == "ram"]
    overlays = [
        AddressRange(f"the boot overlay {one.name}", one.first_address, one.last_address)
        for one in banks
        if one.is_overlay
    ]
    windows = []
    for table, span in zip(tables, spans, strict=True):
        windows.append(_read_window(table, span, units=units, ram=ram))
        _require_page(table, windows[-1], banks)
        if windows[-1].lands_in_ram:
            require_apart(table, span, overlays, remedy=f"{REMEDY}, or say lands_in_ram = false")
    return tuple(windows), spans


def _read_window(
    table: Table,
    span: AddressRange,
    *,
    units: tuple[Unit, ...],
    ram: Sequence[Memory | Bank],
) -> Window:
    unit = _read_unit_name(table, units)
    window = Window(
        name=table.text("name", wanted="give the window a name in quotes", last_length=40),
        first_address=span.first_address,
        last_address=span.last_address,
        unit=unit.name,
        **read_keys(table, Window, "space", "first_offset", "lands_in_ram", "page"),
    )
    # A unit has no end of registers: writes past the last of them are counted when they come.
    if window.space == "memory":
        wrong = find_overreach(
            window,
            last_offset=unit.memory_bytes - 1,
            holder=f"the memory of units.{unit.name} ends",
        )
        if wrong is not None:
            raise table.error(wrong.key, found=wrong.found, wanted=wrong.wanted)
    if window.lands_in_ram:
        _require_ram(table, span, ram)
    return window


def _read_unit_name(table: Table, units: tuple[Unit, ...]) -> Unit:
    names = [unit.name for unit in units]
    name = table.text("unit", wanted=f"name one of the units: {', '.join(names)}")
    for unit in units:
        if unit.name == name:
            return unit
    hint = did_you_mean(name, names, otherwise=f"the units are {', '.join(names)}")
    raise table.error("unit", found=show_string(name), wanted=f"no unit has that name; {hint}")


def _require_page(table: Table, window: Window, banks: Sequence[Bank]) -> None:
    """Refuse a page of a window that no bank under all of it has."""
    if window.page is None:
        return
    for bank in banks:
        if bank.is_overlay or not bank.first_address <= window.first_address:
            continue
        if window.last_address <= bank.last_address:
            if window.page >= bank.pages:
                raise table.error(
                    "page",
                    found=str(window.page),
                    wanted=f"bank {bank.name} has {counted(bank.pages, 'page')}, from 0 to "
                    f"{bank.pages - 1}",
                )
            return
    raise table.error(
        "page",
        found=str(window.page),
        wanted="no bank is under all of this window, so put it over one, or take the line out",
    )


def _require_ram(table: Table, span: AddressRange, ram: Sequence[Memory | Bank]) -> None:
    """Refuse a window that should land in RAM where some address of it has none."""
    address = span.first_address
    for first, last in sorted((one.first_address, one.last_address) for one in ram):
        if first <= address <= last:
            address = last + 1
    if address <= span.last_address:
        raise table.error(
            "lands_in_ram",
            found="true",
            wanted=f"no RAM is at {show_address(address)}, so put [[memory]] there or say false",
        )
