"""Searches for better choices: each changes a link, works the figure out anew, and says so."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from busplay.analysis.soundness.choice import Choice
from busplay.analysis.soundness.constant_stream import idle_effect, stream_shares
from busplay.analysis.soundness.damage import stuck_lanes, swapped_edges
from busplay.analysis.soundness.figures import percent
from busplay.analysis.soundness.frame_space import Judge, sent_frames
from busplay.analysis.soundness.weights import UnseenErrors, count_unseen
from busplay.description.explain_link import polynomial_text
from busplay.description.link import (
    Check,
    Field,
    Link,
    MarkerFraming,
    StrobeFraming,
)
from busplay.errors import BusplayError
from busplay.link.layout import WORD_BITS, FrameLayout
from busplay.link.rules import find_faults

SEARCHED_CHECK_BITS_MAX = 10
SEARCHED_VALUES_MAX = 256
STREAMS_TRIED_MAX = 16
SEQUENCE_BITS_LEAST = 4
SEARCH_SAMPLES = 20_000


# -- choices that mend a fault


def change_xor(link: Link) -> Choice | None:
    """Find the values of `check.xor` with which a link breaks no rule."""
    check = link.check
    if check is None:
        return None
    field = link.field_named(check.field)
    values = 1 << (field.bits if field else 0)
    tried = min(values, SEARCHED_VALUES_MAX)
    sound = [
        xor for xor in range(tried) if not find_faults(replace(link, check=replace(check, xor=xor)))
    ]
    if not sound:
        return None
    return Choice(
        "other XOR",
        f"check.xor = 0x{sound[0]:X}",
        f"no rule is broken; {len(sound)} of {tried} values tried do",
        removes=True,
    )


def change_idle(link: Link) -> Choice | None:
    """Find a value for an idle frame's field with which a link breaks no rule."""
    if isinstance(link.framing, StrobeFraming):
        return None
    check_name = link.check.field if link.check else ""
    for field in sorted(link.fields, key=lambda one: one.name in ("data", "address")):
        if field.value is not None or field.name in (check_name, "space"):
            continue
        tried = range(1, min(1 << field.bits, SEARCHED_VALUES_MAX))
        sound = [
            value
            for value in tried
            if not find_faults(replace(link, idle=link.idle | {field.name: value}))
        ]
        if sound:
            return Choice(
                "other idle",
                f"idle.{field.name} = 0x{sound[0]:X}",
                f"no rule is broken; {len(sound)} of {len(tried)} values tried do",
                removes=True,
            )
    return None


def change_marker(link: Link) -> Choice | None:
    """Find another marker, or the rule that lets it be imitated, so that no rule is broken."""
    framing = link.framing
    if not isinstance(framing, MarkerFraming):
        return None
    for symbols in _markers(link):
        try:
            other = replace(link, framing=replace(framing, symbols=symbols))
            sound = not find_faults(other)
        except (BusplayError, ValueError):
            continue
        if sound:
            shown = ", ".join(f"0x{symbol:X}" for symbol in symbols)
            return Choice(
                "other marker", f"framing.symbols = [{shown}]", "no rule is broken", removes=True
            )
    if framing.rule == "unique" and link.check is not None:
        other = replace(link, framing=replace(framing, rule="confirm"))
        if not find_faults(other):
            return Choice(
                "confirmed marker",
                'framing.rule = "confirm"',
                "the check must hold from the marker on",
                removes=True,
            )
    return None


def _markers(link: Link) -> Iterator[tuple[int, ...]]:
    """Give markers to try, short ones first: a symbol, then all ones or all zeros."""
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


# -- choices against errors that go unseen


def columns_with(layout: FrameLayout, polynomial: int, check_bits: int) -> list[int]:
    """Give the syndrome columns of a frame whose check has another polynomial or width.

    Returns:
        int[...]; in no particular order.
    """
    check = layout.link.check
    covers = set(check.covers) if check else {one.name for one in layout.link.fields}
    check_name = check.field if check else ""
    mask = (1 << check_bits) - 1
    columns = [1 << bit for bit in range(check_bits)]
    next_bit = check_bits
    register = polynomial
    for field in reversed(layout.link.fields):
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


