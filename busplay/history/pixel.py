"""The causes of a pixel's colour: its byte, the palette entry, and the registers.

How to think about it. The registers define where the pixel's byte is and what its value means, and
each of them was written too. BASE takes effect when its high byte is written, with the low byte
written before. PALETTE_BLUE stores red, green and blue at PALETTE_INDEX, which then increments, so
the entry of a write follows from the last write to PALETTE_INDEX and the count of writes to
PALETTE_BLUE since. PAGE takes effect at the refresh after its write. In text mode the byte is the
code of a character; its colours, its glyph and the cursor are causes too.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Protocol

from busplay.description.board import Board, Unit
from busplay.display.display import Display
from busplay.display.drawing import cursor_bits
from busplay.display.pixel_place import place_in_memory
from busplay.history.places import (
    Place,
    Write,
    Writes,
    place_of_register,
    require_pixel,
    unit_named,
)


class FindsLast(Protocol):
    """Return the last write to a register, by default before the moment."""

    def __call__(self, register: str, before: int = ...) -> Write | None: ...


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

    def list_writes(self, place: Place, before_frame: int | None, count: int) -> list[Write]:
        """Return up to `count` of the last writes before a moment, newest first."""

    def display_at_begin(self, unit: str) -> Display:
        """Return a unit as it is where the trace begins."""

    def refreshed_frames(self, before_frame: int, edge: int | None = None) -> int:
        """Return the frames before the last refresh up to a moment."""


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
class CellCauses:
    """The causes of a pixel of a character, besides its code; None: as at power-on.

    Attributes:
        colours: ink in the low four bits, paper in the high four.
        colours_write: the last write to them: the cell's second byte, or TEXT_COLOURS.
        glyph_bits: the row of the glyph with the pixel, the leftmost one highest.
        glyph_write: the last write to that row, if the font is in display memory.
        is_ink: whether the pixel has the colour of the ink.
        is_cursor: whether the cursor changes it.
        cursor: the last write to CURSOR_HIGH, if the cursor is in this cell.
        cursor_shape: the last write to CURSOR_SHAPE then.
    """

    colours: int
    colours_write: Write | None
    glyph_bits: int
    glyph_write: Write | None
    is_ink: bool
    is_cursor: bool
    cursor: Write | None
    cursor_shape: Write | None


@dataclass(frozen=True, slots=True)
class PixelCauses:
    """The causes of a pixel's colour at a moment, each with its write.

    None: as where the trace begins, which is power-on unless a trace that grows has dropped that.

    Attributes:
        unit, x, y: the pixel.
        before_frame: the moment, a count of frames.
        base_offset: offset of the top left pixel or cell of page 0.
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
        page: the page shown.
        page_write: the write to PAGE that the last refresh took over.
        cell: the causes of a character's pixel; None: the unit shows a bitmap.
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
    page: int
    page_write: Write | None
    cell: CellCauses | None

    @property
    def writes(self) -> tuple[Write, ...]:
        """All the writes that are causes."""
        found = [self.byte, self.base, self.base_low, self.blank, self.border, self.page_write]
        if self.palette is not None:
            found += [self.palette.blue, self.palette.red, self.palette.green]
        if self.cell is not None:
            cell = self.cell
            found += [cell.colours_write, cell.glyph_write, cell.cursor, cell.cursor_shape]
        return tuple(one for one in found if one is not None)

    @property
    def place(self) -> Place:
        """The pixel's byte."""
        return Place(self.unit, "memory", self.offset, self.offset + 1)


