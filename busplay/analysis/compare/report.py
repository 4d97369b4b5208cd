"""A comparison for people, in 80 columns, and as plain values for JSON."""

from __future__ import annotations

from collections.abc import Sequence

from busplay.analysis.compare.comparison import Comparison, Delays
from busplay.analysis.compare.listing import KIND_WORDS, Difference, Sighting
from busplay.analysis.compare.pattern import CHANCE_MOST, Pattern, chance_text
from busplay.explain.text_layout import heading, pairs, table, wrapped
from busplay.units import NS_PER_S
from busplay.wording import counted

Facts = dict[str, object]


def comparison_text(
    comparison: Comparison, listed: Sequence[Difference], *, names: tuple[str, str]
) -> str:
    """Say what was found.

    Args:
        listed: the differences to show one by one.
        names: of the recordings.
    """
    accounts = comparison.accounts
    lines = [f"{names[0]} (expected) and {names[1]} (actual)"]
    for note in comparison.sides.notes:
        lines += wrapped(note)
    rows = [
        ("frames", f"{accounts.expected:,} expected, {accounts.actual:,} actual"),
        ("same", f"{accounts.same:,}{_out_of_order(accounts.out_of_order)}"),
        ("changed", f"{accounts.changed:,}"),
        ("missing", f"{accounts.missing:,}{_at_the_ends(comparison)}"),
        ("added", f"{accounts.added:,}"),
    ]
    if accounts.expected_idle or accounts.actual_idle:
        rows.append(
            (
                "idle",
                f"{accounts.expected_idle:,} expected, {accounts.actual_idle:,} actual; left out",
            )
        )
    if comparison.delays is not None:
        rows.append(("delay", _delay_text(comparison.delays, comparison)))
    lines += ["", *pairs(rows)]
    if accounts.changed:
        lines += _wrong_bits_lines(comparison)
    if accounts.differences:
        lines += _pattern_lines(comparison.patterns)
    if listed:
        lines += _listing_lines(listed, accounts.differences)
    return "\n".join(lines)


def _out_of_order(count: int) -> str:
    return f", {count:,} of them out of order" if count else ""


def _at_the_ends(comparison: Comparison) -> str:
    accounts = comparison.accounts
    parts = [
        f"{count:,} at the {place}"
        for count, place in ((accounts.missing_at_start, "start"), (accounts.missing_at_end, "end"))
        if count
    ]
    return f", of them {' and '.join(parts)}" if parts else ""


def _delay_text(delays: Delays, comparison: Comparison) -> str:
    unit = {"edges": "link edge", "cycles": "processor cycle"}[delays.unit]
    if delays.constant and not delays.first:
        return "none"
    if delays.constant:
        return f"{counted(delays.first, unit)}{_as_ns(delays.first, comparison)}, constant"
    text = f"{delays.least:,} to {counted(delays.most, unit)}; changes {delays.changes:,} times"
    if delays.changes > 2 and 0 in (delays.longer, delays.shorter):
        text += f", always to a {'longer' if delays.longer else 'shorter'} one"
    if delays.usual is not None:
        text += (
            f"; usual {delays.usual:,}, later {counted(delays.frames_late, 'frame')},"
            f" earlier {counted(delays.frames_early, 'frame')}"
        )
    if not comparison.sides.judges_time:
        text += "; not judged, since the links differ"
    return text


def _as_ns(edges: int, comparison: Comparison) -> str:
    rate = comparison.sides.expected.edges_per_second
    if not edges or not rate or comparison.sides.time_unit != "edges":
        return ""
    return f" ({edges * NS_PER_S // rate:,} ns)"


def _wrong_bits_lines(comparison: Comparison) -> list[str]:
    bits, changed = comparison.wrong_bits, comparison.accounts.changed
    fields = [f"{name} {count:,}" for name, count in bits.frames_by_field.items() if count]
    lanes = [f"{lane}: {count:,}" for lane, count in enumerate(bits.frames_by_lane) if count]
    rows = [("fields", ", ".join(fields)), ("lanes", ", ".join(lanes) or "none of this link")]
    return [*heading(f"Wrong in {counted(changed, 'changed frame')}, frames each"), *pairs(rows)]


def _pattern_lines(patterns: Sequence[Pattern]) -> list[str]:
    lines = heading("Patterns")
    if not patterns:
        return [
            *lines,
            *wrapped(f"none that chance gives less than once in {1 / CHANCE_MOST:,.0f}"),
        ]
    for one in patterns:
        lines += wrapped(f"{one.sentence}. By chance: {chance_text(one.log_chance)}.")
    return lines


