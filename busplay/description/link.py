"""A link file as typed values; `read_link` reads it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

Edges = Literal["rising", "falling", "both"]
FieldOrder = Literal["high_first", "low_first", "low_digit_first"]
FirstBitLane = Literal["highest", "lowest"]
StartRule = Literal["slot", "cycle"]
MarkerRule = Literal["unique", "confirm"]
StrobeSpan = Literal["first", "frame"]
StrobeActive = Literal["high", "low"]

# The most that a frame's word holds.
WORD_BITS = 64

# What the field named `space` says: common to every link that has one.
SPACE_IDLE = 0
SPACE_MEMORY = 1
SPACE_REGISTERS = 2
SPACE_RESERVED = 3

# Defaults of ITU-T I.432.1: DELTA valid checks to be in sync, ALPHA invalid ones to lose it.
CONFIRM_FRAMES = 6
RELEASE_FRAMES = 7


@dataclass(frozen=True, slots=True)
class Field:
    """One named run of bits in a frame.

    Attributes:
        name: `space`, `unit`, `sequence`, `address` and `data` have fixed meanings; the check
            table names the check field; others carry `value`, or 0.
        bits: width, 1 to 64.
        value: constant in every frame, or None.
        order: `high_first`: highest bit first on the wire; `low_first`: lowest bit first;
            `low_digit_first`: the lowest digit of `lanes` bits first, each digit highest bit first.
    """

    name: str
    bits: int
    value: int | None = None
    order: FieldOrder = "high_first"


@dataclass(frozen=True, slots=True)
class Check:
    """The check field: a CRC (or parity, a CRC of one bit) over other fields, in wire order.

    Attributes:
        field: name of the field that holds the check.
        kind: name in the catalogue (`busplay.description.check_catalogue`), or `custom`.
        polynomial: without its highest term; x^4+x+1 is 0b0011.
        initial: start value of the register.
        xor: XORed to the remainder.
        covers: names of the covered fields; all but the check field by default.
    """

    field: str
    kind: str
    polynomial: int
    initial: int
    xor: int
    covers: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class StrobeFraming:
    """A lane of its own marks the first symbol, or is held for the frame (a chip select).

    Attributes:
        span: `first`: active with a frame's first symbol only; `frame`: held for the frame.
        active: level that means active.
        gap_symbols: symbols with the strobe inactive after each frame; at least 1 for `frame`.
    """

    span: StrobeSpan = "first"
    active: StrobeActive = "high"
    gap_symbols: int = 0


@dataclass(frozen=True, slots=True)
class MarkerFraming:
    """Idle frames begin with a fixed pattern of symbols; the receiver finds it, then counts.

    Attributes:
        symbols: the pattern, first symbol first.
        rule: `unique`: no sequence of frames shows the pattern anywhere else (proved when the link
            is read); `confirm`: an alignment needs `confirm_frames` valid frames in a row.
        confirm_frames: valid frames in a row from presync to sync (`confirm`).
        release_frames: invalid frames in a row until the receiver hunts again.
    """

    symbols: tuple[int, ...]
    rule: MarkerRule = "unique"
    confirm_frames: int = CONFIRM_FRAMES
    release_frames: int = RELEASE_FRAMES


@dataclass(frozen=True, slots=True)
class CheckFraming:
    """Self-delineation by the check field, as ITU-T I.432.1 does with its header check.

    Attributes:
        confirm_frames: valid frames in a row from presync to sync (DELTA).
        release_frames: invalid frames in a row until the receiver hunts again (ALPHA).
    """

    confirm_frames: int = CONFIRM_FRAMES
    release_frames: int = RELEASE_FRAMES


Framing = StrobeFraming | MarkerFraming | CheckFraming


@dataclass(frozen=True, slots=True)
class Link:
    """A one-way link: a clock, lanes, a frame of named fields, a way to find frames.

    Attributes:
        name: short name.
        lanes: data wires, 1 to 16, not including a strobe.
        edges: clock transitions on which the lanes are sampled.
        clock_hz: the link's own clock; None: the processor's.
        fields: in wire order; together 1 to 64 bits, a multiple of the symbol's.
        framing: how a receiver finds a frame's first symbol.
        check: the check field, or None.
        idle: values of the idle frame's fields that are neither 0 nor constant.
        start: frames start on the slot grid, or (strobe only) at any clock cycle.
        first_bit_lane: the lane that carries the first of a symbol's bits.
        idle_every: the sender leaves one slot in this many idle, even on a busy link; None: none.
            Not with a strobe, which sends no idle frames.
        description: text for people.
        file: where it was read from; for messages only.

    >>> import busplay
    >>> link = busplay.load_link("guarded")
    >>> link.frame_bits, link.lanes, [field.name for field in link.fields]
    (40, 5, ['space', 'unit', 'sequence', 'address', 'data', 'check'])
    """

    name: str
    lanes: int
    edges: Edges
    fields: tuple[Field, ...]
    framing: Framing
    check: Check | None = None
    clock_hz: int | None = None
    idle: dict[str, int] = field(default_factory=dict)
    start: StartRule = "slot"
    first_bit_lane: FirstBitLane = "highest"
    idle_every: int | None = None
    description: str = ""
    file: str = ""

    @property
    def frame_bits(self) -> int:
        """Bits of one frame, check and constants included."""
        return sum(one.bits for one in self.fields)

    @property
    def edges_per_cycle(self) -> int:
        """Sampling edges in one cycle of the link's clock."""
        return 2 if self.edges == "both" else 1

    def field_named(self, name: str) -> Field | None:
        """Return a field by name, or None."""
        return next((one for one in self.fields if one.name == name), None)
