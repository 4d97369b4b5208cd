"""The report of `busplay why`, for `--json` and the library."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from busplay.core.interface import Registers


@dataclass(frozen=True, slots=True)
class PixelAsked:
    """The pixel, and the moment.

    Attributes:
        unit: name of its unit.
        x, y: from the top left.
        at_s: the moment, in seconds since processor cycle 0 (in a capture: in its own time); null:
            no clock is known.
        frames: frames of the recording sent by then.
    """

    unit: str
    x: int
    y: int
    at_s: float | None
    frames: int


@dataclass(frozen=True, slots=True)
class ColourShown:
    """The colour of the pixel.

    Attributes:
        red, green, blue: 0 to 255.
        index: palette index.
        is_blank: whether the whole picture has the border's colour.
    """

    red: int
    green: int
    blue: int
    index: int
    is_blank: bool


@dataclass(frozen=True, slots=True)
class StoreFound:
    """A store of the processor, as far as it is known.

    Attributes:
        frame: number of its frame in the recording, from 0; null: it was not sent.
        edge: link edge at which the frame starts, or at which the sender FIFO was full.
        time_s: the same in seconds since processor cycle 0 (in a capture: in its own time); null:
            no clock is known.
        cycle: of the store; the latest possible one if `cycle_is_exact` is false; null without a
            processor.
        cycle_is_exact: whether the cycle comes from a rerun of the program.
        address: processor address; null: no window makes such a frame.
        page: the page of banked memory that it showed; null: it is not banked, or that is not
            known.
        address_label: the label at or before it within its window, or null.
        data: the byte.
        program_counter: address of the instruction; this and the following are null if the program
            is not known.
        program_counter_page: its page of banked memory, or null.
        label: the label at or before that, or null.
        file, line: the instruction's place in the source, or null.
        registers: the processor's, at the instruction's start.
    """

    frame: int | None
    edge: int
    time_s: float | None
    cycle: int | None
    cycle_is_exact: bool
    address: int | None
    page: int | None
    address_label: str | None
    data: int
    program_counter: int | None = None
    program_counter_page: int | None = None
    label: str | None = None
    file: str | None = None
    line: int | None = None
    registers: Registers | None = None


@dataclass(frozen=True, slots=True)
class PaletteEntry:
    """The palette entry of the colour.

    Attributes:
        index: of the entry.
        store: the store to PALETTE_BLUE that set it; null: as at power-on.
        red_store, green_store: the stores of its other parts before that, or null.
    """

    index: int
    store: StoreFound | None
    red_store: StoreFound | None
    green_store: StoreFound | None


@dataclass(frozen=True, slots=True)
class PictureRegisters:
    """The unit's registers for the whole picture.

    Attributes:
        base_offset: offset of the top left pixel or cell of page 0.
        base_store: the store to BASE_HIGH that set it; null: as at power-on.
        base_low_store: the store to BASE_LOW before that, or null.
        blank_store: the last store to BLANK, or null.
        border_store: the last store to BORDER, if the picture is blank; or null.
        page: the page shown.
        page_store: the store to PAGE that the last refresh took over, or null.
    """

    base_offset: int
    base_store: StoreFound | None
    base_low_store: StoreFound | None
    blank_store: StoreFound | None
    border_store: StoreFound | None
    page: int
    page_store: StoreFound | None


@dataclass(frozen=True, slots=True)
class TextCell:
    """The character that the pixel is part of.

    Attributes:
        character: of code page 437, whose code is the pixel's byte; empty: it has none.
        colours: palette index of the ink in the low four bits, of the paper in the high four.
        colours_store: the last store to them; null: as at power-on.
        glyph_bits: the glyph's row with the pixel, the leftmost one highest.
        glyph_store: the last store to that row, if the font is in display memory; or null.
        is_ink: whether the pixel has the colour of the ink.
        is_cursor: whether the cursor changes it.
        cursor_store: the last store to CURSOR_HIGH, if the cursor is in this cell; or null.
        cursor_shape_store: the last store to CURSOR_SHAPE then, or null.
    """

    character: str
    colours: int
    colours_store: StoreFound | None
    glyph_bits: int
    glyph_store: StoreFound | None
    is_ink: bool
    is_cursor: bool
    cursor_store: StoreFound | None
    cursor_shape_store: StoreFound | None


@dataclass(frozen=True, slots=True)
class PixelByte:
    """The byte that holds the pixel.

    Attributes:
        unit: name of the unit.
        offset: in its memory.
        value: the byte.
        first_bit, last_bit: the pixel's bits in it, 7 the highest.
        writes: count of writes to it by then.
    """

    unit: str
    offset: int
    value: int
    first_bit: int
    last_bit: int
    writes: int


@dataclass(frozen=True, slots=True)
class WireLevels:
    """One wire's levels during a frame, edge by edge.

    Attributes:
        wire: `lane0` and so on, or `strobe`.
        levels: 0 or 1 at each edge.
        bits: the field's bit at each edge, such as `address.15`; empty if there is none.
    """

    wire: str
    levels: tuple[int, ...]
    bits: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class FrameOnWires:
    """A frame: its fields, and its symbols on each wire.

    Attributes:
        number: its number in the recording, from 0.
        edge: link edge at which it starts.
        time_s: the same in seconds; see `store`.
        word: its bits as hex digits, the first on the wire highest.
        fields: the value of each field, by name.
        lanes: the wires, the highest lane first, the strobe last.
    """

    number: int
    edge: int
    time_s: float | None
    word: str
    fields: dict[str, int]
    lanes: tuple[WireLevels, ...]


@dataclass(frozen=True, slots=True)
class CapturedWire:
    """One wire during the frame, in the capture.

    Attributes:
        wire: `lane0` and so on, or `strobe`.
        signal: its name in the capture; `!` marks an inverted probe.
        sample_at_ps: its sampling point, relative to the clock's edge.
        levels: level sampled at each edge.
        margins_ps: from each sampling point to the nearest change of the wire; null: none is
            within a clock level.
        margin_ps: the least of them; null: the wire did not change.
    """

    wire: str
    signal: str
    sample_at_ps: int
    levels: tuple[int, ...]
    margins_ps: tuple[int | None, ...]
    margin_ps: int | None


@dataclass(frozen=True, slots=True)
class CapturedFrame:
    """The frame in the capture.

    Attributes:
        file: the capture.
        clock: the clock's signal.
        edges_ps: time of each of the frame's clock edges, in the capture's own time.
        period_ps: usual time from one edge to the next.
        sample_ps: the analyser's sample period; a smaller margin is in doubt. null: negligible.
        wires: the lanes, the highest first, the strobe last.
    """

    file: str
    clock: str
    edges_ps: tuple[int, ...]
    period_ps: int
    sample_ps: int | None
    wires: tuple[CapturedWire, ...]


@dataclass(frozen=True, slots=True)
class StoreLost:
    """A store behind the colour that was not received as sent.

    Attributes:
        register: name of the register that it writes; null: display memory.
        state: `lost`, `damaged` or `late`.
        place: where it happened: `sender`, `wire` or `receiver`.
        causes: as text; several if the recordings do not show which.
        sent: the store.
        sent_frame: the frame sent; null: it was lost before it was sent.
        came: the frame received instead; null: none.
    """

    register: str | None
    state: Literal["lost", "damaged", "late"]
    place: Literal["sender", "wire", "receiver"]
    causes: tuple[str, ...]
    sent: StoreFound
    sent_frame: FrameOnWires | None
    came: FrameOnWires | None


@dataclass(frozen=True, slots=True)
class StoreForeign:
    """A store behind the colour in what arrived that was not sent so.

    Attributes:
        register: name of the register that it wrote; null: display memory.
        store: as it arrived.
        origin: `damaged` on the wire, or `spurious` (never sent).
        sent_frame: the frame that was sent, if it was damaged; or null.
    """

    register: str | None
    store: StoreFound
    origin: Literal["damaged", "spurious"]
    sent_frame: FrameOnWires | None


@dataclass(frozen=True, slots=True)
class PixelAgainst:
    """The same pixel in the other recording, at the same moment.

    Attributes:
        file: the other recording.
        colour: its colour.
        value: the byte that holds it.
        store: the last store to that byte; null: it was never written.
        origin: of that store's frame: `sent` so, `damaged` on the wire, or `spurious` (never
            sent); null: it was never written.
        sent_frame: the frame that was sent, if it was damaged; or null.
        other_stores: the stores to the palette, to the picture's registers, and for text to cells
            and glyphs, behind the colour there that were not sent so.
    """

    file: Path
    colour: ColourShown
    value: int
    store: StoreFound | None
    origin: Literal["sent", "damaged", "spurious"] | None
    sent_frame: FrameOnWires | None
    other_stores: tuple[StoreForeign, ...]


@dataclass(frozen=True, slots=True)
class PixelReport:
    """Why a pixel has its colour.

    Attributes:
        file: the trace or capture.
        pixel: the pixel and the moment.
        colour: its colour.
        palette: the palette entry of its colour.
        picture: the registers for the picture's base and blanking.
        byte: the byte that holds it; of text, the character's code.
        cell: the character; null: the unit shows a bitmap.
        store: the last store to that byte; null: it was never written.
        frame: the store's frame.
        capture: the frame's edges in the capture; null: the recording is a trace.
        loss: the last store to that byte, if it was not received as sent; null: none is known.
        other_losses: the stores to the palette, to the picture's registers, and for text to cells
            and glyphs, behind the colour that were not received as sent.
        against: the pixel in the recording of what arrived; null: none was given.
        history: the last stores to the byte, newest first, up to the count asked for.
        program: the program of the rerun; null: none.
        notes: what is not known, and why.
    """

    file: Path
    pixel: PixelAsked
    colour: ColourShown
    palette: PaletteEntry
    picture: PictureRegisters
    byte: PixelByte
    cell: TextCell | None
    store: StoreFound | None
    frame: FrameOnWires | None
    capture: CapturedFrame | None
    loss: StoreLost | None
    other_losses: tuple[StoreLost, ...]
    against: PixelAgainst | None
    history: tuple[StoreFound, ...]
    program: Path | None
    notes: tuple[str, ...]

    @property
    def is_as_sent(self) -> bool:
        """Whether no store behind the colour is known to be lost, changed or overwritten."""
        other = self.against
        if self.loss is not None or self.other_losses:
            return False
        return other is None or (other.origin in ("sent", None) and not other.other_stores)
