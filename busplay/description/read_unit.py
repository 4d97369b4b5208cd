"""Read a board file's units: displays, their memory and their palettes."""

from __future__ import annotations

import re
from pathlib import Path

from busplay.description.attributes import keys_of, read_key
from busplay.description.board import Unit
from busplay.description.limits import ALL_MEMORY_BYTES_MAX, LIMITS, MEMORY_BYTES_MAX
from busplay.description.read_palette import read_palette
from busplay.description.toml_reader import Table, show_address, show_string, show_value
from busplay.wording import counted

UNIT_KEYS = keys_of(Unit, without=("name",))
DEPTHS = (1, 2, 4, 8)


def read_units(board: Table, folder: Path) -> tuple[Unit, ...]:
    """Read every unit, in the file's order.

    Raises:
        DescriptionError: a unit cannot be, or two have one number.
    """
    tables = board.named_tables("units", UNIT_KEYS)
    if not tables:
        raise board.error(
            "units", found="no units", wanted="give at least one, headed [units.NAME]"
        )
    units: list[Unit] = []
    for name, table in tables.items():
        if not re.fullmatch(r"[A-Za-z0-9_-]{1,24}", name):
            raise table.error(
                found=f"the name {show_string(name)}",
                wanted="give up to 24 letters, digits, _ or -",
            )
        number = _read_number(table, units)
        units.append(_read_unit(table, name, number, folder))
        memory_bytes = sum(unit.memory_bytes for unit in units)
        if memory_bytes > ALL_MEMORY_BYTES_MAX:
            raise table.error(
                "memory_bytes",
                found=f"{memory_bytes:,} bytes with the units before it",
                wanted=f"all units together have up to {ALL_MEMORY_BYTES_MAX:,}, so give less",
            )
    return tuple(units)


def _read_number(table: Table, before: list[Unit]) -> int:
    number: int = read_key(table, Unit, "number", default=0)
    for unit in before:
        if unit.number == number:
            raise table.error(
                "number",
                found=str(number),
                wanted=f"units.{unit.name} has that number, so give another",
            )
    return number


def _read_depth(table: Table) -> int:
    wanted = "give 1, 2, 4 or 8"
    found = table.integer("bits_per_pixel", *LIMITS[Unit, "bits_per_pixel"], replace_wanted=wanted)
    if found not in DEPTHS:
        raise table.error("bits_per_pixel", found=show_value(found), wanted=wanted)
    return found


def _read_unit(table: Table, name: str, number: int, folder: Path) -> Unit:
    width_px = read_key(table, Unit, "width_px")
    height_px = read_key(table, Unit, "height_px")
    bits_per_pixel = _read_depth(table)
    # A row always begins at a byte; spare bits at its end show nothing.
    row_bytes = -(-width_px * bits_per_pixel // 8)
    bits = counted(bits_per_pixel, "bit")
    stride_bytes = read_key(table, Unit, "stride_bytes", default=row_bytes)
    if stride_bytes < row_bytes:
        raise table.error(
            "stride_bytes",
            found=str(stride_bytes),
            wanted=f"a row of {width_px} pixels at {bits} takes {row_bytes} bytes, so give "
            f"{row_bytes} or more",
        )
    base_offset = read_key(table, Unit, "base_offset", default=0)
    memory_bytes = _read_memory_bytes(
        table,
        default=base_offset + stride_bytes * height_px,
        picture_bytes=stride_bytes * (height_px - 1) + row_bytes,
        picture=f"{width_px} x {height_px} pixels at {bits}",
    )
    if base_offset >= memory_bytes:
        raise table.error(
            "base_offset",
            found=show_address(base_offset),
            wanted=f"the unit has {memory_bytes} bytes of memory, so give "
            f"{show_address(memory_bytes - 1)} or less",
        )
    return Unit(
        name=name,
        number=number,
        width_px=width_px,
        height_px=height_px,
        bits_per_pixel=bits_per_pixel,
        palette=read_palette(table, "palette", bits_per_pixel=bits_per_pixel, folder=folder),
        pixel_order=read_key(table, Unit, "pixel_order", default="high_first"),
        stride_bytes=stride_bytes,
        base_offset=base_offset,
        memory_bytes=memory_bytes,
        border_px=read_key(table, Unit, "border_px"),
        border_index=table.integer(
            "border_index",
            0,
            (1 << bits_per_pixel) - 1,
            default=0,
            hint=f", a palette index of {bits}",
        ),
    )


def _read_memory_bytes(table: Table, *, default: int, picture_bytes: int, picture: str) -> int:
    """Read the size of display memory, which holds the picture at least once.

    The picture may begin anywhere and go round at the end of memory, so the base offset
    need not leave room behind it.
    """
    if picture_bytes > MEMORY_BYTES_MAX:
        raise table.error(
            "height_px",
            found=f"a picture of {picture_bytes:,} bytes",
            wanted=f"a unit has up to {MEMORY_BYTES_MAX:,} bytes of memory, so make it smaller",
        )
    default = min(default, MEMORY_BYTES_MAX)
    memory_bytes: int = read_key(table, Unit, "memory_bytes", default=default)
    if memory_bytes < picture_bytes:
        raise table.error(
            "memory_bytes",
            found=str(memory_bytes),
            wanted=f"{picture} take {picture_bytes} bytes, so give {picture_bytes} or more",
        )
    return memory_bytes
