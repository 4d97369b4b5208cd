"""One unit: display memory and registers that frames write to, and the picture they make.

How to think about it. A display has no clock: writes change its arrays, and a picture is drawn
from the arrays when it is asked for. Only a page waits for a refresh, which comes from outside. At
power-on memory is zero, but for a font in it, and registers are as in the board file.

Departs: memory chips power up with random contents; ours is zero, so that runs are repeatable.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray

from busplay.batch import UInt8Column, UInt64Column
from busplay.description.board import Unit
from busplay.display import drawing, writes
from busplay.display.pixel_place import place_in_memory
from busplay.display.registers import POWER_ON_TEXT_COLOURS, power_on_values, registers_of
from busplay.errors import InputError
from busplay.png import encode_png, write_png

# Width of a picture in a notebook, at most where it is enlarged.
NOTEBOOK_PX = 512
STATE_MAGIC = b"BUDS"
# The first is of units without text and pages, whose row of numbers is shorter.
STATE_VERSIONS = {1: writes.BITMAP_ROW_NUMBERS, 2: writes.ROW_NUMBERS}
# Magic, version, bits of a pixel, two bytes of zero, colours, bytes of memory; then the row
# of numbers (uint64 each), the palette, the memory.
_STATE_HEAD = struct.Struct("<4sBB2xII")


def unit_facts(unit: Unit) -> tuple[int, ...]:
    """Return what the kernels must know of a unit, in the columns named in `writes`."""
    registers = sum(1 << one.offset for one in registers_of(unit))
    return (1 << unit.bits_per_pixel) - 1, registers, unit.pages


_SHOWN = (
    *(writes.BASE, writes.BORDER, writes.BLANK, writes.PAGE_SHOWN),
    *(writes.CURSOR, writes.CURSOR_SHAPE, writes.TEXT_COLOURS),
)


@dataclass(frozen=True, slots=True)
class DisplayCounters:
    """Writes outside a unit's memory and registers, since power-on.

    Attributes:
        frames_outside_memory: offsets at or after the end of display memory.
        frames_outside_registers: offsets without a register.
    """

    frames_outside_memory: int
    frames_outside_registers: int

    @property
    def frames_outside(self) -> int:
        """Both together."""
        return self.frames_outside_memory + self.frames_outside_registers


@dataclass(frozen=True, slots=True)
class DisplayArrays:
    """A unit's state; in a bank, views of the bank's arrays.

    Attributes:
        memory: uint8[memory_bytes].
        palette: uint8[colours, 3].
        row: uint64[ROW_NUMBERS]; registers and counters, columns named in `writes`.
    """

    memory: UInt8Column
    palette: NDArray[np.uint8]
    row: UInt64Column

    @classmethod
    def for_unit(cls, unit: Unit) -> DisplayArrays:
        """Make arrays for a unit outside a bank."""
        return cls(
            np.zeros(unit.memory_bytes, np.uint8),
            np.zeros((1 << unit.bits_per_pixel, 3), np.uint8),
            np.zeros(writes.ROW_NUMBERS, np.uint64),
        )


class Display:
    """A unit's memory, registers and picture.

    Args:
        unit: its description.
        arrays: for its state; the display's own by default.

    Attributes:
        unit: the description.
        colours: size of the palette, 2 ** bits of a pixel.

    >>> import busplay
    >>> session = busplay.Session("dunlin", program="tides.bin")
    >>> done = session.run(cycles=800_000)
    >>> panel = session.display("panel")
    >>> panel.image().shape, panel.memory[:4].tolist()
    ((192, 256, 3), [17, 17, 17, 17])
    >>> panel.save("screen.png")
    """

    def __init__(self, unit: Unit, arrays: DisplayArrays | None = None) -> None:
        self.unit = unit
        self.colours = 1 << unit.bits_per_pixel
        self._arrays = arrays or DisplayArrays.for_unit(unit)
        self._memory = self._arrays.memory
        self._palette = self._arrays.palette
        self._row = self._arrays.row
        self._facts = np.array(unit_facts(unit), np.uint64)
        self._state_version = 1 if not unit.is_text and unit.pages == 1 else 2
        # A font in ROM; None: there is none, or it is in display memory.
        self._glyphs: UInt8Column | None = None
        if unit.font is not None and unit.font_offset is None:
            self._glyphs = np.frombuffer(unit.font.rows, np.uint8)
        self._indexes_as_they_are = np.arange(self.colours, dtype=np.uint8)
        self.reset()

    def reset(self) -> None:
        """Reset to power-on: memory 0 but for a font in it, registers and palette as described."""
        self._memory[:] = 0
        if self.unit.font is not None and self.unit.font_offset is not None:
            font = np.frombuffer(self.unit.font.rows, np.uint8)
            self._memory[self.unit.font_offset :][: len(font)] = font
        self._palette[:] = np.array(self.unit.palette, np.uint8).reshape(-1, 3)
        self._row[:] = 0
        values = power_on_values(self.unit)
        self._row[writes.BASE] = self.unit.base_offset
        self._row[writes.BASE_LOW] = values["BASE_LOW"]
        self._row[writes.BORDER] = values["BORDER"]
        self._row[writes.TEXT_COLOURS] = values.get("TEXT_COLOURS", POWER_ON_TEXT_COLOURS)

    # -- writes

    def write_memory(self, offsets: ArrayLike, data: ArrayLike) -> None:
        """Write bytes to display memory, in order; offsets outside it are counted.

        Args:
            offsets: uint64[writes].
            data: uint8[writes].
        """
        writes.write_memory(*_columns(offsets, data), self._memory, self._row)

    def write_registers(self, offsets: ArrayLike, data: ArrayLike) -> None:
        """Write registers (`registers.REGISTERS`), in order; other offsets are counted.

        Args:
            offsets: uint64[writes].
            data: uint8[writes].
        """
        writes.write_registers(*_columns(offsets, data), self._row, self._palette, self._facts)

    def refresh(self) -> None:
        """Show the page that was written, as at a refresh."""
        self._row[writes.PAGE_SHOWN] = self._row[writes.PAGE]

    # -- state

    @property
    def memory(self) -> UInt8Column:
        """uint8[memory_bytes]; a read-only view that follows the writes."""
        return _read_only(self._memory)

    @property
    def palette(self) -> NDArray[np.uint8]:
        """uint8[colours, 3]; a read-only view that follows the writes."""
        return _read_only(self._palette)

    @property
    def base_offset(self) -> int:
        """Offset of the top left pixel or cell of page 0, as in the registers; drawing wraps it."""
        return int(self._row[writes.BASE])

    @property
    def base_low(self) -> int:
        """Low byte of the base offset, as written; it counts once the high byte is."""
        return int(self._row[writes.BASE_LOW])

    @property
    def palette_index(self) -> int:
        """Entry that the next colour goes to."""
        return int(self._row[writes.PALETTE_INDEX])

    @property
    def palette_parts(self) -> tuple[int, int]:
        """Red and green for the next colour."""
        return int(self._row[writes.RED]), int(self._row[writes.GREEN])

    @property
    def cursor_offset(self) -> int:
        """Offset of the cell with the cursor, as in the registers; drawing wraps it."""
        return int(self._row[writes.CURSOR])

    @property
    def cursor_low(self) -> int:
        """Low byte of the cursor's offset, as written; it counts once the high byte is."""
        return int(self._row[writes.CURSOR_LOW])

    @property
    def cursor_shape(self) -> int:
        """The cursor: 0 none, 1 a line, 2 or 3 ink and paper swapped."""
        return int(self._row[writes.CURSOR_SHAPE])

    @property
    def text_colours(self) -> int:
        """Colours of cells of one byte: ink in the low four bits, paper in the high four."""
        return int(self._row[writes.TEXT_COLOURS])

    @property
    def page(self) -> int:
        """The page that is shown, since the last refresh."""
        return int(self._row[writes.PAGE_SHOWN])

    @property
    def first_offset(self) -> int:
        """Offset of the top left pixel or cell of the page that is shown; drawing wraps it."""
        return self.base_offset + self.page * self.unit.page_bytes

    @property
    def shown_registers(self) -> tuple[int, ...]:
        """What of the registers decides on the picture."""
        return tuple(self._row[list(_SHOWN)].tolist())

    @property
    def border_index(self) -> int:
        """Palette index of the border."""
        return int(self._row[writes.BORDER])

    @property
    def border_rgb(self) -> tuple[int, int, int]:
        """Colour of the border."""
        red, green, blue = self._palette[self.border_index].tolist()
        return red, green, blue

    @property
    def is_blank(self) -> bool:
        """Whether the whole picture has the border's colour."""
        return bool(self._row[writes.BLANK])

    @property
    def counters(self) -> DisplayCounters:
        """Writes outside memory and registers."""
        return DisplayCounters(
            int(self._row[writes.OUTSIDE_MEMORY]), int(self._row[writes.OUTSIDE_REGISTERS])
        )

    # -- pictures

    def byte_offsets(self) -> NDArray[np.int64]:
        """Return int64[height_px, width_px]: which byte of memory each pixel shows.

        In text mode it is the code of the character.
        """
        unit = self.unit
        across, down = np.arange(unit.width_px), np.arange(unit.height_px)
        if unit.font is not None:
            in_row, rows = (
                across // unit.font.width_px * unit.cell_bytes,
                down // unit.font.height_px,
            )
        else:
            in_row, rows = across * unit.bits_per_pixel // 8, down
        first = rows * unit.stride_bytes + self.first_offset
        return (first[:, None] + in_row[None, :]) % len(self._memory)

    def pixel(self, x: int, y: int) -> tuple[int, int, int]:
        """Return where a pixel's byte stands in memory, the byte, and the pixel's index in it.

        In text mode the byte is the code of the character.

        Raises:
            ValueError: the picture has no such pixel.
        """
        unit = self.unit
        if not (0 <= x < unit.width_px and 0 <= y < unit.height_px):
            raise ValueError(
                f"pixel {x}, {y}: the picture has {unit.width_px} by {unit.height_px} pixels"
            )
        offset, shift = place_in_memory(unit, x, y, first_offset=self.first_offset)
        byte = int(self._memory[offset])
        if unit.is_text:
            return offset, byte, int(self._cell_indices()[y, x])
        return offset, byte, byte >> shift & (self.colours - 1)

    def indices(self) -> NDArray[np.uint8]:
        """Return the picture as uint8[height_px, width_px] palette indexes, without border."""
        out = np.empty((self.unit.height_px, self.unit.width_px), np.uint8)
        self.draw(out, self._indexes_as_they_are, left_px=0, top_px=0, scale=1)
        return out

    def image(self) -> NDArray[np.uint8]:
        """Return the picture as uint8[height_px, width_px, 3], without border."""
        return self._palette[self.indices()]

    def draw(
        self,
        out: NDArray[np.unsignedinteger],
        colours: NDArray[np.unsignedinteger],
        *,
        left_px: int,
        top_px: int,
        scale: int,
    ) -> None:
        """Draw the picture, without border, into rows of pixels, and clip it.

        Args:
            out: [rows, columns], C order; changed.
            colours: [colours] of the same dtype: the value of each palette index.
            left_px, top_px: position of the top left corner in `out`, 0 or more.
            scale: each pixel becomes a square of this side.
        """
        if out.ndim != 2 or not out.flags.c_contiguous:
            raise ValueError("out must have two dimensions in C order")
        if colours.shape != (self.colours,) or colours.dtype != out.dtype:
            raise ValueError(f"colours must be {out.dtype}[{self.colours}]")
        if left_px < 0 or top_px < 0 or scale < 1:
            raise ValueError(f"cannot draw at {left_px}, {top_px}, scale {scale}")
        if self.is_blank:
            bottom = top_px + scale * self.unit.height_px
            right = left_px + scale * self.unit.width_px
            out[top_px:bottom, left_px:right] = colours[self.border_index]
            return
        memory, first = self._memory, self.first_offset
        stride_bytes, bits = self.unit.stride_bytes, self.unit.bits_per_pixel
        if self.unit.is_text:
            # A bitmap of a byte a pixel.
            memory = self._cell_indices().reshape(-1)
            first, stride_bytes, bits = 0, self.unit.width_px, 8
        size = len(memory)
        drawing.draw_pixels(
            memory,
            first % size,
            stride_bytes % size,
            bits,
            self.unit.pixel_order == "high_first",
            colours,
            self.unit.width_px,
            self.unit.height_px,
            scale,
            out,
            left_px,
            top_px,
            np.empty(self.unit.width_px + 8, out.dtype),
            np.empty(self.unit.width_px * scale, out.dtype),
        )

    def _cell_indices(self) -> NDArray[np.uint8]:
        """Return the characters as uint8[height_px, width_px] palette indexes."""
        unit = self.unit
        assert unit.font is not None
        out = np.empty((unit.height_px, unit.width_px), np.uint8)
        drawing.draw_cells(
            self._memory,
            self.first_offset,
            unit.stride_bytes,
            unit.columns,
            unit.cell_bytes,
            self._memory if self._glyphs is None else self._glyphs,
            unit.font_offset or 0,
            unit.font.height_px,
            self._row,
            self.colours - 1,
            out,
        )
        return out

    def save(self, path: str | Path) -> None:
        """Write the picture, without its border, as a PNG file.

        Raises:
            OutputError: the file cannot be written.
        """
        write_png(path, self.image())

    def _repr_png_(self) -> bytes:
        """Return the picture for a notebook, enlarged by a whole number where it is small."""
        scale = max(1, NOTEBOOK_PX // self.unit.width_px)
        pixels = self.indices().repeat(scale, axis=0).repeat(scale, axis=1)
        return encode_png(pixels, palette=self._palette)

    # -- snapshots

    def state(self) -> bytes:
        """Return the state, counters included, for `restore`."""
        head = _STATE_HEAD.pack(
            STATE_MAGIC,
            self._state_version,
            self.unit.bits_per_pixel,
            self.colours,
            len(self._memory),
        )
        row = self._row[: STATE_VERSIONS[self._state_version]].astype("<u8").tobytes()
        return b"".join((head, row, self._palette.tobytes(), self._memory.tobytes()))

    def restore(self, state: bytes) -> None:
        """Go back to a state from `state` of a unit of the same description.

        Raises:
            InputError: the bytes are not such a state; nothing is changed.
        """
        row, palette, memory = self._read_state(state)
        self._row[: len(row)] = row
        self._palette[:] = palette.reshape(-1, 3)
        self._memory[:] = memory

    def _read_state(
        self, state: bytes
    ) -> tuple[UInt64Column, NDArray[np.uint8], NDArray[np.uint8]]:
        place = f"state of unit {self.unit.name}"
        palette_bytes = 3 * self.colours
        memory_bytes = len(self._memory)
        row_numbers = STATE_VERSIONS[self._state_version]
        whole = _STATE_HEAD.size + 8 * row_numbers + palette_bytes + memory_bytes
        if len(state) < _STATE_HEAD.size:
            raise InputError(place=place, found=f"{len(state)} bytes", wanted=f"it takes {whole}")
        magic, version, bits, colours, bytes_kept = _STATE_HEAD.unpack_from(state)
        if magic != STATE_MAGIC:
            raise InputError(place=place, found=repr(magic), wanted=f"it begins {STATE_MAGIC!r}")
        if version != self._state_version:
            raise InputError(
                place=place,
                found=f"version {version}",
                wanted=f"this reads {self._state_version}",
            )
        if (bits, colours, bytes_kept) != (self.unit.bits_per_pixel, self.colours, memory_bytes):
            raise InputError(
                place=place,
                found=f"{bits} bits a pixel, {colours} colours, {bytes_kept} bytes of memory",
                wanted=f"this unit has {self.unit.bits_per_pixel} bits, {self.colours} colours, "
                f"{memory_bytes} bytes",
            )
        if len(state) != whole:
            raise InputError(place=place, found=f"{len(state)} bytes", wanted=f"it takes {whole}")
        first = _STATE_HEAD.size
        row = np.frombuffer(state, "<u8", row_numbers, first).astype(np.uint64)
        first += 8 * row_numbers
        palette = np.frombuffer(state, np.uint8, palette_bytes, first)
        memory = np.frombuffer(state, np.uint8, memory_bytes, first + palette_bytes)
        for name, column, most in (
            ("base", writes.BASE, max(0xFFFF, self.unit.base_offset)),
            ("low byte of the base", writes.BASE_LOW, 0xFF),
            ("border", writes.BORDER, self.colours - 1),
            ("blank", writes.BLANK, 1),
            ("palette index", writes.PALETTE_INDEX, self.colours - 1),
            ("red", writes.RED, 0xFF),
            ("green", writes.GREEN, 0xFF),
            ("cursor", writes.CURSOR, 0xFFFF),
            ("low byte of the cursor", writes.CURSOR_LOW, 0xFF),
            ("shape of the cursor", writes.CURSOR_SHAPE, 3),
            ("colours of the text", writes.TEXT_COLOURS, 0xFF),
            ("page", writes.PAGE, self.unit.pages - 1),
            ("page shown", writes.PAGE_SHOWN, self.unit.pages - 1),
        ):
            if column < row_numbers and row[column] > most:
                raise InputError(
                    place=place, found=f"{name} {row[column]}", wanted=f"0 to {most} is right"
                )
        return row, palette, memory


def _columns(offsets: ArrayLike, data: ArrayLike) -> tuple[UInt64Column, UInt8Column]:
    offset_column = np.ascontiguousarray(offsets, np.uint64)
    data_column = np.ascontiguousarray(data, np.uint8)
    if offset_column.shape != data_column.shape or offset_column.ndim != 1:
        raise ValueError(
            f"offsets {offset_column.shape} and data {data_column.shape} must be equal columns"
        )
    return offset_column, data_column


def _read_only(array: NDArray[np.uint8]) -> NDArray[np.uint8]:
    view = array.view()
    view.flags.writeable = False
    return view
