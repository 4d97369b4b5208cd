"""Read a board file's units: displays, their memory and their palettes."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from busplay.description.attributes import keys_of, read_key
from busplay.description.board import Unit, UnitMode
from busplay.description.limits import ALL_MEMORY_BYTES_MAX, LIMITS, MEMORY_BYTES_MAX
from busplay.description.read_palette import read_palette
from busplay.description.read_text import read_cells, refuse_text_keys
from busplay.description.toml_reader import Table, show_address, show_string, show_value
from busplay.wording import counted

UNIT_KEYS = (*keys_of(Unit, without=("name", "font")), "font")
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
    mode: UnitMode = read_key(table, Unit, "mode")
    cells = read_cells(table, folder) if mode == "text" else None
    if cells is None:
        refuse_text_keys(table)
        width_px, height_px = read_key(table, Unit, "width_px"), read_key(table, Unit, "height_px")
        bits_per_pixel = _read_depth(table)
        # A row always begins at a byte; spare bits at its end show nothing.
        row_bytes, rows = -(-width_px * bits_per_pixel // 8), height_px
        row, picture = f"{width_px} pixels", f"{width_px} x {height_px} pixels"
        row, picture = (f"{one} at {counted(bits_per_pixel, 'bit')}" for one in (row, picture))
        text: dict[str, Any] = {}
        pixel_order = read_key(table, Unit, "pixel_order", default="high_first")
    else:
        width_px, height_px = cells.columns * cells.font.width_px, cells.rows * cells.font.height_px
        bits_per_pixel = cells.bits_per_pixel
        row_bytes, rows = cells.columns * cells.cell_bytes, cells.rows
        row = f"{counted(cells.columns, 'cell')} of {counted(cells.cell_bytes, 'byte')}"
        picture = f"{cells.columns} x {cells.rows} cells of {counted(cells.cell_bytes, 'byte')}"
        text = {
            "mode": mode,
            "columns": cells.columns,
            "rows": cells.rows,
            "cell_bytes": cells.cell_bytes,
            "font": cells.font,
            "font_offset": cells.font_offset,
        }
        pixel_order = "high_first"
    stride_bytes = read_key(table, Unit, "stride_bytes", default=row_bytes)
    if stride_bytes < row_bytes:
        raise table.error(
            "stride_bytes",
            found=str(stride_bytes),
            wanted=f"a row of {row} takes {row_bytes} bytes, so give {row_bytes} or more",
        )
    base_offset = read_key(table, Unit, "base_offset", default=0)
    pages, page_bytes = _read_pages(table, picture_bytes=stride_bytes * rows)
    font_stop = cells.font_stop if cells is not None else 0
    picture_bytes = stride_bytes * (rows - 1) + row_bytes
    # Behind the last page there need be nothing, and pages may lie side by side in a row.
    pages_stop = (pages - 1) * page_bytes + picture_bytes
    whole_bytes = max(stride_bytes * rows, pages * page_bytes, pages_stop)
    memory_bytes = _read_memory_bytes(
        table,
        default=max(base_offset + whole_bytes, font_stop),
        picture_bytes=picture_bytes,
        picture=picture,
    )
    if base_offset >= memory_bytes:
        raise table.error(
            "base_offset",
            found=show_address(base_offset),
            wanted=f"the unit has {memory_bytes} bytes of memory, so give "
            f"{show_address(memory_bytes - 1)} or less",
        )
    for key, stop, thing in (
        ("font_offset", font_stop, "the font"),
        ("pages", pages_stop, f"{pages} pages, {page_bytes:,} bytes apart,"),
    ):
        if stop > memory_bytes:
            raise table.error(
                key,
                found=f"{thing} up to byte {stop:,}",
                wanted=f"the unit has {memory_bytes:,} bytes of memory, so give less, or "
                "memory_bytes",
            )
    return Unit(
        name=name,
        number=number,
        width_px=width_px,
        height_px=height_px,
        bits_per_pixel=bits_per_pixel,
        palette=read_palette(table, "palette", bits_per_pixel=bits_per_pixel, folder=folder),
        pixel_order=pixel_order,
        stride_bytes=stride_bytes,
        base_offset=base_offset,
        memory_bytes=memory_bytes,
        border_px=read_key(table, Unit, "border_px"),
        border_index=table.integer(
            "border_index",
            0,
            (1 << bits_per_pixel) - 1,
            default=0,
            hint=f", a palette index of {counted(bits_per_pixel, 'bit')}",
        ),
        pages=pages,
        page_bytes=page_bytes,
        **text,
    )


def _read_pages(table: Table, *, picture_bytes: int) -> tuple[int, int]:
    """Read the number of pages and the bytes from one to the next; 0 if there is only one."""
    pages: int = read_key(table, Unit, "pages")
    if pages == 1:
        if "page_bytes" in table:
            raise table.error(
                "page_bytes", found="one page", wanted="give pages too, or take it out"
            )
        return 1, 0
    return pages, read_key(table, Unit, "page_bytes", default=picture_bytes)


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
