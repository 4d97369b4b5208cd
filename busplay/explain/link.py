"""What a link description means: its facts as plain values, and as text for a terminal."""

from __future__ import annotations

from fractions import Fraction
from typing import TypedDict

import numpy as np

from busplay.description.link import (
    Check,
    Field,
    Framing,
    Link,
    MarkerFraming,
    StrobeFraming,
)
from busplay.explain.text_layout import INDENT, LINE_CHARACTERS, heading, pairs, table, wrapped
from busplay.link.framing.strobe import frame_levels, idle_level
from busplay.link.layout import FrameLayout
from busplay.units import NS_PER_S
from busplay.wording import counted, exact, hertz, hex_digits

CODE_OF_KNOWN = {"space": "s", "unit": "u", "sequence": "q", "address": "a", "data": "d"}
MEANING_OF_KNOWN = {
    "space": "0 idle, 1 memory, 2 registers, 3 kept",
    "unit": "which display is meant",
    "sequence": "counts frames that are not idle",
    "address": "offset within the space",
    "data": "the byte",
}
# A long gap between frames is named, not drawn.
SHOWN_GAP_SYMBOLS = 4
LETTERS = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ"


class FractionFacts(TypedDict):
    """An exact number that need not be whole."""

    numerator: int
    denominator: int


class WireBitFacts(TypedDict):
    """Where one bit of a field (0 is its lowest) travels; symbols and lanes count from 0."""

    bit: int
    symbol: int
    lane: int


class FieldFacts(TypedDict):
    """One field; `code` is what stands for it in pictures; `wire` has the highest bit first."""

    name: str
    bits: int
    order: str
    value: int | None
    code: str
    meaning: str
    wire: list[WireBitFacts]


class CheckFacts(TypedDict):
    """The check field; `polynomial` is without its highest term."""

    field: str
    kind: str
    bits: int
    polynomial: int
    polynomial_text: str
    initial: int
    xor: int
    covers: list[str]


class FramingFacts(TypedDict, total=False):
    """How frames are found; only the keys that the method has."""

    method: str
    span: str
    active: str
    gap_symbols: int
    strobe_levels: list[int]
    symbols: list[int]
    rule: str
    confirm_frames: int
    release_frames: int


class LinkFacts(TypedDict):
    """A link; `clock` is `processor` or `own`; times that hang on an unknown clock are None."""

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
    slot_link_cycles: FractionFacts
    slot_processor_cycles: FractionFacts | None
    slot_ns: FractionFacts | None
    fields: list[FieldFacts]
    check: CheckFacts | None
    framing: FramingFacts
    idle_word: int | None
    idle_every: int | None
    idle_symbols: list[int]


def fraction_facts(value: Fraction) -> FractionFacts:
    """Return an exact number as two whole ones."""
    return {"numerator": value.numerator, "denominator": value.denominator}


def fraction_of(facts: FractionFacts) -> Fraction:
    """Return the number back."""
    return Fraction(facts["numerator"], facts["denominator"])


def link_facts(link: Link, *, processor_hz: int | None = None) -> LinkFacts:
    """Return everything that follows from a link's description, as values that JSON holds.

    Args:
        link: sound, as `load_link` gives it.
        processor_hz: the board's clock, if there is a board.
    """
    layout = FrameLayout(link)
    strobe = isinstance(link.framing, StrobeFraming)
    slot_link_cycles = Fraction(layout.slot_symbols, link.edges_per_cycle)
    clock_hz = link.clock_hz or processor_hz
    slot_ns = slot_link_cycles * NS_PER_S / clock_hz if clock_hz else None
    slot_processor_cycles = None
    if link.clock_hz is None:
        slot_processor_cycles = slot_link_cycles
    elif processor_hz is not None:
        slot_processor_cycles = slot_link_cycles * processor_hz / link.clock_hz
    return {
        "kind": "link",
        "name": link.name,
        "description": link.description,
        "file": link.file,
        "lanes": link.lanes,
        "wires": 1 + link.lanes + (1 if strobe else 0),
        "edges": link.edges,
        "edges_per_cycle": link.edges_per_cycle,
        "clock": "own" if link.clock_hz else "processor",
        "clock_hz": clock_hz,
        "start": link.start,
        "first_bit_lane": link.first_bit_lane,
        "frame_bits": layout.frame_bits,
        "frame_symbols": layout.frame_symbols,
        "slot_symbols": layout.slot_symbols,
        "slot_link_cycles": fraction_facts(slot_link_cycles),
        "slot_processor_cycles": (
            fraction_facts(slot_processor_cycles) if slot_processor_cycles else None
        ),
        "slot_ns": fraction_facts(slot_ns) if slot_ns else None,
        "fields": _fields_facts(link, layout),
        "check": _check_facts(link.check, link) if link.check else None,
        "framing": _framing_facts(link.framing, layout),
        # Between frames of a strobed link nothing is sent.
        "idle_word": None if strobe else layout.idle_word,
        "idle_every": link.idle_every,
        "idle_symbols": [int(symbol) for symbol in layout.idle_symbols],
    }


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


