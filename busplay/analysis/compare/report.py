"""A comparison for people, in 80 columns: the verdict first."""

from __future__ import annotations

from pathlib import PurePath

from busplay.analysis.compare.comparison import Comparison, Delays, Difference, Sighting
from busplay.analysis.compare.pattern import SIGNIFICANCE, one_in
from busplay.description.full_address import address_text
from busplay.errors import printable
from busplay.explain.text_layout import heading, pairs, table, wrapped
from busplay.wording import counted

SHORT_LISTED = 3
SHORT_PATTERNS = 3
LISTING_HEAD = ("what", "cycle", "ns", "goes to", "data", "found")


def verdict_text(found: Comparison) -> str:
    """Return the verdict in a line."""
    if found.interrupted:
        return f"interrupted after {found.frames_expected:,} frames: {_verdict(found)}"
    return _verdict(found)


def _verdict(found: Comparison) -> str:
    if found.equal:
        return f"equal: {counted(found.frames_same, 'frame')}"
    parts = [
        f"{count:,} {word}"
        for word, count in (
            ("changed", found.frames_changed),
            ("missing", found.frames_missing),
            ("added", found.frames_added),
            ("out of order", found.frames_out_of_order),
        )
        if count
    ]
    if not parts:
        return "DIFFERENT: all frames are there, but their delay changes"
    return f"DIFFERENT: {', '.join(parts)} of {counted(found.frames_expected, 'expected frame')}"


def comparison_text(found: Comparison, *, full: bool, listed_most: int | None) -> str:
    """Write what was found below the verdict: in a screenful, or `full` tables.

    Args:
        listed_most: differences to list; None: all that were kept.
    """
    names = [printable(PurePath(one).name) for one in (found.actual, found.expected)]
    lines = [f"  {names[0]} (actual) against {names[1]} (expected)"]
    for note in found.notes:
        lines += wrapped(note)
    lines += ["", *pairs(count_rows(found))]
    if not found.frames_different:
        return "\n".join(lines)
    lines += _pattern_lines(found, full=full)
    if full and found.frames_changed:
        lines += _wrong_bits_lines(found)
    lines += _listing_lines(found, most=listed_most)
    return "\n".join(lines)


def count_rows(found: Comparison) -> list[tuple[str, str]]:
    """Return the counts of frames and the delay, as labels and texts."""
    rows = [
        ("frames", f"{found.frames_expected:,} expected, {found.frames_actual:,} actual"),
        ("same", f"{found.frames_same:,}{_out_of_order(found.frames_out_of_order)}"),
        ("changed", f"{found.frames_changed:,}"),
        ("missing", f"{found.frames_missing:,}{_at_the_ends(found)}"),
        ("added", f"{found.frames_added:,}"),
    ]
    if found.idle_frames_expected or found.idle_frames_actual:
        rows.append(
            (
                "idle",
                f"{found.idle_frames_expected:,} expected, {found.idle_frames_actual:,} actual;"
                " left out",
            )
        )
    if found.delay is not None:
        rows.append(("delay", _delay_text(found.delay, judged=found.times_equal is not None)))
    return rows


def _out_of_order(count: int) -> str:
    return f", {count:,} of them out of order" if count else ""


def _at_the_ends(found: Comparison) -> str:
    parts = [
        f"{count:,} at the {place}"
        for count, place in (
            (found.frames_missing_at_start, "start"),
            (found.frames_missing_at_end, "end"),
        )
        if count
    ]
    return f", of them {' and '.join(parts)}" if parts else ""


def _delay_text(delay: Delays, *, judged: bool) -> str:
    unit = {"edges": "link edge", "cycles": "processor cycle"}[delay.unit]
    if not delay.changes and not delay.first:
        return "none"
    if not delay.changes:
        exact = "" if delay.first_ns is None else f" ({delay.first_ns:,} ns)"
        return f"{counted(delay.first, unit)}{exact}, constant"
    text = f"{delay.least:,} to {counted(delay.most, unit)}; {counted(delay.changes, 'change')}"
    if delay.changes > 2 and 0 in (delay.longer, delay.shorter):
        text += f", always to a {'longer' if delay.longer else 'shorter'} one"
    if delay.usual is not None:
        text += (
            f"; usual {delay.usual:,}, {counted(delay.frames_late, 'frame')} later,"
            f" {counted(delay.frames_early, 'frame')} earlier"
        )
    return text if judged else f"{text}; not judged, as the links differ"


