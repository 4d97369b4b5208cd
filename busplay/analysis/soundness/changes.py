"""Changes to a link that may help: each makes another link, and says what to write in its file.

How to think about it. A change is only proposed here; `advice` recomputes its link and keeps it
if it helps. So proposals may be useless, but they should be few.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from busplay.analysis.soundness.idle import idle_facts
from busplay.analysis.soundness.polynomials import KNOWN_POLYNOMIALS
from busplay.analysis.soundness.weights import UndetectedErrors, count_undetected
from busplay.description.link import (
    WORD_BITS,
    Check,
    Field,
    Link,
    MarkerFraming,
    StrobeFraming,
)
from busplay.description.read_check import KNOWN_NAMES
from busplay.errors import BusplayError
from busplay.explain.link_facts import polynomial_text
from busplay.link.layout import FrameLayout
from busplay.link.rules import find_faults

# Up to this width every polynomial is tried, above it those of `polynomials`.
SEARCHED_CHECK_BITS_MAX = 10
XORS_TRIED_MAX = 64
WIDER_BITS_MAX = 8
SEARCHED_VALUES_MAX = 256
SEQUENCE_BITS_LEAST = 4
# Changes of a kind that are passed on to be recomputed.
MENDING_MOST = 2
IDLE_EVERY_TRIED = (64, 16, 8, 4)
QUICK_RELEASE = 2


@dataclass(frozen=True, slots=True)
class Change:
    """One change to a link.

    Attributes:
        kind: what is changed, such as `other XOR`.
        text: what to write in the link file.
        link: the link with the change.
    """

    kind: str
    text: str
    link: Link


def breaks_no_rule(link: Link) -> bool:
    """Return whether frames can be found and an idle link holds no receiver in false sync."""
    if find_faults(link):
        return False
    idle = idle_facts(FrameLayout(link))
    return idle is None or not idle.holding_rotations


# -- against broken rules


def other_xors(link: Link) -> Iterator[Change]:
    """Return other values of `check.xor`, lowest first."""
    check = link.check
    field = link.field_named(check.field) if check else None
    if check is None or field is None:
        return
    for xor in range(min(1 << field.bits, SEARCHED_VALUES_MAX)):
        if xor != check.xor:
            other = replace(link, check=replace(check, xor=xor))
            yield Change("other XOR", f"check.xor = 0x{xor:X}", other)


def other_idles(link: Link) -> Iterator[Change]:
    """Return other values of the idle frame's fields, fields that stores set last."""
    if isinstance(link.framing, StrobeFraming):
        return
    check_name = link.check.field if link.check else ""
    for field in sorted(link.fields, key=lambda one: one.name in ("data", "address")):
        if field.value is not None or field.name in (check_name, "space"):
            continue
        for value in range(1, min(1 << field.bits, SEARCHED_VALUES_MAX)):
            other = replace(link, idle=link.idle | {field.name: value})
            yield Change("other idle", f"idle.{field.name} = 0x{value:X}", other)


def other_markers(link: Link) -> Iterator[Change]:
    """Return other markers, then the rule that lets a marker be imitated."""
    framing = link.framing
    if not isinstance(framing, MarkerFraming):
        return
    for symbols in _markers(link):
        other = replace(link, framing=replace(framing, symbols=symbols))
        shown = ", ".join(f"0x{symbol:X}" for symbol in symbols)
        yield Change("other marker", f"framing.symbols = [{shown}]", other)
    if framing.rule == "unique" and link.check is not None:
        other = replace(link, framing=replace(framing, rule="confirm"))
        yield Change("confirmed marker", 'framing.rule = "confirm"', other)


