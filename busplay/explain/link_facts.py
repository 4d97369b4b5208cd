"""What follows from a link's description, as data: the figures of `busplay check --json`."""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from fractions import Fraction

import numpy as np

from busplay.description.link import Check, Field, Framing, Link, MarkerFraming, StrobeFraming
from busplay.description.read_link import STORE_FIELDS
from busplay.link.framing.strobe import frame_levels, idle_level
from busplay.link.layout import FrameLayout
from busplay.units import NS_PER_S
from busplay.wording import counted

CODE_OF_KNOWN = {"space": "s", "unit": "u", "sequence": "q", "address": "a", "data": "d"}
MEANING_OF_KNOWN = {
    "space": "0 idle, 1 memory, 2 registers, 3 reserved",
    "unit": "which display is meant",
    "sequence": "counts frames that are not idle",
    "address": "offset within the space",
    "data": "the byte",
}
LETTERS = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ"


@dataclass(frozen=True, slots=True)
class WireBit:
    """Where one bit of a field travels.

    Attributes:
        bit: of the field, from 0, the lowest.
        symbol: of the frame, from 0, the first.
        lane: from 0.
    """

    bit: int
    symbol: int
    lane: int


@dataclass(frozen=True, slots=True)
class FieldFacts:
    """One field of a frame.

    Attributes:
        name: its name.
        bits: its width.
        order: in which its bits go out: `high_first`, `low_first` or `low_digit_first`.
        value: the constant that every frame carries here; null: it has none.
        code: what stands for it in pictures, such as `a` of `address`.
        meaning: what it carries, in words.
        wire: where its bits travel, the highest first.
    """

    name: str
    bits: int
    order: str
    value: int | None
    code: str
    meaning: str
    wire: tuple[WireBit, ...]


@dataclass(frozen=True, slots=True)
class CheckFacts:
    """The check field.

    Attributes:
        field: name of the field that holds it.
        kind: its name in the catalogue, or `custom`.
        bits: its width.
        polynomial: without its highest term.
        polynomial_text: written out, as `x^4+x+1`.
        initial: start value of the register.
        xor: XORed to the remainder.
        covers: names of the covered fields, in wire order.
    """

    field: str
    kind: str
    bits: int
    polynomial: int
    polynomial_text: str
    initial: int
    xor: int
    covers: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class FramingFacts:
    """How a receiver finds frames; what its method does not have is null.

    Attributes:
        method: `strobe`, `marker` or `check`.
        span: the strobe marks the `first` symbol, or is held for the `frame`.
        active: level of the strobe that means active, `high` or `low`.
        gap_symbols: symbols with the strobe inactive after each frame.
        strobe_levels: the strobe's level with each symbol of a slot, 0 or 1.
        symbols: the marker.
        rule: `unique`, or `confirm` where the check confirms the marker.
        confirm_frames: valid frames in a row before the receiver is in sync.
        release_frames: invalid frames in a row before it loses sync.
    """

    method: str
    span: str | None = None
    active: str | None = None
    gap_symbols: int | None = None
    strobe_levels: tuple[int, ...] | None = None
    symbols: tuple[int, ...] | None = None
    rule: str | None = None
    confirm_frames: int | None = None
    release_frames: int | None = None


@dataclass(frozen=True, slots=True)
class LinkFacts:
    """Everything that follows from a link's description.

    Attributes:
        kind: `link`.
        name: the link's name.
        description: its description, empty if it has none.
        file: where it was read from.
        lanes: data wires.
        wires: all wires: clock, lanes and strobe.
        edges: clock edges that sample the lanes: `rising`, `falling` or `both`.
        edges_per_cycle: edges that sample the lanes, in a cycle of the link's clock.
        clock: `processor`, or `own`.
        clock_hz: the link's clock; null: the processor's, and no board says which.
        start: frames start on the `slot` grid, or at any clock `cycle`.
        first_bit_lane: the lane that carries a symbol's first bit: `highest` or `lowest`.
        frame_bits: bits of a frame.
        frame_symbols: symbols of a frame.
        slot_symbols: symbols of a slot: the frame's and the strobe's gap.
        slot_link_cycles: a slot in cycles of the link's clock.
        slot_processor_cycles: a slot in processor cycles; null: no board says.
        slot_ns: a slot in nanoseconds; null: no board says.
        fields: the fields, in wire order.
        check: the check field; null: the link has none.
        framing: how a receiver finds frames.
        idle_word: bits of the idle frame, the first on the wire highest; null: with a strobe
            nothing is sent between frames.
        idle_every: of this many slots in a row at least one stays idle; null: none need.
        idle_symbols: what an idle slot carries, strobe included.
        remarks: what is possible and seldom meant.
    """

    kind: str
    name: str
    description: str
    file: str
    lanes: int
    wires: int
    edges: str
    edges_per_cycle: int
    clock: str
    clock_hz: int | None
    start: str
    first_bit_lane: str
    frame_bits: int
    frame_symbols: int
    slot_symbols: int
    slot_link_cycles: Fraction
    slot_processor_cycles: Fraction | None
    slot_ns: Fraction | None
    fields: tuple[FieldFacts, ...]
    check: CheckFacts | None
    framing: FramingFacts
    idle_word: int | None
    idle_every: int | None
    idle_symbols: tuple[int, ...]
    remarks: tuple[str, ...]


