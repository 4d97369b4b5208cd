"""The registers of a unit (space 2), as a table: facts, no logic.

The kernels that act on a write are in `writes`; a test checks each row against them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from busplay.description.board import Unit


@dataclass(frozen=True, slots=True)
class UnitRegister:
    """One register: its offset in the space, its name, what a write does, which units have it."""

    offset: int
    name: str
    on_write: str
    units: Literal["every", "text", "pages"] = "every"


REGISTERS = (
    UnitRegister(0, "BASE_LOW", "low byte of the base offset; kept until BASE_HIGH is written"),
    UnitRegister(
        1,
        "BASE_HIGH",
        "high byte of the base offset, that of the top left pixel or cell; both bytes take effect"
        " now",
    ),
    UnitRegister(2, "BORDER", "palette index of the border"),
    UnitRegister(
        3, "BLANK", "bit 0 set: the whole picture has the border's colour; memory is kept"
    ),
    UnitRegister(4, "PALETTE_INDEX", "palette index that PALETTE_BLUE writes to"),
    UnitRegister(5, "PALETTE_RED", "red, 0 to 255; kept until PALETTE_BLUE is written"),
    UnitRegister(6, "PALETTE_GREEN", "green, 0 to 255; kept until PALETTE_BLUE is written"),
    UnitRegister(
        7,
        "PALETTE_BLUE",
        "blue, 0 to 255: stores red, green and blue at PALETTE_INDEX, which then goes up by one",
    ),
    UnitRegister(
        8,
        "CURSOR_LOW",
        "low byte of the cursor's offset; kept until CURSOR_HIGH is written",
        "text",
    ),
    UnitRegister(
        9,
        "CURSOR_HIGH",
        "high byte of the offset in display memory of the cell with the cursor; both bytes take"
        " effect now",
        "text",
    ),
    UnitRegister(
        10,
        "CURSOR_SHAPE",
        "low two bits: 0 no cursor, 1 a line in ink at the cell's bottom, 2 or 3 ink and paper"
        " swapped",
        "text",
    ),
    UnitRegister(
        11,
        "TEXT_COLOURS",
        "for cells of one byte: palette index of the ink in the low four bits, of the paper in the"
        " high four",
        "text",
    ),
    UnitRegister(
        12, "PAGE", "number of the page shown from the next refresh on; it wraps", "pages"
    ),
)

# Ink and paper of cells that do not say theirs: palette indexes 1 and 0.
POWER_ON_TEXT_COLOURS = 0x01

# Notes on all of them.
NOTES = (
    "An index has as many bits as a pixel; higher bits are ignored.",
    "PALETTE_INDEX wraps from the last colour to the first.",
    "The base offset wraps at the end of display memory.",
    "A write to any other offset is ignored and counted.",
)


def registers_of(unit: Unit) -> tuple[UnitRegister, ...]:
    """Return the registers that a unit has."""
    kinds = {"every", "text" if unit.is_text else "", "pages" if unit.pages > 1 else ""}
    return tuple(one for one in REGISTERS if one.units in kinds)


def power_on_values(unit: Unit) -> dict[str, int]:
    """Return what each of a unit's registers holds at power-on, by name."""
    known = {
        "BASE_LOW": unit.base_offset & 0xFF,
        "BASE_HIGH": unit.base_offset >> 8 & 0xFF,
        "BORDER": unit.border_index & (1 << unit.bits_per_pixel) - 1,
        "TEXT_COLOURS": POWER_ON_TEXT_COLOURS,
    }
    return {one.name: known.get(one.name, 0) for one in registers_of(unit)}


def register_count(unit: Unit) -> int:
    """Return the stop of the offsets of a unit's registers; not each below has one."""
    return registers_of(unit)[-1].offset + 1


def markdown_table() -> str:
    """Return the table and its notes as Markdown, for documents."""
    units = {"every": "every unit", "text": "units of text", "pages": "units with pages"}
    lines = ["| offset | register | in | a write |", "| --- | --- | --- | --- |"]
    lines += [
        f"| {one.offset} | `{one.name}` | {units[one.units]} | {one.on_write} |"
        for one in REGISTERS
    ]
    lines += ["", *(f"- {note}" for note in NOTES)]
    return "\n".join(lines) + "\n"