def best_polynomial(layout: FrameLayout, check_bits: int) -> tuple[int, UnseenErrors] | None:
    """Find the polynomial that leaves the fewest errors of the lowest weight unseen.

    Every polynomial of the width is tried, up to 10 bits; None for wider checks.
    """
    if not 1 <= check_bits <= SEARCHED_CHECK_BITS_MAX:
        return None
    best: tuple[int, UnseenErrors] | None = None
    for polynomial in range(1, 1 << check_bits, 2):
        unseen = count_unseen(columns_with(layout, polynomial, check_bits))
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
    frame_bits = layout.frame_bits + more_bits
    if frame_bits > WORD_BITS:
        return None
    best = best_polynomial(layout, check_bits)
    if best is None:
        return None
    polynomial, found = best
    if not _fewer_unseen(found, unseen):
        return None
    text = polynomial_text(polynomial, check_bits)
    change = f"check.polynomial = 0x{polynomial:X} ({text})"
    if more_bits:
        change = f"a check of {check_bits} bits, {change}"
    kinds = {0: "other polynomial", 1: "one bit more"}
    return Choice(
        kinds.get(more_bits, "one symbol more"),
        change + _whole_symbols(frame_bits, layout.lanes),
        f"{_distance_text(found)}; all {1 << (check_bits - 1)} polynomials tried",
        removes=(found.min_distance or 99) > 2,
    )


def _fewer_unseen(found: UnseenErrors, unseen: UnseenErrors) -> bool:
    """Tell whether fewer errors of the lowest weight at which two layouts differ go unseen."""
    pairs = zip(found.counts, unseen.counts, strict=False)
    return next((here < there for here, there in pairs if here != there), False)


