"""The registers of a unit (space 2), as a table: facts, no logic.

The kernels that act on a write are in `writes`; a test checks each row against them.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class UnitRegister:
    """One register: its offset in the space, its name, what a write does."""

    offset: int
    name: str
    on_write: str


REGISTERS = (
    UnitRegister(0, "BASE_LOW", "low byte of the base offset; kept until BASE_HIGH is written"),
    UnitRegister(
        1,
        "BASE_HIGH",
        "high byte of the base offset, that of the top left pixel; both bytes take effect now",
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
)

# Notes on all of them.
NOTES = (
    "An index has as many bits as a pixel; higher bits are ignored.",
    "PALETTE_INDEX wraps from the last colour to the first.",
    "The base offset wraps at the end of display memory.",
    "A write to any other offset is ignored and counted.",
)


def markdown_table() -> str:
    """Return the table and its notes as Markdown, for documents."""
    lines = ["| offset | register | a write |", "| --- | --- | --- |"]
    lines += [f"| {one.offset} | `{one.name}` | {one.on_write} |" for one in REGISTERS]
    lines += ["", *(f"- {note}" for note in NOTES)]
    return "\n".join(lines) + "\n"
