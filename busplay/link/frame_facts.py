"""Constraints on a frame's bits, as equations over GF(2).

How to think about it. A frame is an unknown word. Its check field, its constants and its unused
fields (0) are linear equations in the word's bits; so is a pattern of symbols at a position. So
elimination answers exactly whether a frame can look like this, and a solution is an example for
people. Only `space` not being 0 is not linear; it is split into one case a value.
"""

from __future__ import annotations

from collections.abc import Iterator

from busplay.description.link import SPACE_MEMORY, SPACE_RESERVED
from busplay.link.layout import FrameLayout

Equations = list[tuple[int, int]]

# Fields that a store or the board fills in; all others are constant or 0.
FILLED_FIELDS = ("space", "unit", "sequence", "address", "data")


def word_equations(word: int, frame_bits: int, *, shift: int = 0) -> Equations:
    """Return equations for every bit of a word; its lowest bit is unknown number `shift`."""
    return [(1 << (place + shift), word >> place & 1) for place in range(frame_bits)]


def frame_equations(layout: FrameLayout, *, shift: int = 0) -> Equations:
    """Return the equations of a frame that a sender fills in, for any space.

    Args:
        layout: the frame's.
        shift: number of the unknown that is the frame's lowest bit.
    """
    link = layout.link
    known: Equations = []
    columns = layout.syndrome_columns[::-1]
    for bit in range(layout.syndrome_bits):
        factors = sum(
            1 << (place + shift) for place, column in enumerate(columns) if column >> bit & 1
        )
        known.append((factors, layout.syndrome_constant >> bit & 1))
    check_name = link.check.field if link.check else None
    for one in link.fields:
        if one.value is None and one.name != check_name and one.name not in FILLED_FIELDS:
            known += [(1 << (place + shift), 0) for place in layout.bit_places(one.name)]
    return known


def store_frame_cases(layout: FrameLayout, *, shift: int = 0) -> Iterator[Equations]:
    """Return the equations of a frame that carries a store, one case for each space.

    Args:
        layout: the frame's.
        shift: number of the unknown that is the frame's lowest bit.
    """
    known = frame_equations(layout, shift=shift)
    space = layout.link.field_named("space")
    if space is None:
        yield known
        return
    places = layout.bit_places("space")
    for value in range(SPACE_MEMORY, SPACE_RESERVED + 1):
        if value >> space.bits == 0:
            yield known + [
                (1 << (place + shift), value >> bit & 1) for bit, place in enumerate(places)
            ]


def describe_word(layout: FrameLayout, word: int) -> str:
    """List a frame's fields for a message: `space 1, unit 0, address $4000, data $12`."""
    if word == layout.idle_word:
        return "the idle frame"
    check_name = layout.link.check.field if layout.link.check else None
    parts = []
    for one in layout.link.fields:
        if one.name == check_name:
            continue
        value = sum(
            (word >> place & 1) << bit for bit, place in enumerate(layout.bit_places(one.name))
        )
        shown = f"${value:0{(one.bits + 3) // 4}X}" if one.bits > 4 else str(value)
        parts.append(f"{one.name} {shown}")
    return f"a frame of {', '.join(parts)}"


def show_word(layout: FrameLayout, word: int) -> str:
    """Write a frame's word as hex."""
    return f"0x{word:0{(layout.frame_bits + 3) // 4}X}"


def show_symbol_count(count: int) -> str:
    """Write a number of symbols: `1 symbol`, `3 symbols`."""
    return "1 symbol" if count == 1 else f"{count} symbols"
