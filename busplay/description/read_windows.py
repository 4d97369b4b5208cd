"""Read a board file's windows: which stores go out, to which unit and offset."""

from __future__ import annotations

from typing import get_args

from busplay.description.address_ranges import AddressRange, read_range, require_apart
from busplay.description.board import Memory, Space, Unit, Window
from busplay.description.link import Link
from busplay.description.read_unit import MEMORY_BYTES_MAX
from busplay.description.toml_reader import Table, nearest, show_address, show_string

WINDOW_KEYS = (
    "name",
    "first_address",
    "last_address",
    "unit",
    "space",
    "first_offset",
    "lands_in_ram",
)
SPACES: tuple[Space, ...] = get_args(Space)
REMEDY = "move one or shorten it"


def read_windows(
    board: Table,
    *,
    link: Link,
    units: tuple[Unit, ...],
    memory: tuple[Memory, ...],
    host_port: AddressRange | None,
) -> tuple[Window, ...]:
    """Read every window, in the file's order.

    Raises:
        DescriptionError: two overlap, a unit is unknown, or an offset has no place on the link
            or in the unit.
    """
    windows: list[Window] = []
    before: list[AddressRange] = []
    for table in board.tables("windows", WINDOW_KEYS):
        span = read_range(table)
        require_apart(table, span, before, remedy=REMEDY)
        if host_port is not None:
            require_apart(table, span, [host_port], remedy=REMEDY)
        before.append(span)
        windows.append(_read_window(table, span, link=link, units=units, memory=memory))
    if not windows:
        raise board.error(
            "windows",
            found="no windows",
            wanted="without one nothing goes out, so give at least one, headed [[windows]]",
        )
    return tuple(windows)


def _read_window(
    table: Table,
    span: AddressRange,
    *,
    link: Link,
    units: tuple[Unit, ...],
    memory: tuple[Memory, ...],
) -> Window:
    unit = _read_unit_name(table, units)
    space = table.choice("space", SPACES)
    if space == "registers" and link.field_named("space") is None:
        raise table.error(
            "space",
            found='"registers"',
            wanted=f"link {link.name} has no field named space, so all its frames go to memory; "
            "give it one or drop the window",
        )
    first_offset = table.integer("first_offset", 0, MEMORY_BYTES_MAX - 1, default=0, address=True)
    window = Window(
        name=table.text("name", wanted="give the window a name in quotes", last_length=40),
        first_address=span.first_address,
        last_address=span.last_address,
        unit=unit.name,
        space=space,
        first_offset=first_offset,
        lands_in_ram=table.boolean("lands_in_ram", default=False),
    )
    _require_offsets_fit(table, window, link, unit)
    if window.lands_in_ram:
        _require_ram(table, span, memory)
    return window


def _read_unit_name(table: Table, units: tuple[Unit, ...]) -> Unit:
    names = [unit.name for unit in units]
    name = table.text("unit", wanted=f"name one of the units: {', '.join(names)}")
    for unit in units:
        if unit.name == name:
            return unit
    likely = nearest(name, names)
    hint = f"did you mean {likely}?" if likely else f"the units are {', '.join(names)}"
    raise table.error("unit", found=show_string(name), wanted=f"no unit has that name; {hint}")


def _require_offsets_fit(table: Table, window: Window, link: Link, unit: Unit) -> None:
    """Refuse a window whose offsets leave the unit's memory or the link's address field."""
    length = window.last_address - window.first_address + 1
    last_offset = window.first_offset + length - 1
    limits = []
    address = link.field_named("address")
    if address is not None:
        holder = f"the {address.bits} bits of address on link {link.name} end"
        limits.append(((1 << address.bits) - 1, holder))
    if window.space == "memory":
        limits.append((unit.memory_bytes - 1, f"the memory of units.{unit.name} ends"))
    if not limits:
        return
    last_allowed, holder = min(limits)
    if window.first_offset > last_allowed:
        raise table.error(
            "first_offset",
            found=show_address(window.first_offset),
            wanted=f"{holder} at {show_address(last_allowed)}, so give that or less",
        )
    if last_offset > last_allowed:
        last_address = window.first_address + last_allowed - window.first_offset
        span = f"{show_address(window.first_address)}-{show_address(window.last_address)}"
        raise table.error(
            found=f"{span}, which reaches offset {show_address(last_offset)}",
            wanted=f"{holder} at {show_address(last_allowed)}, so end the window at "
            f"{show_address(last_address)}",
        )


def _require_ram(table: Table, span: AddressRange, memory: tuple[Memory, ...]) -> None:
    """Refuse a window that should land in RAM where some address of it has none."""
    address = span.first_address
    ram = sorted((one.first_address, one.last_address) for one in memory if one.kind == "ram")
    for first, last in ram:
        if first <= address <= last:
            address = last + 1
    if address <= span.last_address:
        raise table.error(
            "lands_in_ram",
            found="true",
            wanted=f"no RAM is at {show_address(address)}, so put [[memory]] there or say false",
        )
