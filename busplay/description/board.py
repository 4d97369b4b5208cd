"""A board file as typed values; `read_board` reads it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from busplay.description.banks import Bank, bank_index
from busplay.description.devices import Device
from busplay.description.link import Link
from busplay.wording import counted

Processor = Literal["6502", "65c02"]
MemoryKind = Literal["ram", "rom"]
Undocumented = Literal["stop", "run"]
Space = Literal["memory", "registers"]
PixelOrder = Literal["high_first", "low_first"]
UnitMode = Literal["bitmap", "text"]
ImageFormat = Literal["auto", "raw", "ihex", "srec", "elf"]

HOST_PORT_REGISTERS = 16
GLYPHS = 256


@dataclass(frozen=True, slots=True)
class Image:
    """A file loaded into memory before reset.

    Attributes:
        path: absolute.
        format: format of the file; `auto` detects it by its first bytes and its suffix.
        load_address: where a raw image is loaded; None for formats that have addresses.
    """

    path: Path
    format: ImageFormat = "auto"
    load_address: int | None = None


@dataclass(frozen=True, slots=True)
class Memory:
    """A range of processor addresses that holds RAM or ROM.

    Attributes:
        kind: `ram` or `rom`.
        first_address, last_address: first and last address of the range, both included.
        image: file loaded into it before reset; None: RAM and ROM begin as zeros.
    """

    kind: MemoryKind
    first_address: int
    last_address: int
    image: Image | None = None


@dataclass(frozen=True, slots=True)
class Window:
    """A range of processor addresses whose stores are sent on the link.

    Attributes:
        name: name for messages and tables.
        first_address, last_address: first and last address of the range, both included.
        unit: name of the unit that its stores go to.
        space: the unit's memory or its registers.
        first_offset: offset within the space of `first_address`.
        lands_in_ram: whether the store is also written to the RAM under the window.
        page: the window takes stores only while the bank under it shows this page; None: whatever
            is shown.
    """

    name: str
    first_address: int
    last_address: int
    unit: str
    space: Space
    first_offset: int = 0
    lands_in_ram: bool = False
    page: int | None = None

    @property
    def last_offset(self) -> int:
        """Offset within the space of `last_address`."""
        return self.first_offset + self.last_address - self.first_address


@dataclass(frozen=True, slots=True)
class Font:
    """The shapes of characters: a glyph for each of 256 codes.

    Attributes:
        name: of a shipped font, or of the file that it was read from.
        width_px, height_px: size of a cell.
        glyphs: for each code its rows from the top, two hex digits a row; the leftmost pixel is in
            a row's highest bit.
    """

    name: str
    width_px: int
    height_px: int
    glyphs: tuple[str, ...]

    @property
    def rows(self) -> bytes:
        """All glyphs, one after another, a byte a row."""
        return bytes.fromhex("".join(self.glyphs))


@dataclass(frozen=True, slots=True)
class Unit:
    """One display behind the link.

    Attributes:
        name: as in `units.NAME`.
        number: value of the frame's `unit` field; each unit has its own.
        width_px, height_px: size of the picture; in text mode columns and rows of the font's cells.
        bits_per_pixel: bits of a palette index: 1, 2, 4 or 8; in text mode 1, 2 or 4.
        pixel_order: where a byte's leftmost pixel is: in its highest bits (`high_first`) or in its
            lowest (`low_first`).
        stride_bytes: bytes from one row of pixels or cells to the next; at least those of a row.
        base_offset: offset of the top left pixel or cell at power-on; programs move it by register.
        memory_bytes: size of display memory; the picture wraps at its end.
        palette: colours as (red, green, blue); 2 ** bits_per_pixel of them.
        border_px: border that the window draws around the picture, in pixels.
        border_index: palette index of the border at power-on.
        mode: what display memory holds: pixels (`bitmap`) or cells of characters (`text`).
        columns, rows: cells across and down, in text mode.
        cell_bytes: 1, a character's code; or 2, its code and then its colours, the palette index
            of the ink in the low four bits and that of the paper in the high four.
        font: the shapes of the characters, in text mode.
        font_offset: where the font is in display memory, so that programs can change it; None: it
            is in ROM.
        pages: pictures that display memory holds; the register PAGE chooses the one shown.
        page_bytes: bytes from one page to the next.
    """

    name: str
    number: int
    width_px: int
    height_px: int
    bits_per_pixel: int
    palette: tuple[tuple[int, int, int], ...]
    pixel_order: PixelOrder
    stride_bytes: int
    base_offset: int
    memory_bytes: int
    border_px: int = 0
    border_index: int = 0
    mode: UnitMode = "bitmap"
    columns: int = 0
    rows: int = 0
    cell_bytes: int = 1
    font: Font | None = None
    font_offset: int | None = None
    pages: int = 1
    page_bytes: int = 0

    @property
    def is_text(self) -> bool:
        """Whether it shows characters."""
        return self.mode == "text"

    @property
    def shows(self) -> str:
        """What it shows, in words: characters or pixels, and pages."""
        if self.is_text:
            text = f"{self.columns} x {self.rows} characters of {counted(self.cell_bytes, 'byte')}"
        else:
            depth = counted(self.bits_per_pixel, "bit")
            text = f"{self.width_px:,} x {self.height_px:,} pixels of {depth}"
        return text if self.pages == 1 else f"{text}, {self.pages} pages"

    @property
    def picture_bytes(self) -> int:
        """Bytes from the start of the first row to the end of the last."""
        return self.stride_bytes * (self.rows if self.is_text else self.height_px)


@dataclass(frozen=True, slots=True)
class HostPort:
    """The host port: sixteen registers, the only thing that the processor reads from the host.

    Attributes:
        first_address: address of its first register.
        refresh_hz: rate of the refresh interrupt.
        random_seed: seed of the register RANDOM.
    """

    first_address: int
    refresh_hz: int = 60
    random_seed: int = 1


@dataclass(frozen=True, slots=True)
class BusyTime:
    """Times in which the receiver's video side has the memory, and no frame is served.

    Attributes:
        period_ns: time from the start of one to the start of the next.
        length_ns: length of each.
        phase_ns: start of the first, from link edge 0 on.
        jitter_ns: each begins up to this much later, at random (the faults' seed).
    """

    period_ns: int
    length_ns: int
    phase_ns: int = 0
    jitter_ns: int = 0


@dataclass(frozen=True, slots=True)
class Sender:
    """The board's end of the link.

    Attributes:
        fifo_depth: frames that the sender FIFO holds, without the output register for the next
            frame; a store that finds it full is lost.
        lead_frames: idle slots sent before the processor's cycle 0.
    """

    fifo_depth: int = 16
    lead_frames: int = 16


@dataclass(frozen=True, slots=True)
class ReceiverEnd:
    """The receiver.

    Attributes:
        fifo_depth: frames that the receiver FIFO holds; a frame that finds it full is lost.
        service_ns: time to take one frame into display memory.
        deadline_ns: a frame served later than this after its arrival is lost; None: no deadline.
        correct_one_bit: correct a single bit error, if the check can locate it.
        busy: times in which the video side has the memory.
    """

    fifo_depth: int = 64
    service_ns: int = 0
    deadline_ns: int | None = None
    correct_one_bit: bool = False
    busy: tuple[BusyTime, ...] = ()


@dataclass(frozen=True, slots=True)
class Board:
    """A machine: processor, memory map, windows, link, units, both ends, host port.

    Attributes:
        name: short name.
        processor: `6502` (NMOS) or `65c02`.
        clock_hz: the processor's clock.
        link: the link: name of a shipped one, or path of a file relative to the board file.
        memory: RAM and ROM; addresses may be unmapped.
        windows: ranges whose stores are sent on the link.
        units: the displays behind the link, each under `[units.NAME]`.
        sender: the board's end of the link.
        receiver: the receiver.
        host_port: the host port; None: there is none.
        devices: timers, ports and serial lines on the processor's bus.
        unmapped_read: byte that a read of an unmapped address returns.
        undocumented: what the processor does at undocumented instructions: `stop`, or `run` the
            stable ones.
        program_load_address: where a raw program is loaded; None: programs must have addresses.
        banks: ranges that show one of several pages of memory.
        description: text for people.
        file: where it was read from; for messages only.

    >>> import busplay
    >>> board = busplay.load_board("dunlin")
    >>> board.processor, board.clock_hz, [unit.name for unit in board.units]
    ('65c02', 8000000, ['panel', 'sign'])
    """

    name: str
    processor: Processor
    clock_hz: int
    link: Link
    memory: tuple[Memory, ...]
    windows: tuple[Window, ...]
    units: tuple[Unit, ...]
    sender: Sender = Sender()
    receiver: ReceiverEnd = ReceiverEnd()
    host_port: HostPort | None = None
    devices: tuple[Device, ...] = ()
    unmapped_read: int = 0xFF
    undocumented: Undocumented = "stop"
    program_load_address: int | None = None
    banks: tuple[Bank, ...] = ()
    description: str = ""
    file: str = ""

    def bank_at(self, address: int) -> int | None:
        """Return the index of the bank that has an address; None: none, or only an overlay."""
        return bank_index(address, self.banks)

    @property
    def image_paths(self) -> tuple[Path, ...]:
        """The files that its memory and banks are loaded from."""
        paths = [one.image.path for one in self.memory if one.image is not None]
        return (*paths, *(one.image for one in self.banks if one.image is not None))

    @property
    def refresh_hz(self) -> int:
        """Pictures in a second: the host port's refresh, or 60 without a host port."""
        return (self.host_port or HostPort(0)).refresh_hz

    def unit_named(self, name: str) -> Unit:
        """Return a unit by name.

        Raises:
            KeyError: there is none.
        """
        for unit in self.units:
            if unit.name == name:
                return unit
        raise KeyError(name)
