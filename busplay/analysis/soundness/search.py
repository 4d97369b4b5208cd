"""Searches for better choices: each changes a link, works the figure out anew, and says so."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from busplay.analysis.soundness.choice import Choice
from busplay.analysis.soundness.constant_stream import COUNTED_BITS_MAX, idle_effect, stream_shares
from busplay.analysis.soundness.counted_stream import CountedStream
from busplay.analysis.soundness.damage import stuck_lanes, swapped_edges
from busplay.analysis.soundness.figures import percent
from busplay.analysis.soundness.frame_space import Judge, sent_frames
from busplay.analysis.soundness.search_check import polynomials_of, with_check_of, with_room
from busplay.description.link import (
    Check,
    Field,
    Link,
    MarkerFraming,
    StrobeFraming,
)
from busplay.errors import BusplayError
from busplay.explain.link_facts import polynomial_text
from busplay.link.layout import FrameLayout
from busplay.link.rules import find_faults

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
        link=replace(link, check=replace(check, xor=sound[0])),
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
                link=replace(link, idle=link.idle | {field.name: sound[0]}),
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
                "other marker",
                f"framing.symbols = [{shown}]",
                "no rule is broken",
                removes=True,
                link=other,
            )
    if framing.rule == "unique" and link.check is not None:
        other = replace(link, framing=replace(framing, rule="confirm"))
        if not find_faults(other):
            return Choice(
                "confirmed marker",
                'framing.rule = "confirm"',
                "the check must hold from the marker on",
                removes=True,
                link=other,
            )
    return None


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
    sequence = link.field_named("sequence")
    if sequence and sequence.bits > COUNTED_BITS_MAX and not is_unique:
        return None
    stream = None
    if not is_unique and link.field_named("sequence") is not None:
        stream = CountedStream(changed)
    for idle_every in tried:
        if release is None and idle_every == link.idle_every:
            continue
        effect = idle_effect(changed, idle_every, samples=SEARCH_SAMPLES, stream=stream)
        if effect.found.ratio == 0 and (release is None or effect.kept.ratio == 0):
            kept = effect.kept.ratio
            return Choice(
                "idle every N",
                f"idle_every = {idle_every}{change}",
                "no word brings a receiver to a wrong place for good,"
                f" {percent(kept, digits=4)} keep it there; costs 1/{idle_every} of the link",
                removes=kept == 0,
                link=replace(changed.link, idle_every=idle_every),
            )
    return None


def change_sequence(layout: FrameLayout) -> Choice | None:
    """Find a place for a sequence field of 4 bits or more, in whole symbols.

    The first place is taken at which no constant stream keeps a receiver at a wrong place, or
    else the one at which the fewest do.
    """
    link = layout.link
    bits = -(-SEQUENCE_BITS_LEAST // layout.lanes) * layout.lanes
    if link.field_named("sequence") is not None:
        return None
    allowed = len(find_faults(link))
    room = with_room(link, bits)
    if room is None:
        return None
    link, taken = room
    best: tuple[float, Link, str] | None = None
    for at, behind in enumerate(link.fields):
        other = _with_sequence(link, at, bits)
        if len(find_faults(other)) > allowed:
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
        f"a field sequence of {bits} bits before {behind_name}{taken and ', '}{taken}; the frame"
        f" gets {other.frame_bits} bits",
        effect,
        removes=kept == 0,
        link=other,
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
    allowed = len(find_faults(link))
    best: tuple[float, Link, str] | None = None
    tried = 0
    sequence = link.field_named("sequence")
    # Long periods take long to follow.
    tried_max = 2 if sequence and sequence.bits > COUNTED_BITS_MAX else STREAMS_TRIED_MAX
    for candidate, change in _candidates(link, check, layout.check_bits, what):
        if tried == tried_max:
            break
        if len(find_faults(candidate)) > allowed:
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
        link=best[1],
    )


def _candidates(link: Link, check: Check, check_bits: int, what: str) -> Iterator[tuple[Link, str]]:
    values = 1 << check_bits
    if what in ("stuck lane", "swapped edges"):
        wider = with_check_of(link, check_bits + link.lanes)
        if wider is not None:
            yield wider
    if what == "xor":
        for xor in range(min(values, SEARCHED_VALUES_MAX)):
            if xor != check.xor:
                yield replace(link, check=replace(check, xor=xor)), f"check.xor = 0x{xor:X}"
        return
    for polynomial in polynomials_of(check_bits):
        if polynomial != check.polynomial:
            other = replace(check, kind="custom", polynomial=polynomial)
            text = polynomial_text(polynomial, check_bits)
            yield replace(link, check=other), f"check.polynomial = 0x{polynomial:X} ({text})"