def _markers(link: Link) -> Iterator[tuple[int, ...]]:
    """Return markers to try, short ones first: a symbol, then all ones or all zeros."""
    ones = (1 << link.lanes) - 1
    first_bit = 0
    for field in link.fields:
        if link.check is not None and field.name == link.check.field:
            break
        first_bit += field.bits
    starts = dict.fromkeys((1 << link.lanes - 1, ones, ones - 1, 1, 0, ones >> 1))
    for count in range(1, first_bit // link.lanes + 1):
        for rest in (ones, 0):
            for start in starts:
                yield (start, *(rest,) * (count - 1))


def repairing(changes: Iterator[Change]) -> Iterator[Change]:
    """Return the first changes with which a link breaks no rule, if there are any."""
    found = 0
    for change in changes:
        try:
            is_fine = breaks_no_rule(change.link)
        except (BusplayError, ValueError):
            continue
        if is_fine:
            yield change
            found += 1
            if found == MENDING_MOST:
                return


# -- a field that counts, idle slots


def with_idle_slot(link: Link) -> Iterator[Change]:
    """Return links with idle slots, alone and with a receiver that soon releases sync."""
    framing = link.framing
    if isinstance(framing, StrobeFraming):
        return
    for every in IDLE_EVERY_TRIED:
        if link.idle_every is not None and link.idle_every <= every:
            continue
        other = replace(link, idle_every=every)
        yield Change("idle every N", f"idle_every = {every}", other)
        if framing.release_frames > QUICK_RELEASE:
            quick = replace(other, framing=replace(framing, release_frames=QUICK_RELEASE))
            text = f"idle_every = {every}, framing.release_frames = {QUICK_RELEASE}"
            yield Change("idle every N", text, quick)


def with_sequence(link: Link) -> Iterator[Change]:
    """Return links with a sequence field of 4 bits or more, in whole symbols, at each place."""
    bits = -(-SEQUENCE_BITS_LEAST // link.lanes) * link.lanes
    room = with_room(link, bits)
    if link.field_named("sequence") is not None or room is None:
        return
    link, taken = room
    for at, behind in enumerate(link.fields):
        fields = (*link.fields[:at], Field("sequence", bits), *link.fields[at:])
        check = link.check
        if check is not None:
            covered = (*check.covers, "sequence")
            check = replace(check, covers=tuple(one.name for one in fields if one.name in covered))
        text = f"a field sequence of {bits} bits before {behind.name}"
        if taken:
            text += f", {taken}"
        yield Change("a sequence field", text, replace(link, fields=fields, check=check))


# -- the check


def wider_checks(link: Link) -> Iterator[Change]:
    """Return links with a check of a bit more, and of whole symbols more."""
    field = link.field_named(link.check.field) if link.check else None
    bits = field.bits if field else 0
    steps = dict.fromkeys((1, *range(link.lanes, max(WIDER_BITS_MAX, link.lanes) + 1, link.lanes)))
    if field is None:
        steps = dict.fromkeys(range(link.lanes, SEARCHED_CHECK_BITS_MAX + link.lanes, link.lanes))
    for more_bits in steps:
        made = with_check_of(link, bits + more_bits)
        if made is None:
            continue
        kinds = {1: "one bit more", link.lanes: "one symbol more"}
        kind = "a check field" if field is None else kinds.get(more_bits, "some bits more")
        yield Change(kind, made[1], made[0])


def best_check(link: Link) -> Iterator[Change]:
    """Return the link with the polynomial of its width that detects most errors of few bits."""
    field = link.field_named(link.check.field) if link.check else None
    made = with_check_of(link, field.bits) if field else None
    if made is not None:
        yield Change("other polynomial", made[1], made[0])


def other_polynomials(link: Link) -> Iterator[Change]:
    """Return links with each other polynomial of the check's width that is tried."""
    check = link.check
    field = link.field_named(check.field) if check else None
    if check is None or field is None:
        return
    for polynomial in polynomials_of(field.bits):
        if polynomial != check.polynomial:
            other = replace(check, kind="custom", polynomial=polynomial)
            text = (
                f"check.polynomial = 0x{polynomial:X} ({polynomial_text(polynomial, field.bits)})"
            )
            yield Change("other polynomial", text, replace(link, check=other))


def columns_with(link: Link, polynomial: int, check_bits: int) -> list[int]:
    """Return the syndrome columns of a frame whose check has another polynomial or width.

    Returns:
        int[...]; in no particular order.
    """
    check = link.check
    covers = set(check.covers) if check else {one.name for one in link.fields}
    check_name = check.field if check else ""
    mask = (1 << check_bits) - 1
    columns = [1 << bit for bit in range(check_bits)]
    next_bit = check_bits
    register = polynomial
    for field in reversed(link.fields):
        if field.name == check_name:
            continue
        for _ in range(field.bits):
            column = 0
            if field.name in covers:
                column = register
                feedback = register >> (check_bits - 1) & 1
                register = (register << 1 & mask) ^ (polynomial if feedback else 0)
            if field.value is not None:
                column |= 1 << next_bit
                next_bit += 1
            columns.append(column)
    return columns


def polynomials_of(check_bits: int) -> tuple[int, ...]:
    """List the polynomials of a width that are tried."""
    if check_bits <= SEARCHED_CHECK_BITS_MAX:
        return tuple(range(1, 1 << check_bits, 2)) if check_bits > 0 else ()
    return KNOWN_POLYNOMIALS.get(check_bits, ())


def best_polynomial(link: Link, check_bits: int) -> tuple[int, UndetectedErrors] | None:
    """Find the polynomial with the fewest undetected errors of the lowest weight.

    Of the width's that `polynomials_of` lists; None if it lists none.
    """
    best: tuple[int, UndetectedErrors] | None = None
    for polynomial in polynomials_of(check_bits):
        undetected = count_undetected(columns_with(link, polynomial, check_bits))
        if best is None or undetected.counts < best[1].counts:
            best = polynomial, undetected
    return best


def with_check_of(link: Link, check_bits: int) -> tuple[Link, str] | None:
    """Return a link with a check of some width, with the polynomial of the largest distance.

    Returns:
        The link and what to write in its file; None if the frame is full, no polynomial of the
        width is known, or each link that it makes breaks more rules than this one.
    """
    old = link.check
    old_field = link.field_named(old.field) if old else None
    old_bits = old_field.bits if old_field else 0
    bits = link.frame_bits + check_bits - old_bits
    spare_bits = -bits % link.lanes
    allowed = len(find_faults(link))
    room = with_room(link, bits + spare_bits - link.frame_bits)
    if room is None:
        return None
    link, taken = room
    best = best_polynomial(link, check_bits)
    if best is None:
        return None
    polynomial = best[0]
    name = old.field if old else _free_name(link, "check")
    fields = tuple(
        replace(one, bits=check_bits, order="high_first") if one.name == name else one
        for one in link.fields
    )
    if old is None:
        fields = (*fields, Field(name, check_bits))
    change = f"check.polynomial = 0x{polynomial:X} ({polynomial_text(polynomial, check_bits)})"
    if old is None:
        change = f"a field of {check_bits} bits with {change}"
    elif check_bits != old_bits:
        change = f"a check of {check_bits} bits, {change}"
    if spare_bits:
        spare = _free_name(link, "spare")
        at = next(i for i, one in enumerate(fields) if one.name == name)
        fields = (*fields[:at], Field(spare, spare_bits, value=0), *fields[at:])
        change += f", a field {spare} of {spare_bits} bits, value 0, to fill the last symbol"
    covers = old.covers if old else tuple(one.name for one in link.fields)
    if taken:
        change += f", {taken}"
    width = max(check_bits, 1)
    first_xor = old.xor if old else 0
    initial = (old.initial if old else 0) & ((1 << width) - 1)
    others = (one for one in range(min(1 << width, XORS_TRIED_MAX)) if one != first_xor)
    for xor in (first_xor & ((1 << width) - 1), *others):
        check = Check(name, "custom", polynomial, initial, xor, covers)
        made = replace(link, fields=fields, check=check)
        if len(find_faults(made)) <= allowed:
            return made, change if xor == first_xor else f"{change}, check.xor = 0x{xor:X}"
    return None


def with_room(link: Link, bits: int) -> tuple[Link, str] | None:
    """Return a link whose frame has room for more bits, taken from fields that are not used.

    Returns:
        The link and what to write in its file, empty if there was room; None if there is none.
    """
    missing = link.frame_bits + bits - WORD_BITS // link.lanes * link.lanes
    if missing <= 0:
        return link, ""
    check_name = link.check.field if link.check else ""
    fields = list(link.fields)
    changes = []
    for index in range(len(fields) - 1, -1, -1):
        one = fields[index]
        if missing <= 0:
            break
        if one.name in KNOWN_NAMES or one.name == check_name or one.value is not None:
            continue
        if link.idle.get(one.name):
            continue
        taken = min(one.bits, missing)
        missing -= taken
        fields[index] = replace(one, bits=one.bits - taken)
        left = one.bits - taken
        changes.append(f"field {one.name} of {left} bits" if left else f"no field {one.name}")
    if missing > 0:
        return None
    check = link.check
    kept = tuple(one for one in fields if one.bits)
    if check is not None:
        names = {one.name for one in kept}
        check = replace(check, covers=tuple(one for one in check.covers if one in names))
    return replace(link, fields=kept, check=check), ", ".join(changes)


def _free_name(link: Link, name: str) -> str:
    names = {one.name for one in link.fields}
    return next(one for one in (name, *(f"{name}_{i}" for i in range(99))) if one not in names)
