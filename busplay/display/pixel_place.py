"""Where a pixel stands in a unit's memory."""

from __future__ import annotations

from busplay.description.board import Unit


def place_in_memory(unit: Unit, x: int, y: int, *, base_offset: int) -> tuple[int, int]:
    """Return where a pixel is.

    Args:
        unit: that shows it.
        x, y: from the top left, within the picture.
        base_offset: as its registers say at that moment.

    Returns:
        The offset of its byte in the unit's memory, and how far right its bits are to be shifted.
    """
    in_row, place = divmod(x * unit.bits_per_pixel, 8)
    offset = (base_offset + y * unit.stride_bytes + in_row) % unit.memory_bytes
    if unit.pixel_order == "high_first":
        place = 8 - unit.bits_per_pixel - place
    return offset, place
