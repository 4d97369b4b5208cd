"""A plain display: one pixel, one write at a time, from the design."""

from __future__ import annotations

from busplay.description.board import Unit
from busplay.description.link import Link


class NaiveDisplay:
    def __init__(self, unit: Unit) -> None:
        self.unit = unit
        self.memory = [0] * unit.memory_bytes
        if unit.font is not None and unit.font_offset is not None:
            rows = bytes.fromhex("".join(unit.font.glyphs))
            for i, row in enumerate(rows):
                self.memory[unit.font_offset + i] = row
        self.palette = [list(colour) for colour in unit.palette]
        self.base = unit.base_offset
        self.low = unit.base_offset % 256
        self.border = unit.border_index
        self.blank = False
        self.index = 0
        self.red = 0
        self.green = 0
        self.outside = 0
        self.cursor = self.cursor_low = self.cursor_shape = 0
        self.text_colours = 1
        self.page = self.page_shown = 0

    def write_memory(self, offset: int, data: int) -> None:
        if offset >= self.unit.memory_bytes:
            self.outside += 1
            return
        self.memory[offset] = data

    def write_register(self, offset: int, data: int) -> None:
        colours = 2**self.unit.bits_per_pixel
        if offset > 12 or (8 <= offset <= 11 and self.unit.mode != "text"):
            self.outside += 1
            return
        if offset == 12 and self.unit.pages == 1:
            self.outside += 1
            return
        if offset == 8:
            self.cursor_low = data
        if offset == 9:
            self.cursor = 256 * data + self.cursor_low
        if offset == 10:
            self.cursor_shape = data % 4
        if offset == 11:
            self.text_colours = data
        if offset == 12:
            self.page = data % self.unit.pages
        if offset == 0:
            self.low = data
        if offset == 1:
            self.base = 256 * data + self.low
        if offset == 2:
            self.border = data % colours
        if offset == 3:
            self.blank = data % 2 == 1
        if offset == 4:
            self.index = data % colours
        if offset == 5:
            self.red = data
        if offset == 6:
            self.green = data
        if offset == 7:
            self.palette[self.index] = [self.red, self.green, data]
            self.index = (self.index + 1) % colours

    def refresh(self) -> None:
        self.page_shown = self.page

    def first(self) -> int:
        return self.base + self.page_shown * self.unit.page_bytes

    def cell_pixel(self, x: int, y: int) -> int:
        unit, font = self.unit, self.unit.font
        assert font is not None
        column, across = divmod(x, font.width_px)
        row, down = divmod(y, font.height_px)
        cell = self.first() + row * unit.stride_bytes + column * unit.cell_bytes
        code = self.memory[cell % unit.memory_bytes]
        colours = self.text_colours
        if unit.cell_bytes == 2:
            colours = self.memory[(cell + 1) % unit.memory_bytes]
        if unit.font_offset is None:
            glyph_row = int(font.glyphs[code][2 * down : 2 * down + 2], 16)
        else:
            glyph_row = self.memory[unit.font_offset + code * font.height_px + down]
        lit = f"{glyph_row:08b}"[across] == "1"
        if cell % unit.memory_bytes == self.cursor % unit.memory_bytes:
            if self.cursor_shape >= 2:
                lit = not lit
            elif self.cursor_shape == 1 and font.height_px - down <= max(1, font.height_px // 8):
                lit = True
        return (colours % 16 if lit else colours // 16) % 2**unit.bits_per_pixel

    def pixel(self, x: int, y: int) -> int:
        """The palette index of one pixel."""
        if self.blank:
            return self.border
        if self.unit.mode == "text":
            return self.cell_pixel(x, y)
        bits = self.unit.bits_per_pixel
        bit = x * bits
        byte_in_row = bit // 8
        offset = (self.first() + y * self.unit.stride_bytes + byte_in_row) % self.unit.memory_bytes
        digits = f"{self.memory[offset]:08b}"
        place = bit % 8
        if self.unit.pixel_order == "low_first":
            place = 8 - bits - place
        return int(digits[place : place + bits], 2)

    def indices(self) -> list[list[int]]:
        return [
            [self.pixel(x, y) for x in range(self.unit.width_px)]
            for y in range(self.unit.height_px)
        ]

    def image(self) -> list[list[list[int]]]:
        return [[self.palette[index] for index in row] for row in self.indices()]


def field_of_word(word: int, name: str, link: Link) -> int | None:
    """One field of a frame, by writing the frame's bits out as they go over the wire."""
    wire = f"{word:0{link.frame_bits}b}"
    for one in link.fields:
        bits, wire = wire[: one.bits], wire[one.bits :]
        if one.name != name:
            continue
        if one.order == "low_first":
            bits = bits[::-1]
        if one.order == "low_digit_first":
            # The digits of full width lie lowest; the short one, if any, is the first digit.
            digits = []
            short = one.bits % link.lanes
            rest = bits
            while len(rest) > short:
                digits.append(rest[: link.lanes])
                rest = rest[link.lanes :]
            bits = "".join([rest, *reversed(digits)])
        return int(bits, 2)
    return None


def feed(displays: dict[int, NaiveDisplay], words: list[int], link: Link) -> dict[str, int]:
    """Apply frames one by one; `displays` by unit number. Returns what became of them."""
    counts = dict.fromkeys(("memory", "registers", "idle", "reserved_space", "unknown_unit"), 0)
    for word in words:
        space = field_of_word(word, "space", link)
        unit = field_of_word(word, "unit", link)
        address = field_of_word(word, "address", link)
        data = field_of_word(word, "data", link)
        assert address is not None
        assert data is not None
        if space is None:
            space = 1
        if unit is None:
            unit = next(iter(displays)) if len(displays) == 1 else 0
        if space == 0:
            counts["idle"] += 1
        elif space >= 3:
            counts["reserved_space"] += 1
        elif unit not in displays:
            counts["unknown_unit"] += 1
        elif space == 1:
            counts["memory"] += 1
            displays[unit].write_memory(address, data % 256)
        else:
            counts["registers"] += 1
            displays[unit].write_register(address, data % 256)
    return counts
