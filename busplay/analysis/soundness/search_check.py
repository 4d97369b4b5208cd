"""Searches for a better check: another polynomial, more bits, or a check where there is none."""

from __future__ import annotations

from dataclasses import replace

from busplay.analysis.soundness.choice import Choice
from busplay.analysis.soundness.polynomials import KNOWN_POLYNOMIALS
from busplay.analysis.soundness.weights import UnseenErrors, count_unseen
from busplay.description.link import WORD_BITS, Check, Field, Link
from busplay.description.read_check import KNOWN_NAMES
from busplay.explain.link_facts import polynomial_text
from busplay.link.layout import FrameLayout
from busplay.link.rules import find_faults

# Up to this width every polynomial is tried, above it those of `polynomials`.
SEARCHED_CHECK_BITS_MAX = 10
XORS_TRIED_MAX = 64
WIDER_BITS_MAX = 8


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


def tried_text(check_bits: int) -> str:
    """Say how many polynomials of a width are tried, and which."""
    count = len(polynomials_of(check_bits))
    if check_bits <= SEARCHED_CHECK_BITS_MAX:
        return f"all {count} polynomials tried"
    return f"{count} known polynomials tried" if count > 1 else "the known polynomial tried"


def best_polynomial(link: Link, check_bits: int) -> tuple[int, UnseenErrors] | None:
    """Find the polynomial that leaves the fewest errors of the lowest weight unseen.

    Of the width's that `polynomials_of` lists; None if it lists none.
    """
    best: tuple[int, UnseenErrors] | None = None
    for polynomial in polynomials_of(check_bits):
        unseen = count_unseen(columns_with(link, polynomial, check_bits))
        if best is None or unseen.counts < best[1].counts:
            best = polynomial, unseen
    return best


def _distance_text(unseen: UnseenErrors) -> str:
    distance = unseen.min_distance
    if distance is None:
        return f"distance over {len(unseen.counts) - 1}"
    return f"distance {distance}, {unseen.counts[distance]:,} errors of {distance} bits unseen"


def change_polynomial(
    layout: FrameLayout, unseen: UnseenErrors, *, more_bits: int
) -> Choice | None:
    """Find a better polynomial of the same width, or of some bits more."""
    check_bits = layout.check_bits + more_bits
    made = with_check_of(layout.link, check_bits)
    if made is None:
        return None
    link, change = made
    found = count_unseen(FrameLayout(link).syndrome_columns)
    if not _fewer_unseen(found, unseen):
        return None
    kinds = {0: "other polynomial", 1: "one bit more", layout.lanes: "one symbol more"}
    return Choice(
        kinds.get(more_bits, "some bits more"),
        change,
        f"{_distance_text(found)}; {tried_text(check_bits)}",
        removes=(found.min_distance or 99) > 2,
        link=link,
    )


def change_polynomial_and_width(layout: FrameLayout, unseen: UnseenErrors) -> Choice | None:
    """Find the fewest whole symbols more with which errors of one and of two bits are seen.

    If there are none, what one more does.
    """
    lanes = layout.lanes
    first: Choice | None = None
    for more_bits in range(lanes if lanes > 1 else 2, max(WIDER_BITS_MAX, lanes) + 1, lanes):
        choice = change_polynomial(layout, unseen, more_bits=more_bits)
        if choice is not None and choice.removes:
            return choice
        first = first or choice
    return first


def _fewer_unseen(found: UnseenErrors, unseen: UnseenErrors) -> bool:
    """Tell whether fewer errors of the lowest weight at which two layouts differ go unseen."""
    pairs = zip(found.counts, unseen.counts, strict=False)
    return next((here < there for here, there in pairs if here != there), False)


def change_check(layout: FrameLayout) -> Choice | None:
    """Find the smallest check, in whole symbols, that sees errors of one and of two bits."""
    for check_bits in range(layout.lanes, SEARCHED_CHECK_BITS_MAX + layout.lanes, layout.lanes):
        made = with_check_of(layout.link, check_bits)
        if made is None:
            continue
        found = count_unseen(FrameLayout(made[0]).syndrome_columns)
        if (found.min_distance or 99) > 2:
            return Choice(
                "a check field",
                made[1],
                f"{_distance_text(found)}; the frame gets {made[0].frame_bits} bits",
                removes=True,
                link=made[0],
            )
    return None


def change_width(link: Link) -> Choice | None:
    """Find a wider check with which a link breaks no rule."""
    check = link.check
    field = link.field_named(check.field) if check else None
    if field is None:
        return None
    for more_bits in range(1, max(WIDER_BITS_MAX, link.lanes) + 1):
        made = with_check_of(link, field.bits + more_bits)
        if made is not None and not find_faults(made[0]):
            return Choice(
                "one bit more" if more_bits == 1 else "some bits more",
                made[1],
                f"no rule is broken; the frame gets {made[0].frame_bits} bits",
                removes=True,
                link=made[0],
            )
    return None


def with_check_of(link: Link, check_bits: int) -> tuple[Link, str] | None:
    """Return a link with a check of so many bits, by the polynomial of most distance.

    Returns:
        The link and what to write in its file; None if the frame is full, no polynomial of the
        width is known, or each link that it gives breaks more rules than this one.
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
    """Return a link whose frame has room for more bits, taken from fields that nothing fills.

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