def pixel_causes(
    history: FindsWrites,
    unit: str,
    x: int,
    y: int,
    before_frame: int | None = None,
    edge: int | None = None,
) -> PixelCauses:
    """Return the causes of a pixel's colour at a moment.

    Args:
        history: of the recording.
        unit: name of the unit.
        x, y: the pixel, from the top left.
        before_frame: the moment; None: the trace's end.
        edge: link edge up to which refreshes have come; None: the last frame's, or at the trace's
            end the end.

    Raises:
        InputError: the board has no such unit, the unit no such pixel, or the trace is damaged.
    """
    described = unit_named(history.board, unit)
    require_pixel(described, x, y)
    moment = history.frames if before_frame is None else before_frame

    def last(register: str, before: int = moment) -> Write | None:
        return history.last_write(place_of_register(unit, register), before)

    begin = history.display_at_begin(unit)
    base, base_offset, base_low = _address_register(last, "BASE", begin.base_offset, begin.base_low)
    page, page_write = begin.page, None
    if described.pages > 1:
        page_write = last("PAGE", history.refreshed_frames(moment, edge))
        page = begin.page if page_write is None else page_write.data % described.pages
    first_offset = base_offset + page * described.page_bytes
    offset, shift = place_in_memory(described, x, y, first_offset=first_offset)
    value, byte = _byte_at(history, begin, offset, moment)
    mask = (1 << described.bits_per_pixel) - 1
    blank, border = last("BLANK"), None
    is_blank = begin.is_blank if blank is None else bool(blank.data & 1)
    index, cell = value >> shift & mask, None
    if described.is_text:
        cell = _cell_causes(history, begin, (x, y), offset, value, last, moment)
        index = (cell.colours >> (0 if cell.is_ink else 4)) & mask
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
        blank, border, index, colour, palette, page, page_write, cell,
    )  # fmt: skip


def _address_register(
    last: FindsLast, name: str, at_begin: int, low_at_begin: int
) -> tuple[Write | None, int, Write | None]:
    """Return the write to the high byte of a register of two, its value, the write to the low."""
    high = last(f"{name}_HIGH")
    if high is None:
        return None, at_begin, None
    low = last(f"{name}_LOW", high.frame)
    return high, high.data << 8 | (low_at_begin if low is None else low.data), low


def _byte_at(
    history: FindsWrites, begin: Display, offset: int, before_frame: int
) -> tuple[int, Write | None]:
    """Return a byte of memory at a moment, and the last write to it."""
    write = history.last_write(Place(begin.unit.name, "memory", offset, offset + 1), before_frame)
    return int(begin.memory[offset]) if write is None else write.data, write


def _cell_causes(
    history: FindsWrites,
    begin: Display,
    pixel: tuple[int, int],
    offset: int,
    code: int,
    last: FindsLast,
    before_frame: int,
) -> CellCauses:
    unit, font = begin.unit, begin.unit.font
    assert font is not None
    if unit.cell_bytes == 2:
        at = (offset + 1) % unit.memory_bytes
        colours, colours_write = _byte_at(history, begin, at, before_frame)
    else:
        colours_write = last("TEXT_COLOURS")
        colours = begin.text_colours if colours_write is None else colours_write.data
    column, row = pixel[0] % font.width_px, pixel[1] % font.height_px
    glyph_bits, glyph_write = font.rows[code * font.height_px + row], None
    if unit.font_offset is not None:
        at = unit.font_offset + code * font.height_px + row
        glyph_bits, glyph_write = _byte_at(history, begin, at, before_frame)
    cursor, cursor_offset, _ = _address_register(
        last, "CURSOR", begin.cursor_offset, begin.cursor_low
    )
    is_here = cursor_offset % unit.memory_bytes == offset
    shape_write = last("CURSOR_SHAPE") if is_here else None
    changed = glyph_bits
    if is_here:
        shape = begin.cursor_shape if shape_write is None else shape_write.data & 3
        changed = cursor_bits(glyph_bits, row, font.height_px, shape)
    lit, lit_before = (bool(bits >> (7 - column) & 1) for bits in (changed, glyph_bits))
    return CellCauses(
        colours, colours_write, glyph_bits, glyph_write, lit, lit != lit_before,
        cursor if is_here else None, shape_write,
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


def palette_route(history: FindsWrites, unit: Unit, blue_frame: int) -> list[Write]:
    """Return the writes that chose the entry of a write to PALETTE_BLUE, that one first.

    They are the writes to PALETTE_BLUE since the one to PALETTE_INDEX, each of which goes on to the
    next entry, and that. Of more than a palette has entries, the last ones.

    Raises:
        InputError: the trace is damaged.
    """
    blues = place_of_register(unit.name, "PALETTE_BLUE")
    chosen = history.last_write(place_of_register(unit.name, "PALETTE_INDEX"), blue_frame)
    since = -1 if chosen is None else chosen.frame
    found = history.list_writes(blues, blue_frame + 1, 1 << unit.bits_per_pixel)
    found = [one for one in found if one.frame > since]
    return found if chosen is None else [*found, chosen]
