"""Where a pixel stands in a unit's memory."""

from __future__ import annotations

from busplay.description.board import Unit


def place_in_memory(unit: Unit, x: int, y: int, *, first_offset: int) -> tuple[int, int]:
    """Return where a pixel is.

    Args:
        unit: that shows it.
        x, y: from the top left, within the picture.
        first_offset: of the top left pixel or cell, as the registers say at that moment.

    Returns:
        The offset of its byte in the unit's memory, and how far right its bits are to be shifted;
        in text mode the code of its character, and 0.
    """
    if unit.font is not None:
        column, row = x // unit.font.width_px, y // unit.font.height_px
        in_row, place = column * unit.cell_bytes, 0
    else:
        row = y
        in_row, place = divmod(x * unit.bits_per_pixel, 8)
        if unit.pixel_order == "high_first":
            place = 8 - unit.bits_per_pixel - place
    return (first_offset + row * unit.stride_bytes + in_row) % unit.memory_bytes, place