def _whole_symbols(frame_bits: int, lanes: int) -> str:
    if frame_bits % lanes == 0:
        return ""
    filled = -(-frame_bits // lanes) * lanes
    return f"; {frame_bits} bits fill no whole symbols of {lanes}, {filled} do"


def change_check(layout: FrameLayout) -> Choice | None:
    """Find the smallest check, in whole symbols, that sees errors of one and of two bits."""
    for check_bits in range(layout.lanes, SEARCHED_CHECK_BITS_MAX + 1, layout.lanes):
        if layout.frame_bits + check_bits > WORD_BITS:
            break
        best = best_polynomial(layout, check_bits)
        if best is not None and (best[1].min_distance or 99) > 2:
            text = polynomial_text(best[0], check_bits)
            return Choice(
                "a check field",
                f"a field of {check_bits} bits with check.polynomial = 0x{best[0]:X} ({text})",
                f"{_distance_text(best[1])}; the frame gets {layout.frame_bits + check_bits} bits",
                removes=True,
            )
    return None


# -- choices against constant streams and steady damage


def change_idle_every(layout: FrameLayout, *, release: int | None) -> Choice | None:
    """Find the rarest idle slot with which no word brings a hunting receiver to a wrong place.

    Args:
        release: `release_frames` to change to as well, or None to leave it.
    """
    link = layout.link
    framing = link.framing
    if isinstance(framing, StrobeFraming):
        return None
    is_unique = isinstance(framing, MarkerFraming) and framing.rule == "unique"
    if link.field_named("sequence") is not None and not is_unique:
        # What idle slots do is only worked out where frames do not count.
        return None
    changed = layout
    change = ""
    if release is not None:
        if framing.release_frames <= release:
            return None
        if is_unique:
            return None
        changed = FrameLayout(replace(link, framing=replace(framing, release_frames=release)))
        change = f", framing.release_frames = {release}"
    tried = [64] if is_unique else list(range(framing.confirm_frames + 3, 1, -1))
    for idle_every in tried:
        if release is None and idle_every == link.idle_every:
            continue
        effect = idle_effect(changed, idle_every, samples=SEARCH_SAMPLES)
        if effect.found.ratio == 0 and (release is None or effect.kept.ratio == 0):
            kept = effect.kept.ratio
            return Choice(
                "idle every N",
                f"idle_every = {idle_every}{change}",
                f"no word brings a receiver to a wrong place for good, {percent(kept, digits=4)} keep it"
                f" there;"
                f" costs 1/{idle_every} of the link",
                removes=kept == 0,
            )
    return None


def change_sequence(layout: FrameLayout) -> Choice | None:
    """Find a place for a sequence field of 4 bits or more, in whole symbols.

    The first place is taken at which no constant stream keeps a receiver at a wrong place, or
    else the one at which the fewest do.
    """
    link = layout.link
    bits = -(-SEQUENCE_BITS_LEAST // layout.lanes) * layout.lanes
    if link.field_named("sequence") is not None or layout.frame_bits + bits > WORD_BITS:
        return None
    best: tuple[float, Link, str] | None = None
    for at, behind in enumerate(link.fields):
        other = _with_sequence(link, at, bits)
        if find_faults(other):
            continue
        kept = 0.0
        if not isinstance(link.framing, StrobeFraming):
            kept = stream_shares(FrameLayout(other), samples=SEARCH_SAMPLES)[1].ratio
        if best is None or kept < best[0]:
            best = kept, other, behind.name
        if kept == 0:
            break
    if best is None:
        return None
    kept, other, behind_name = best
    effect = f"up to {(1 << bits) - 1} frames lost in a row are counted"
    if not isinstance(link.framing, StrobeFraming):
        effect += (
            f"; constant streams that keep a receiver at a wrong place: {percent(kept, digits=4)}"
        )
    return Choice(
        "a sequence field",
        f"a field sequence of {bits} bits before {behind_name}; the frame gets"
        f" {other.frame_bits} bits",
        effect,
        removes=kept == 0,
    )


def _with_sequence(link: Link, at: int, bits: int) -> Link:
    fields = (*link.fields[:at], Field("sequence", bits), *link.fields[at:])
    check = link.check
    if check is not None:
        covered = (*check.covers, "sequence")
        covers = tuple(one.name for one in fields if one.name in covered)
        check = replace(check, covers=covers)
    return replace(link, fields=fields, check=check)


def change_streams(layout: FrameLayout, what: str, *, limit: float) -> Choice | None:
    """Try other XORs or polynomials of the same width against a weakness.

    Args:
        what: `xor`, `polynomial`: constant streams, by changing that; `stuck lane`,
            `swapped edges`: these, by changing the polynomial.
        limit: share up to which the weakness counts as removed.
    """
    link = layout.link
    check = link.check
    if check is None:
        return None

    def figure(candidate: Link) -> float:
        other = FrameLayout(candidate)
        if what == "stuck lane":
            lanes = stuck_lanes(other, sent_frames(other), Judge(other))
            return max(one.share.unseen_ratio for one in lanes)
        if what == "swapped edges":
            return swapped_edges(other, sent_frames(other), Judge(other)).unseen_ratio
        return stream_shares(other, samples=SEARCH_SAMPLES)[1].ratio

    now = figure(link)
    best: tuple[float, Link, str] | None = None
    tried = 0
    for candidate, change in _candidates(link, check, layout.check_bits, what):
        if tried == STREAMS_TRIED_MAX:
            break
        if find_faults(candidate):
            continue
        tried += 1
        value = figure(candidate)
        if best is None or value < best[0]:
            best = value, candidate, change
    if best is None or best[0] > now / 2:
        return None
    kind = "other XOR" if what == "xor" else "other polynomial"
    if best[1].frame_bits > link.frame_bits:
        kind = "one symbol more"
    return Choice(
        kind,
        best[2],
        f"{percent(now)} become {percent(best[0])}; {tried} tried",
        removes=best[0] <= limit,
    )


def _with_one_symbol_more(link: Link, check: Check, check_bits: int) -> Iterator[tuple[Link, str]]:
    """Give the link with a check that is one symbol wider, by the polynomial of most distance."""
    wide_bits = check_bits + link.lanes
    if link.frame_bits + link.lanes > WORD_BITS:
        return
    best = best_polynomial(FrameLayout(link), wide_bits)
    if best is None:
        return
    fields = tuple(
        replace(one, bits=wide_bits, order="high_first") if one.name == check.field else one
        for one in link.fields
    )
    wide = replace(check, kind="custom", polynomial=best[0])
    text = polynomial_text(best[0], wide_bits)
    change = f"a check of {wide_bits} bits, check.polynomial = 0x{best[0]:X} ({text})"
    yield replace(link, fields=fields, check=wide), change


def _candidates(link: Link, check: Check, check_bits: int, what: str) -> Iterator[tuple[Link, str]]:
    values = 1 << check_bits
    if what in ("stuck lane", "swapped edges"):
        yield from _with_one_symbol_more(link, check, check_bits)
    if what == "xor":
        for xor in range(min(values, SEARCHED_VALUES_MAX)):
            if xor != check.xor:
                yield replace(link, check=replace(check, xor=xor)), f"check.xor = 0x{xor:X}"
        return
    for polynomial in range(1, min(values, SEARCHED_VALUES_MAX), 2):
        if polynomial != check.polynomial:
            other = replace(check, kind="custom", polynomial=polynomial)
            text = polynomial_text(polynomial, check_bits)
            yield replace(link, check=other), f"check.polynomial = 0x{polynomial:X} ({text})"
