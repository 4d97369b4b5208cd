"""The answer to `busplay why`: what its `--json` prints, and the library returns."""

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
        at_s: the moment, in seconds since processor cycle 0 (of a capture: in its own time); null:
            no clock is known.
        frames: frames of the recording that had gone over the link by then.
    """

    unit: str
    x: int
    y: int
    at_s: float | None
    frames: int


@dataclass(frozen=True, slots=True)
class ColourShown:
    """What the pixel shows.

    Attributes:
        red, green, blue: 0 to 255.
        index: palette index.
        is_blank: the whole picture has the border's colour, whatever the byte is.
    """

    red: int
    green: int
    blue: int
    index: int
    is_blank: bool


@dataclass(frozen=True, slots=True)
class StoreFound:
    """A store of the processor that reached a unit, as far as it is known.

    Attributes:
        frame: which frame of the recording carried it, from 0; null: it became none.
        edge: link edge at which the frame starts, or at which the sender's FIFO was full.
        time_s: the same in seconds since processor cycle 0 (of a capture: in its own time); null:
            no clock is known.
        cycle: of the store; the latest that it can have been where `cycle_is_exact` is false;
            null without a processor.
        cycle_is_exact: the program was run beside its recording.
        address: processor address; null: no window makes such a frame.
        address_label: the label at or before it within its window, or null.
        data: the byte.
        program_counter: address of the instruction; this and what follows is null where the
            program is not known.
        label: the label at or before that, or null.
        file, line: where the instruction stands in the source, or null.
        registers: the processor's, as the instruction began.
    """

    frame: int | None
    edge: int
    time_s: float | None
    cycle: int | None
    cycle_is_exact: bool
    address: int | None
    address_label: str | None
    data: int
    program_counter: int | None = None
    label: str | None = None
    file: str | None = None
    line: int | None = None
    registers: Registers | None = None


@dataclass(frozen=True, slots=True)
class PaletteEntry:
    """Where the colour comes from.

    Attributes:
        index: of the entry.
        store: the store to PALETTE_BLUE that set it; null: it is as at power-on.
        red_store, green_store: the stores of its other parts before that, or null.
    """

    index: int
    store: StoreFound | None
    red_store: StoreFound | None
    green_store: StoreFound | None


@dataclass(frozen=True, slots=True)
class PictureRegisters:
    """What the unit's registers say about the whole picture.

    Attributes:
        base_offset: offset of the top left pixel.
        base_store: the store to BASE_HIGH that set it; null: it is as at power-on.
        base_low_store: the store to BASE_LOW before that, or null.
        blank_store: the last store to BLANK, or null.
        border_store: the last store to BORDER, where the picture is blank; or null.
    """

    base_offset: int
    base_store: StoreFound | None
    base_low_store: StoreFound | None
    blank_store: StoreFound | None
    border_store: StoreFound | None


@dataclass(frozen=True, slots=True)
class PixelByte:
    """The byte that holds the pixel.

    Attributes:
        unit: name of the unit.
        offset: in its memory.
        value: the byte.
        first_bit, last_bit: the pixel's bits in it, 7 the highest.
        writes: how often it had been written by then.
    """

    unit: str
    offset: int
    value: int
    first_bit: int
    last_bit: int
    writes: int


@dataclass(frozen=True, slots=True)
class WireLevels:
    """What one wire carries during a frame, edge by edge.

    Attributes:
        wire: `lane0` and so on, or `strobe`.
        levels: 0 or 1 at each edge.
        bits: the field's bit that each stands for, such as `address.15`; empty where it stands for
            none.
    """

    wire: str
    levels: tuple[int, ...]
    bits: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class FrameOnWires:
    """A frame: its fields, and its symbols on each wire.

    Attributes:
        number: which frame of the recording, from 0.
        edge: link edge at which it starts.
        time_s: the same in seconds; see `store`.
        word: its bits as hexadecimal digits, the first on the wire highest.
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
    """One wire during the frame, as the capture shows it.

    Attributes:
        wire: `lane0` and so on, or `strobe`.
        signal: its name in the capture; `!` marks an inverted probe.
        sample_at_ps: when it is read, from the clock's edge.
        levels: what was read at each edge.
        margins_ps: from the moment of each reading to the nearest change of the wire; null: none
            is within a clock level either way.
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
        sample_ps: the analyser's sample period; a margin below it is in doubt. null: finer than
            matters.
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
    """A later store to the byte that did not arrive as it was sent.

    Attributes:
        state: `lost`, `damaged` or `late`.
        place: where it happened: `sender`, `wire` or `receiver`.
        causes: in words; several where the recordings do not tell which.
        sent: the store.
        sent_frame: what was sent; null: it was lost before it became a frame.
        came: what came instead; null: nothing.
    """

    state: Literal["lost", "damaged", "late"]
    place: Literal["sender", "wire", "receiver"]
    causes: tuple[str, ...]
    sent: StoreFound
    sent_frame: FrameOnWires | None
    came: FrameOnWires | None


@dataclass(frozen=True, slots=True)
class PixelAgainst:
    """The same pixel in the other recording, at the same moment.

    Attributes:
        file: the other recording.
        colour: what it shows.
        value: the byte that holds it.
        store: the last store to that byte; null: it was never written.
    """

    file: Path
    colour: ColourShown
    value: int
    store: StoreFound | None


@dataclass(frozen=True, slots=True)
class PixelReport:
    """Why a pixel is so.

    Attributes:
        file: the trace or capture.
        pixel: which, and when.
        colour: what it shows.
        palette: the entry that gives it its colour.
        picture: the registers that say where the picture begins and whether it is blank.
        byte: the byte that holds it.
        store: the last store to that byte; null: it was never written.
        frame: what carried the store.
        capture: the frame's edges in the capture; null: it is no capture.
        loss: the last store to that byte, where it did not arrive as sent; null: none is known.
        against: the pixel in the recording of what arrived; null: none was given.
        history: the last stores to the byte, newest first, as many as were asked for.
        program: the program that was run beside the recording; null: none.
        notes: what could not be told, and why.
    """

    file: Path
    pixel: PixelAsked
    colour: ColourShown
    palette: PaletteEntry
    picture: PictureRegisters
    byte: PixelByte
    store: StoreFound | None
    frame: FrameOnWires | None
    capture: CapturedFrame | None
    loss: StoreLost | None
    against: PixelAgainst | None
    history: tuple[StoreFound, ...]
    program: Path | None
    notes: tuple[str, ...]