def link_facts(link: Link, *, processor_hz: int | None = None) -> LinkFacts:
    """Return everything that follows from a link's description.

    Args:
        link: each table of its file is right by itself.
        processor_hz: the board's clock, if there is a board.
    """
    layout = FrameLayout(link)
    strobe = isinstance(link.framing, StrobeFraming)
    slot_link_cycles = Fraction(layout.slot_symbols, link.edges_per_cycle)
    clock_hz = link.clock_hz or processor_hz
    slot_processor_cycles = None
    if link.clock_hz is None:
        slot_processor_cycles = slot_link_cycles
    elif processor_hz is not None:
        slot_processor_cycles = slot_link_cycles * processor_hz / link.clock_hz
    return LinkFacts(
        kind="link",
        name=link.name,
        description=link.description,
        file=link.file,
        lanes=link.lanes,
        wires=1 + link.lanes + (1 if strobe else 0),
        edges=link.edges,
        edges_per_cycle=link.edges_per_cycle,
        clock="own" if link.clock_hz else "processor",
        clock_hz=clock_hz,
        start=link.start,
        first_bit_lane=link.first_bit_lane,
        frame_bits=layout.frame_bits,
        frame_symbols=layout.frame_symbols,
        slot_symbols=layout.slot_symbols,
        slot_link_cycles=slot_link_cycles,
        slot_processor_cycles=slot_processor_cycles,
        slot_ns=slot_link_cycles * NS_PER_S / clock_hz if clock_hz else None,
        fields=_fields_facts(link, layout),
        check=_check_facts(link.check, link) if link.check else None,
        framing=_framing_facts(link.framing, layout),
        idle_word=None if strobe else layout.idle_word,
        idle_every=link.idle_every,
        idle_symbols=tuple(int(symbol) for symbol in layout.idle_symbols),
        remarks=link_remarks(link),
    )


def _codes(fields: tuple[Field, ...]) -> list[str]:
    """Return each field a code of its own: a letter of its name where one is free."""
    known = {CODE_OF_KNOWN[one.name] for one in fields if one.name in CODE_OF_KNOWN}
    codes: list[str] = []
    for one in fields:
        code = CODE_OF_KNOWN.get(one.name)
        if code is None:
            taken = known.union(codes)
            letters = [letter for letter in one.name if letter.isalpha()]
            free = (letter for letter in (*letters, *LETTERS) if letter not in taken)
            code = next(free, None) or _pair_code(taken)
        codes.append(code)
    return codes


def _pair_code(taken: set[str]) -> str:
    """Return a code of two letters; a frame of 64 one-bit fields runs out of single ones."""
    return next(a + b for a in LETTERS for b in LETTERS if a + b not in taken)


def _fields_facts(link: Link, layout: FrameLayout) -> tuple[FieldFacts, ...]:
    facts: list[FieldFacts] = []
    idle = layout.unpack(np.array([layout.idle_word], np.uint64))
    for one, code in zip(link.fields, _codes(link.fields), strict=True):
        wire: list[WireBit] = []
        for bit, place in reversed(list(enumerate(layout.bit_places(one.name)))):
            symbol, in_symbol = divmod(layout.frame_bits - 1 - place, link.lanes)
            highest = link.first_bit_lane == "highest"
            lane = link.lanes - 1 - in_symbol if highest else in_symbol
            wire.append(WireBit(bit, symbol, lane))
        meaning = _meaning(one, link, idle_value=int(idle[one.name][0]))
        facts.append(
            FieldFacts(one.name, one.bits, one.order, one.value, code, meaning, tuple(wire))
        )
    return tuple(facts)


def _meaning(field: Field, link: Link, *, idle_value: int) -> str:
    stored = field.value or 0
    if field.name in MEANING_OF_KNOWN:
        meaning = MEANING_OF_KNOWN[field.name]
    elif link.check is not None and field.name == link.check.field:
        meaning = "the check"
    elif isinstance(link.framing, StrobeFraming) or idle_value == stored:
        meaning = f"always {stored}"
    else:
        meaning = f"{stored} in a store's frame, {idle_value} in an idle one"
    order = {
        "high_first": "",
        "low_first": "; lowest bit first",
        "low_digit_first": "; lowest digit first",
    }[field.order]
    return meaning + order


def _check_facts(check: Check, link: Link) -> CheckFacts:
    field = link.field_named(check.field)
    bits = field.bits if field else 0
    text = polynomial_text(check.polynomial, bits)
    return CheckFacts(bits=bits, polynomial_text=text, **asdict(check))


def polynomial_text(polynomial: int, bits: int) -> str:
    """Write a polynomial out, its highest term included.

    >>> polynomial_text(0b0011, 4)
    'x^4+x+1'
    """
    powers = [bits, *(power for power in range(bits - 1, -1, -1) if polynomial >> power & 1)]
    return "+".join({0: "1", 1: "x"}.get(power, f"x^{power}") for power in powers)


def _framing_facts(framing: Framing, layout: FrameLayout) -> FramingFacts:
    if isinstance(framing, StrobeFraming):
        levels = frame_levels(framing, layout.frame_symbols)
        gap = [idle_level(framing)] * framing.gap_symbols
        return FramingFacts(
            method="strobe",
            span=framing.span,
            active=framing.active,
            gap_symbols=framing.gap_symbols,
            strobe_levels=(*levels, *gap),
        )
    # The facts of the other ways are those of their descriptions.
    facts = FramingFacts(
        "marker" if isinstance(framing, MarkerFraming) else "check", **asdict(framing)
    )
    return replace(facts, confirm_frames=None) if facts.rule == "unique" else facts


def link_remarks(link: Link) -> tuple[str, ...]:
    """Return what a link's description leaves possible and its writer seldom means."""
    missing = [name for name in STORE_FIELDS if link.field_named(name) is None]
    if not missing:
        return ()
    fields = f"{counted(len(missing), 'field').partition(' ')[2]} named {' and '.join(missing)}"
    return (f"no {fields}, so no board can use this link; captures of it decode to frames",)
