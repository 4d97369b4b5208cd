"""The section of a report on what another recording has different."""

from __future__ import annotations

from collections import Counter

import numpy as np

from busplay.analysis.compare.comparison import Comparison, Sighting
from busplay.analysis.compare.report import (
    LISTING_HEAD,
    count_rows,
    listing_row,
    pattern_sentences,
    verdict_text,
)
from busplay.description.full_address import address_text
from busplay.export.difference import compose_differences, pixels_different
from busplay.reporting.figures import draw_addresses, draw_bars, draw_counts, screen_figure
from busplay.reporting.page import FactList, ReportPart, ReportProse, ReportSection, ReportTable
from busplay.run.replay import Replay
from busplay.wording import counted

# Differences that are looked at for addresses and times; as many objects are made.
DIFFERENCES_LISTED = 100_000
SHOWN = 8
COLUMNS = 120


def against_section(
    found: Comparison,
    name: str,
    *,
    expected: Replay,
    actual: Replay,
    other_is_actual: bool,
) -> ReportSection:
    """Return what is different: counts, patterns, lanes, addresses, times, and screens.

    Args:
        found: of `compare`, with up to `DIFFERENCES_LISTED` differences.
        name: of the other recording.
        expected, actual: the recordings; they are moved.
        other_is_actual: the other recording is the actual one.

    Raises:
        InputError: one is damaged.
    """
    verdict = verdict_text(found)
    parts: list[ReportPart] = [
        ReportProse(
            f"{name} (actual) against this recording (expected): {verdict}."
            if other_is_actual
            else f"This recording (actual) against {name} (expected): {verdict}.",
            is_warning=not found.equal,
        )
    ]
    parts += [ReportProse(f"{note[0].upper()}{note[1:]}.") for note in found.notes if note]
    parts.append(FactList(tuple(count_rows(found))))
    parts += [ReportProse(one) for one in pattern_sentences(found, most=SHOWN)]
    if found.frames_changed:
        parts.append(
            draw_bars(
                [f"lane {lane}" for lane in range(len(found.changed_by_lane))],
                {
                    "with a bit error on the lane": found.changed_by_lane,
                    "on that lane alone": found.changed_on_lane_alone,
                },
                title="Errors by lane",
                label="changed frames",
                note="A frame with several bit errors counts on each of their lanes.",
            )
        )
    parts += _listed(found, expected.end_cycle / expected.clock_hz)
    worst = _worst_refresh(found, expected)
    if worst is not None:
        parts += _screens(expected, actual, worst, "The screens at the most differences")
    parts += _screens(expected, actual, expected.end_cycle, "The last screens")
    return ReportSection("Against the other recording", tuple(parts))


def _worst_refresh(found: Comparison, expected: Replay) -> int | None:
    """Return the cycle of the refresh before which the most differences lie; None: the last."""
    rate_hz, clock_hz = expected.board.refresh_hz, expected.clock_hz
    cycles = [
        frame.cycle
        for one in found.differences
        if (frame := one.expected or one.actual) is not None and frame.cycle is not None
    ]
    if not cycles:
        return None
    counts = Counter(-(-cycle * rate_hz // clock_hz) for cycle in cycles)
    # Of several alike, the first.
    refresh = min(counts, key=lambda one: (-counts[one], one))
    cycle = refresh * clock_hz // rate_hz
    return cycle if cycle < expected.end_cycle else None


def _screens(expected: Replay, actual: Replay, cycle: int, what: str) -> list[ReportPart]:
    for one in (expected, actual):
        one.seek(cycle)
    pairs = [
        (display.image(), actual.displays[unit].image())
        for unit, display in expected.displays.items()
        if unit in actual.displays and display.image().shape == actual.displays[unit].image().shape
    ]
    if not pairs:
        return []
    pixels = counted(sum(pixels_different(*pair) for pair in pairs), "pixel")
    at = f"{cycle / expected.clock_hz:.3f} s"
    return [
        screen_figure(
            compose_differences(pairs),
            title=f"{what}: expected, actual, difference",
            alt=f"The screens of both at {at} side by side; {pixels} differ.",
            note=f"At {at}, cycle {cycle:,}: {pixels} different, bright in the third picture.",
        )
    ]


def _listed(found: Comparison, duration_s: float) -> list[ReportPart]:
    """Return errors by address and time, and the first of them."""
    if not found.differences:
        return []
    seen = [(one.kind, one.expected or one.actual) for one in found.differences]
    total = found.frames_different
    of_first = f" of the first {len(seen):,}" if total > len(seen) else ""
    places = Counter(_place(frame) for _, frame in seen if frame is not None)
    addresses = [
        frame.address for _, frame in seen if frame is not None and frame.address is not None
    ]
    parts: list[ReportPart] = [
        draw_addresses(
            dict(places.most_common()),
            addresses,
            title="Errors by address",
            label=f"differences{of_first}",
        )
    ]
    times: dict[str, list[int]] = {}
    for kind, frame in seen:
        if frame is not None and frame.time_ns is not None:
            times.setdefault(kind.name.lower().replace("_", " "), []).append(frame.time_ns)
    if times and duration_s > 0:
        edges = np.linspace(0.0, duration_s, COLUMNS + 1)
        counts = {
            name: np.histogram(np.array(some) / 1e9, edges)[0].astype(np.int64)
            for name, some in times.items()
        }
        parts.append(
            draw_counts(edges, counts, title="Errors by time", label=f"differences{of_first}")
        )
    parts.append(
        ReportTable(
            f"The first {min(SHOWN, len(seen)):,} of {counted(total, 'difference')}",
            LISTING_HEAD,
            tuple(listing_row(one) for one in found.differences[:SHOWN]),
            left=frozenset({0, 3, 4, 5}),
            more="busplay compare --full lists all.",
        )
    )
    return parts


def _place(frame: Sighting) -> str:
    if frame.address is None:
        return f"{frame.unit} {frame.space} {frame.offset}"
    return f"{address_text(frame.address, frame.page)} {frame.label or ''}".rstrip()