def _wrong_bits_lines(found: Comparison) -> list[str]:
    fields = [f"{name} {count:,}" for name, count in found.changed_by_field.items()]
    lanes = [f"lane {lane}: {count:,}" for lane, count in enumerate(found.changed_by_lane) if count]
    rows = [("fields", ", ".join(fields)), ("lanes", ", ".join(lanes) or "none of this link")]
    bits: list[tuple[str, ...]] = [("bit", "lane", "symbol", "read 0 for 1", "read 1 for 0")]
    for one in found.wrong_bits:
        lane, symbol = ("" if place is None else f"{place}" for place in (one.lane, one.symbol))
        bits.append(
            (f"{one.field} {one.bit}", lane, symbol, f"{one.ones_lost:,}", f"{one.zeros_lost:,}")
        )
    return [
        *heading(f"Bit errors of {counted(found.frames_changed, 'changed frame')}"),
        *pairs(rows),
        *table(bits, right=frozenset({1, 2, 3})),
    ]


def _pattern_lines(found: Comparison, *, full: bool) -> list[str]:
    lines = heading("Patterns")
    if not found.patterns:
        return [*lines, *wrapped(f"no pattern significant at {SIGNIFICANCE:.1%}")]
    for sentence in pattern_sentences(found, most=None if full else SHORT_PATTERNS):
        lines += wrapped(sentence)
    return lines


def pattern_sentences(found: Comparison, *, most: int | None) -> list[str]:
    """Return what the damage has in common, each with its probability by chance."""
    return [
        f"{one.sentence}. Probability by chance: {one_in(one.probability_ln)}."
        for one in found.patterns[:most]
    ]


def _listing_lines(found: Comparison, *, most: int | None) -> list[str]:
    listed = found.differences[:most]
    total = found.frames_different
    if not listed:
        return []
    title = f"All {total:,} differences" if len(listed) == total else f"First {len(listed):,}"
    title += "" if len(listed) == total else f" of {counted(total, 'difference')}"
    rows = [LISTING_HEAD, *map(listing_row, listed)]
    return [*heading(title), *table(rows, right=frozenset({1, 2}))]


def listing_row(one: Difference) -> tuple[str, ...]:
    """Return a difference as the cells below `LISTING_HEAD`."""
    frame = one.expected or one.actual
    if frame is None:
        raise ValueError("a difference is in one of the traces")
    found = ""
    if one.expected is not None and one.actual is not None:
        if one.wrong_bits:
            found = _changed_text(one, one.expected, one.actual)
        else:
            found = f"actual frame {one.actual.index:,}, expected as {one.expected.index:,}"
    if frame.label:
        found = f"{found}; {frame.label}" if found else frame.label
    return (
        one.kind.name.lower().replace("_", " "),
        "" if frame.cycle is None else f"{frame.cycle:,}",
        "" if frame.time_ns is None else f"{frame.time_ns:,}",
        _place_text(frame),
        f"{frame.data:02X}",
        found,
    )


def _place_text(frame: Sighting) -> str:
    start = "" if frame.address is None else f"{address_text(frame.address, frame.page)} "
    return f"{start}{frame.unit} {frame.space} {frame.offset}"


def _changed_text(one: Difference, expected: Sighting, actual: Sighting) -> str:
    parts = []
    places = [(frame.unit, frame.space, frame.offset) for frame in (expected, actual)]
    if places[0] != places[1]:
        parts.append(f"goes to {_place_text(actual)}")
    elif (
        actual.address is not None
        and None not in (expected.page, actual.page)
        and expected.page != actual.page
    ):
        parts.append(f"stored to {address_text(actual.address, actual.page)}")
    if expected.data != actual.data:
        parts.append(f"{actual.data:02X}")
    fields: dict[str, list[int]] = {}
    for bit in one.wrong_bits:
        fields.setdefault(bit.field, []).append(bit.bit)
    named = ", ".join(
        f"{name} {' '.join(str(bit) for bit in sorted(found))}" for name, found in fields.items()
    )
    lanes = f" ({'lane' if len(one.lanes) == 1 else 'lanes'} {', '.join(map(str, one.lanes))})"
    parts.append(f"bits {named}" + (lanes if one.lanes else ""))
    return "; ".join(parts)
