"""Make a link from choices: lanes, framing, check, a count of frames. Sound ones only.

The frame is built as the shipped links are: space, unit, sequence, address, data, check. Bits
that are left in its last symbol make the sequence field longer, up to 16 bits, and then a
constant. A marker is the pattern that no row of frames can show: a flag bit that is 0 in every
store's frame, and an idle frame of which all but the first symbol's other bits are ones.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from busplay.description.check_catalogue import CHECK_CATALOGUE
from busplay.description.link import (
    WORD_BITS,
    Check,
    CheckFraming,
    Field,
    Framing,
    Link,
    MarkerFraming,
    StrobeFraming,
)
from busplay.errors import DescriptionError
from busplay.link.rules import require_sound

FramingChoice = Literal["strobe", "select", "marker", "check"]
FRAMING_CHOICES: tuple[FramingChoice, ...] = ("strobe", "select", "marker", "check")
CHECK_CHOICES = ("none", "parity_odd", "crc4_g704", "crc5_usb", "hec_i432")
LEAST_SELF_FINDING_BITS = 4
SEQUENCE_BITS_MAX = 16
# The XOR that a shipped link has where the check's own leaves idle frames alike everywhere.
USUAL_XOR = {"crc4_g704": 5}


@dataclass(frozen=True, slots=True)
class Payload:
    """What every frame has to carry; data has 8 bits.

    Attributes:
        space_bits: bits of the field `space`.
        unit_bits: bits of the field `unit`.
        address_bits: bits of the field `address`.
    """

    space_bits: int
    unit_bits: int
    address_bits: int


@dataclass(frozen=True, slots=True)
class LinkChoice:
    """One point of the search, clock and edges aside.

    Attributes:
        lanes: data lanes.
        framing: `strobe` marks the first symbol, `select` is held for the frame.
        check: a name of the catalogue, or `none`.
        sequence_bits: at least; what is left in the last symbol comes on top.
    """

    lanes: int
    framing: FramingChoice
    check: str
    sequence_bits: int


def build_link(choice: LinkChoice, payload: Payload) -> Link | None:
    """Make the link of a choice, on the processor's clock and its rising edge.

    Returns:
        None where there is no such link: too long, or no receiver could find its frames.
    """
    check_bits = CHECK_CATALOGUE[choice.check].bits if choice.check != "none" else 0
    if choice.framing == "check" and check_bits < LEAST_SELF_FINDING_BITS:
        return None
    if choice.framing == "marker" and (check_bits or choice.lanes < 2):
        return None
    fields = _fields(choice, payload, check_bits)
    if fields is None:
        return None
    link = Link(
        name=f"{choice.lanes}-{choice.framing}",
        lanes=choice.lanes,
        edges="rising",
        fields=fields,
        framing=_framing(choice, sum(one.bits for one in fields)),
    )
    if check_bits:
        return _with_sound_check(link, choice.check)
    return link if _is_sound(link) else None


def _fields(choice: LinkChoice, payload: Payload, check_bits: int) -> tuple[Field, ...] | None:
    flag_bits = 1 if choice.framing == "marker" else 0
    widths = {
        "flag": flag_bits,
        "space": payload.space_bits,
        "unit": payload.unit_bits,
        "sequence": choice.sequence_bits,
        "address": payload.address_bits,
        "data": 8,
        "spare": 0,
        "check": check_bits,
    }
    left = -sum(widths.values()) % choice.lanes
    longer = min(left, SEQUENCE_BITS_MAX - choice.sequence_bits)
    widths["sequence"] += longer
    widths["spare"] = left - longer
    if sum(widths.values()) > WORD_BITS:
        return None
    return tuple(
        Field(name, bits, value=0 if name in ("flag", "spare") else None)
        for name, bits in widths.items()
        if bits
    )


def _framing(choice: LinkChoice, frame_bits: int) -> Framing:
    if choice.framing == "strobe":
        return StrobeFraming(span="first")
    if choice.framing == "select":
        return StrobeFraming(span="frame", active="low", gap_symbols=1)
    if choice.framing == "check":
        return CheckFraming()
    highest, all_ones = 1 << (choice.lanes - 1), (1 << choice.lanes) - 1
    return MarkerFraming(symbols=(highest, *[all_ones] * (frame_bits // choice.lanes - 1)))


def _with_sound_check(link: Link, kind: str) -> Link | None:
    entry = CHECK_CATALOGUE[kind]
    covers = tuple(one.name for one in link.fields if one.name != "check")
    usual = USUAL_XOR.get(kind, entry.xor)
    for xor in (usual, *(other for other in range(1 << entry.bits) if other != usual)):
        check = Check("check", kind, entry.polynomial, entry.initial, xor, covers)
        checked = replace(link, check=check)
        if _is_sound(checked):
            return checked
    return None


def _is_sound(link: Link) -> bool:
    try:
        require_sound(link)
    except DescriptionError:
        return False
    return True
