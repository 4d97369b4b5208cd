"""A frame as in the design: a list of bits, first on the wire first."""

from __future__ import annotations

from busplay.description.link import Field, Link, MarkerFraming, StrobeFraming
from tests.naive.check_field import long_division


def bits_of_field(field: Field, value: int, lanes: int) -> list[int]:
    """List a field's bits in wire order."""
    text = f"{value:0{field.bits}b}"
    if field.order == "low_first":
        text = text[::-1]
    elif field.order == "low_digit_first":
        digits = [text[i : i + lanes] for i in range(0, len(text), lanes)]
        text = "".join(reversed(digits))
    return [int(one) for one in text]


def value_of_field(field: Field, bits: list[int], lanes: int) -> int:
    """Invert `bits_of_field` by trying each bit alone."""
    value = 0
    for place in range(field.bits):
        if bits[bits_of_field(field, 1 << place, lanes).index(1)]:
            value += 1 << place
    return value


def frame_bits(link: Link, values: dict[str, int]) -> list[int]:
    """List a frame's bits: fields (0 if not given), constants, and the check."""
    check = link.check
    given = {one.name: values.get(one.name, one.value or 0) for one in link.fields}
    if check is not None:
        covered: list[int] = []
        for one in link.fields:
            if one.name in check.covers:
                covered += bits_of_field(one, given[one.name], link.lanes)
        field = link.field_named(check.field)
        assert field is not None
        given[check.field] = long_division(
            covered,
            polynomial=check.polynomial,
            check_bits=field.bits,
            initial=check.initial,
            xor=check.xor,
        )
    out: list[int] = []
    for one in link.fields:
        out += bits_of_field(one, given[one.name], link.lanes)
    return out


def fields_of(link: Link, bits: list[int]) -> dict[str, int]:
    """Split a frame's bits into fields."""
    values = {}
    place = 0
    for one in link.fields:
        values[one.name] = value_of_field(one, bits[place : place + one.bits], link.lanes)
        place += one.bits
    return values


def symbols_of_bits(link: Link, bits: list[int]) -> list[int]:
    """Put each `lanes` bits on the lanes."""
    symbols = []
    for start in range(0, len(bits), link.lanes):
        digit = bits[start : start + link.lanes]
        if link.first_bit_lane == "lowest":
            digit = digit[::-1]
        symbols.append(int("".join(map(str, digit)), 2))
    return symbols


def bits_of_symbols(link: Link, symbols: list[int]) -> list[int]:
    """Invert `symbols_of_bits`."""
    bits: list[int] = []
    for symbol in symbols:
        digit = [int(one) for one in f"{symbol:0{link.lanes}b}"]
        bits += digit[::-1] if link.first_bit_lane == "lowest" else digit
    return bits


def word_of_bits(bits: list[int]) -> int:
    """Join bits to a word, the first highest."""
    return int("".join(map(str, bits)), 2)


def slot_symbols(link: Link, bits: list[int]) -> list[int]:
    """List the symbols of a slot with a frame, strobe and gap included."""
    symbols = symbols_of_bits(link, bits)
    framing = link.framing
    if not isinstance(framing, StrobeFraming):
        return symbols
    strobe = 1 << link.lanes
    active, rest = (strobe, 0) if framing.active == "high" else (0, strobe)
    levels = [active if i == 0 or framing.span == "frame" else rest for i in range(len(symbols))]
    held = [symbol + level for symbol, level in zip(symbols, levels, strict=True)]
    return held + [rest] * framing.gap_symbols


def idle_slot(link: Link) -> list[int]:
    """List the symbols of a slot without a frame."""
    framing = link.framing
    if isinstance(framing, StrobeFraming):
        rest = 0 if framing.active == "high" else 1 << link.lanes
        return [rest] * (sum(one.bits for one in link.fields) // link.lanes + framing.gap_symbols)
    values = {one.name: one.value or 0 for one in link.fields} | link.idle
    bits = frame_bits(link, values)
    if isinstance(framing, MarkerFraming):
        # The marker replaces the first bits; the check covers it.
        symbols = list(framing.symbols) + symbols_of_bits(link, bits)[len(framing.symbols) :]
        bits = frame_bits(link, fields_of(link, bits_of_symbols(link, symbols)))
    return symbols_of_bits(link, bits)
