"""The causes of a pixel's colour: its byte, the palette entry, the base offset, the blank register.

How to think about it. The registers define where the pixel's byte is and what its value means, and
each of them was written too. BASE takes effect when its high byte is written, with the low byte
written before. PALETTE_BLUE stores red, green and blue at PALETTE_INDEX, which then increments, so
the entry of a write follows from the last write to PALETTE_INDEX and the count of writes to
PALETTE_BLUE since.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Protocol

from busplay.description.board import Board, Unit
from busplay.display.display import Display
from busplay.display.pixel_place import place_in_memory
from busplay.history.places import (
    Place,
    Write,
    Writes,
    place_of_register,
    require_pixel,
    unit_named,
)


class FindsWrites(Protocol):
    """The methods of `History` that find writes."""

    board: Board
    frames: int

    def last_write(self, place: Place, before_frame: int | None = None) -> Write | None:
        """Return the last write before a moment."""

    def writes(
        self, place: Place, first_frame: int = 0, stop_frame: int | None = None
    ) -> Iterator[Writes]:
        """Return all writes between two moments, newest chunk first."""

    def count_writes(
        self, place: Place, first_frame: int = 0, stop_frame: int | None = None
    ) -> int:
        """Count the writes between two moments."""

    def display_at_begin(self, unit: str) -> Display:
        """Return a unit as it is where the trace begins."""


@dataclass(frozen=True, slots=True)
class PaletteCause:
    """The writes that set a palette entry.

    Attributes:
        red, green, blue: the writes of its parts; None: not written, since power-on for red and
            green.
    """

    red: Write | None
    green: Write | None
    blue: Write


@dataclass(frozen=True, slots=True)
class PixelCauses:
    """The causes of a pixel's colour at a moment, each with its write.

    None: as where the trace begins, which is power-on unless a trace that grows has dropped that.

    Attributes:
        unit, x, y: the pixel.
        before_frame: the moment, a count of frames.
        base_offset: offset of the top left pixel.
        base: the write that set it.
        base_low: the write of its low byte before that.
        offset: of the pixel's byte in the unit's memory.
        shift: right shift of the byte's bits.
        value: the byte.
        byte: the last write to it.
        is_blank: whether the whole picture has the border's colour.
        blank: the last write to that register.
        border: the last write to the border's index, if the picture is blank.
        index: the pixel's palette index.
        colour: red, green, blue.
        palette: the writes that set the palette entry; None: as at power-on.
    """

    unit: str
    x: int
    y: int
    before_frame: int
    base_offset: int
    base: Write | None
    base_low: Write | None
    offset: int
    shift: int
    value: int
    byte: Write | None
    is_blank: bool
    blank: Write | None
    border: Write | None
    index: int
    colour: tuple[int, int, int]
    palette: PaletteCause | None

    @property
    def place(self) -> Place:
        """The pixel's byte."""
        return Place(self.unit, "memory", self.offset, self.offset + 1)


def pixel_causes(
    history: FindsWrites, unit: str, x: int, y: int, before_frame: int | None = None
) -> PixelCauses:
    """Return the causes of a pixel's colour at a moment.

    Args:
        history: of the recording.
        unit: name of the unit.
        x, y: the pixel, from the top left.
        before_frame: the moment; None: the trace's end.

    Raises:
        InputError: the board has no such unit, the unit no such pixel, or the trace is damaged.
    """
    described = unit_named(history.board, unit)
    require_pixel(described, x, y)
    moment = history.frames if before_frame is None else before_frame

    def last(register: str, before: int = moment) -> Write | None:
        return history.last_write(place_of_register(unit, register), before)

    begin = history.display_at_begin(unit)
    base, base_low = last("BASE_HIGH"), None
    base_offset = begin.base_offset
    if base is not None:
        base_low = last("BASE_LOW", base.frame)
        low = begin.base_low if base_low is None else base_low.data
        base_offset = base.data << 8 | low
    offset, shift = place_in_memory(described, x, y, base_offset=base_offset)
    byte = history.last_write(Place(unit, "memory", offset, offset + 1), moment)
    value = int(begin.memory[offset]) if byte is None else byte.data
    mask = (1 << described.bits_per_pixel) - 1
    blank, border = last("BLANK"), None
    is_blank = begin.is_blank if blank is None else bool(blank.data & 1)
    index = value >> shift & mask
    if is_blank:
        border = last("BORDER")
        index = (begin.border_index if border is None else border.data) & mask
    palette = palette_cause(history, described, index, moment)
    red, green, blue = begin.palette[index].tolist()
    if palette is not None:
        red, green = (
            latched if one is None else one.data
            for one, latched in zip((palette.red, palette.green), begin.palette_parts, strict=True)
        )
        blue = palette.blue.data
    colour = (red, green, blue)
    return PixelCauses(
        unit, x, y, moment, base_offset, base, base_low, offset, shift, value, byte, is_blank,
        blank, border, index, colour, palette,
    )  # fmt: skip


def palette_cause(
    history: FindsWrites, unit: Unit, index: int, before_frame: int
) -> PaletteCause | None:
    """Return the writes that set a palette entry before a moment; None: as at power-on.

    Raises:
        InputError: the trace is damaged.
    """
    blues = place_of_register(unit.name, "PALETTE_BLUE")
    indexes = place_of_register(unit.name, "PALETTE_INDEX")
    mask = (1 << unit.bits_per_pixel) - 1
    begin = history.display_at_begin(unit.name)
    for found in history.writes(blues, 0, before_frame):
        first, last = int(found.frame[0]), int(found.frame[-1])
        # PALETTE_INDEX before the first of these, and the writes to it among them.
        entry = begin.palette_index
        since = 0
        if (written := history.last_write(indexes, first)) is not None:
            entry, since = written.data, written.frame
        entry += history.count_writes(blues, since, first)
        steps = [(frame, -1) for frame in found.frame.tolist()]
        for among in history.writes(indexes, first, last):
            steps += zip(among.frame.tolist(), among.data.tolist(), strict=True)
        meant = None
        for frame, data in sorted(steps):
            if data >= 0:
                entry = data
                continue
            if entry & mask == index:
                meant = frame
            entry += 1
        if meant is not None:
            blue = history.last_write(blues, meant + 1)
            assert blue is not None
            red, green = (
                history.last_write(place_of_register(unit.name, name), meant)
                for name in ("PALETTE_RED", "PALETTE_GREEN")
            )
            return PaletteCause(red, green, blue)
    return None