def _listing_lines(listed: Sequence[Difference], total: int) -> list[str]:
    shown = "all" if len(listed) == total else f"the first {len(listed):,} of {total:,}"
    rows: list[tuple[str, ...]] = [("what", "cycle", "ns", "goes to", "data", "found")]
    rows += [_row(one) for one in listed]
    return [*heading(f"Differences, {shown}"), *table(rows, right=frozenset({1, 2}))]


def _row(one: Difference) -> tuple[str, ...]:
    seen = one.expected or one.actual
    if seen is None:
        raise ValueError("a difference is in one of the recordings")
    data = f"{seen.data:02X}"
    found = ""
    if one.expected is not None and one.actual is not None:
        if one.wrong_bits:
            found = _changed_text(one, one.expected, one.actual)
        else:
            found = f"frame {one.actual.index:,} of the actual ones, not {one.expected.index:,}"
    if seen.label:
        found = f"{found}; {seen.label}" if found else seen.label
    return (
        KIND_WORDS[one.kind],
        "" if seen.cycle is None else f"{seen.cycle:,}",
        "" if seen.time_ns is None else f"{seen.time_ns:,}",
        _place_text(seen),
        data,
        found,
    )


def _place_text(seen: Sighting) -> str:
    start = "" if seen.address is None else f"${seen.address:04X} "
    return f"{start}{seen.unit} {seen.space} {seen.offset}"


def _changed_text(one: Difference, expected: Sighting, actual: Sighting) -> str:
    parts = []
    if _place_text(expected) != _place_text(actual):
        parts.append(f"goes to {_place_text(actual)}")
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


# -- JSON


def comparison_facts(comparison: Comparison, listed: Sequence[Difference]) -> Facts:
    """Return a comparison as plain values."""
    sides, accounts, bits = comparison.sides, comparison.accounts, comparison.wrong_bits
    return {
        "frames_equal": comparison.frames_equal,
        "times_equal": comparison.times_equal,
        "compared_by": "words" if sides.by_words else "fields",
        "expected_link": sides.expected.link.name,
        "actual_link": sides.actual.link.name,
        "notes": list(sides.notes),
        "frames_expected": accounts.expected,
        "frames_actual": accounts.actual,
        "frames_same": accounts.same,
        "frames_changed": accounts.changed,
        "frames_missing": accounts.missing,
        "frames_added": accounts.added,
        "frames_out_of_order": accounts.out_of_order,
        "frames_missing_at_start": accounts.missing_at_start,
        "frames_missing_at_end": accounts.missing_at_end,
        "idle_frames_expected": accounts.expected_idle,
        "idle_frames_actual": accounts.actual_idle,
        "delay": _delay_facts(comparison.delays),
        "changed_by_field": {name: n for name, n in bits.frames_by_field.items() if n},
        "changed_by_lane": list(bits.frames_by_lane),
        "changed_on_lane_alone": list(bits.frames_on_lane_alone),
        "wrong_bits": [
            {
                "field": bit.field,
                "bit": bit.bit,
                "symbol": bit.symbol if bit.symbol >= 0 else None,
                "lane": bit.lane if bit.lane >= 0 else None,
                "ones_lost": bits.ones_lost[place],
                "zeros_lost": bits.zeros_lost[place],
            }
            for place, bit in enumerate(sides.bits)
            if bit is not None and (bits.ones_lost[place] or bits.zeros_lost[place])
        ],
        "patterns": [
            {
                "kind": one.kind,
                "about": KIND_WORDS[one.about],
                "sentence": one.sentence,
                "events": one.events,
                "fits": one.fits,
                "fits_by_chance": one.by_chance,
                "chance": one.chance,
                "chance_ln": one.log_chance,
                **one.figures,
            }
            for one in comparison.patterns
        ],
        "differences": [_difference_facts(one) for one in listed],
    }


def _delay_facts(delays: Delays | None) -> Facts | None:
    if delays is None:
        return None
    return {name: getattr(delays, name) for name in delays.__slots__} | {
        "constant": delays.constant
    }


def _difference_facts(one: Difference) -> Facts:
    return {
        "kind": KIND_WORDS[one.kind],
        "expected": _sighting_facts(one.expected),
        "actual": _sighting_facts(one.actual),
        "wrong_bits": [f"{bit.field} {bit.bit}" for bit in one.wrong_bits],
        "lanes": list(one.lanes),
    }


def _sighting_facts(seen: Sighting | None) -> Facts | None:
    return None if seen is None else {name: getattr(seen, name) for name in seen.__slots__}