def _fields_facts(link: Link, layout: FrameLayout) -> list[FieldFacts]:
    facts: list[FieldFacts] = []
    idle = layout.unpack(np.array([layout.idle_word], np.uint64))
    for one, code in zip(link.fields, _codes(link.fields), strict=True):
        wire: list[WireBitFacts] = []
        for bit, place in reversed(list(enumerate(layout.bit_places(one.name)))):
            symbol, in_symbol = divmod(layout.frame_bits - 1 - place, link.lanes)
            highest = link.first_bit_lane == "highest"
            lane = link.lanes - 1 - in_symbol if highest else in_symbol
            wire.append({"bit": bit, "symbol": symbol, "lane": lane})
        facts.append(
            {
                "name": one.name,
                "bits": one.bits,
                "order": one.order,
                "value": one.value,
                "code": code,
                "meaning": _meaning(one, link, idle_value=int(idle[one.name][0])),
                "wire": wire,
            }
        )
    return facts


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
    return {
        "field": check.field,
        "kind": check.kind,
        "bits": bits,
        "polynomial": check.polynomial,
        "polynomial_text": polynomial_text(check.polynomial, bits),
        "initial": check.initial,
        "xor": check.xor,
        "covers": list(check.covers),
    }


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
        return {
            "method": "strobe",
            "span": framing.span,
            "active": framing.active,
            "gap_symbols": framing.gap_symbols,
            "strobe_levels": levels + gap,
        }
    if isinstance(framing, MarkerFraming):
        facts: FramingFacts = {
            "method": "marker",
            "symbols": list(framing.symbols),
            "rule": framing.rule,
            "release_frames": framing.release_frames,
        }
        if framing.rule == "confirm":
            facts["confirm_frames"] = framing.confirm_frames
        return facts
    return {
        "method": "check",
        "confirm_frames": framing.confirm_frames,
        "release_frames": framing.release_frames,
    }


def link_text(link: Link, *, processor_hz: int | None = None) -> str:
    """Explain a link in plain text of 80 columns: wires, times, fields, and a picture of a frame.

    Args:
        link: sound, as `load_link` gives it.
        processor_hz: the board's clock, if there is a board.
    """
    facts = link_facts(link, processor_hz=processor_hz)
    lines = [f"Link {facts['name']}" + (f", from {facts['file']}" if facts["file"] else "")]
    lines += wrapped(facts["description"])
    lines.append("")
    lines += pairs(_summary(facts))
    lines += heading("Fields, first one first")
    lines += _field_table(facts)
    lines += heading("What each wire carries: a column is one edge, symbol 0 comes first")
    lines += frame_picture(facts)
    return "\n".join(lines)


def _summary(facts: LinkFacts) -> list[tuple[str, str]]:
    lanes = counted(facts["lanes"], "lane")
    strobe = " and a strobe" if facts["framing"]["method"] == "strobe" else ""
    clock = "the processor's" if facts["clock"] == "processor" else "its own"
    if facts["clock_hz"]:
        clock += f", {hertz(facts['clock_hz'])}"
    edges = {"both": "both edges", "rising": "the rising edge", "falling": "the falling edge"}
    first_bit = ""
    if facts["lanes"] > 1:
        first_bit = f"; a symbol's first bit is on the {facts['first_bit_lane']} lane"
    rows = [
        ("wires", f"a clock, {lanes}{strobe}; sampled on {edges[facts['edges']]} of the clock"),
        ("clock", clock),
        (
            "frame",
            f"{counted(facts['frame_bits'], 'bit')} in {counted(facts['frame_symbols'], 'symbol')}"
            f" of {counted(facts['lanes'], 'bit')}{first_bit}",
        ),
        ("slot", slot_text(facts)),
        (
            "start",
            "on the grid of slots" if facts["start"] == "slot" else "on any cycle of the clock",
        ),
        ("framing", _framing_text(facts)),
    ]
    check = facts["check"]
    if check is None:
        rows.append(("check", "none"))
    else:
        rows.append(
            (
                "check",
                f"{check['kind']}: {check['polynomial_text']}, initial "
                f"{hex_digits(check['initial'], bits=check['bits'])}, XOR "
                f"{hex_digits(check['xor'], bits=check['bits'])}, over "
                f"{', '.join(check['covers'])}",
            )
        )
    if facts["idle_word"] is None:
        rows.append(("idle", "nothing is sent"))
    else:
        often = f"; one slot in {facts['idle_every']:,} at least" if facts["idle_every"] else ""
        idle_word = hex_digits(facts["idle_word"], bits=facts["frame_bits"])
        rows.append(("idle", f"frame {idle_word}{often}"))
    return rows


def slot_text(facts: LinkFacts) -> str:
    """Write how long a slot takes, in every unit that is known."""
    parts = [counted(facts["slot_symbols"], "symbol")]
    if facts["clock"] == "own":
        cycles = fraction_of(facts["slot_link_cycles"])
        parts.append(f"{exact(cycles)} link clock {'cycle' if cycles == 1 else 'cycles'}")
    if facts["slot_processor_cycles"] is not None:
        cycles = fraction_of(facts["slot_processor_cycles"])
        parts.append(f"{exact(cycles)} processor {'cycle' if cycles == 1 else 'cycles'}")
    if facts["slot_ns"] is not None:
        parts.append(f"{exact(fraction_of(facts['slot_ns']))} ns")
    return ", ".join(parts)


def _framing_text(facts: LinkFacts) -> str:
    framing = facts["framing"]
    if framing["method"] == "strobe":
        when = {"first": "with a frame's first symbol", "frame": "for the whole frame"}
        gap = framing["gap_symbols"]
        rest = f", then at rest for {counted(gap, 'symbol')}" if gap else ""
        return f"by strobe, {framing['active']} {when[framing['span']]}{rest}"
    release = f"lets go after {counted(framing['release_frames'], 'wrong frame')} running"
    if framing["method"] == "check":
        confirm = framing["confirm_frames"]
        return f"by the check: locks after 1 + {confirm} right frames running, {release}"
    symbols = " ".join(hex_digits(one, bits=facts["lanes"]) for one in framing["symbols"])
    if framing["rule"] == "unique":
        return f"by marker {symbols}, which stands nowhere else; {release}"
    confirm = framing["confirm_frames"]
    return (
        f"by marker {symbols}; locks once the check has held {confirm} times running from it, "
        f"{release}"
    )


def _field_table(facts: LinkFacts) -> list[str]:
    rows = [("field", "bits", "shown as", "carries")]
    for one in facts["fields"]:
        low, high = f"{one['code']}0", f"{one['code']}{one['bits'] - 1}"
        shown = low if one["bits"] == 1 else f"{low} to {high}"
        rows.append((one["name"], str(one["bits"]), shown, one["meaning"]))
    return table(rows, right=frozenset({1}))


def frame_picture(facts: LinkFacts) -> list[str]:
    """Draw a slot as a grid: a row for each wire, a column for each symbol."""
    framing = facts["framing"]
    gap_symbols = facts["slot_symbols"] - facts["frame_symbols"]
    shown_symbols = facts["frame_symbols"] + min(gap_symbols, SHOWN_GAP_SYMBOLS)
    rows: list[tuple[str, list[str]]] = [
        (f"lane {lane}", ["-"] * shown_symbols) for lane in range(facts["lanes"])
    ]
    for one in facts["fields"]:
        for wire in one["wire"]:
            rows[wire["lane"]][1][wire["symbol"]] = f"{one['code']}{wire['bit']}"
    rows.reverse()
    if framing["method"] == "strobe":
        levels = ["hi" if level else "lo" for level in framing["strobe_levels"][:shown_symbols]]
        rows.insert(0, ("strobe", levels))
    label_width = max(len(label) for label, _ in rows)
    widest = max(len(cell) for _, cells in rows for cell in cells)
    width = max(widest, len(str(shown_symbols - 1))) + 1
    in_a_line = (LINE_CHARACTERS - len(INDENT) - label_width) // width
    lines: list[str] = []
    for first in range(0, shown_symbols, in_a_line):
        if first:
            lines.append("")
        columns = range(first, min(first + in_a_line, shown_symbols))
        numbers = "".join(str(column).rjust(width) for column in columns)
        lines.append(f"{INDENT}{'symbol'.ljust(label_width)}{numbers}")
        for label, cells in rows:
            shown = "".join(cells[column].rjust(width) for column in columns)
            lines.append(f"{INDENT}{label.ljust(label_width)}{shown}")
    if gap_symbols:
        lines.append(f"{INDENT}- the lane rests low, for {counted(gap_symbols, 'symbol')}")
    return lines
