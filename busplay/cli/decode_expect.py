"""`busplay decode --expect`: the decoded capture held against what the emulator sent."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from busplay.cli.decode_report import JSON_LISTED, LISTED, show_time
from busplay.cli.report import Figures

if TYPE_CHECKING:
    from busplay.analysis.compare.comparison import Comparison
    from busplay.decoding import DecodeReport

ABSENT = "-"


@dataclass(frozen=True, slots=True)
class WriteRow:
    """One write that was lost, damaged, added or out of order.

    Attributes:
        kind: `missing`, `damaged` (it came, but failed its check), `changed`, `added` or `out
            of order`.
        time_ps: when it was, or should have been, in the capture's own time.
        cycle: processor cycle by which the store was made; None without a board.
        address: processor address; None where no window leads there.
        label: of the program, with a distance; empty where none is known.
        place: unit, space and offset.
        stored: the byte that the program stored; None for an added frame.
        arrived: the byte that arrived; None for a missing one.
        lanes: lanes at fault, as far as a damaged frame tells.
    """

    kind: str
    time_ps: int
    cycle: int | None
    address: int | None
    label: str
    place: str
    stored: int | None
    arrived: int | None
    lanes: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Against:
    """A comparison, and its differences as writes.

    Attributes:
        comparison: of the frames.
        rows: the writes in the time of the capture, then others, up to JSON_LISTED.
        outside: writes that are missing since the capture had not begun or was over.
    """

    comparison: Comparison
    rows: tuple[WriteRow, ...]
    outside: int

    @property
    def damaged(self) -> int:
        """Of the missing writes listed, those that came damaged."""
        return sum(row.kind == "damaged" for row in self.rows)


def hold_against(
    expected: Path, decoded: Path, report: DecodeReport, *, labels: Path | None
) -> Against:
    """Compare a trace of the emulator's with the trace of a capture.

    Args:
        expected: what the emulator sent.
        decoded: what was decoded.
        report: of the decode, for times.
        labels: of the program.

    Raises:
        InputError: a file is damaged, or the two are of different links.
    """
    from busplay.analysis.compare.compare import compare_traces
    from busplay.analysis.compare.places import Places
    from busplay.program.labels import read_labels
    from busplay.trace.reader import TraceReader

    known = None if labels is None else read_labels(labels)
    with TraceReader(expected) as before, TraceReader(decoded) as after:
        comparison = compare_traces(
            before.chunks(),
            after.chunks(),
            expected_header=before.header,
            actual_header=after.header,
            expected_name=str(expected),
            actual_name=report.info.file,
        )
        places = Places(before.header.board, known)
        rows, outside = _rows(comparison, report, places, before)
    return Against(comparison, rows, outside)


def _rows(
    comparison: Comparison, report: DecodeReport, places: object, expected: object
) -> tuple[tuple[WriteRow, ...], int]:
    from busplay.analysis.compare.comparison import Kind
    from busplay.analysis.compare.places import Places
    from busplay.trace.reader import TraceReader

    assert isinstance(places, Places)
    assert isinstance(expected, TraceReader)
    header = expected.header
    found = comparison.differences
    delay = 0
    if comparison.delays is not None and comparison.delays.unit == "edges":
        usual = comparison.delays.usual
        delay = comparison.delays.first if usual is None else usual
    has_actual = found.actual_index >= 0
    edge = np.where(
        has_actual,
        found.actual_edge.astype(np.int64),
        found.expected_edge.astype(np.int64) + delay,
    )
    times = report.times.at(edge) + report.info.zero_ps
    is_outside = ~has_actual & ((times < report.info.start_ps) | (times > report.info.stop_ps))
    order = np.argsort(is_outside, kind="stable")[:JSON_LISTED]
    before = comparison.sides.unpack(found.expected_word)
    after = comparison.sides.unpack(found.actual_word)
    broken = _damage_by_time(report)
    rows = []
    for row in order.tolist():
        has_expected = found.expected_index[row] >= 0
        fields = before if has_expected else after
        unit, space, offset = (
            int(column[row]) for column in (fields.unit, fields.space, fields.address)
        )
        address = places.address(unit, space, offset)
        first_edge = int(found.expected_edge[row])
        kind = Kind(int(found.kind[row])).name.lower().replace("_", " ")
        lanes = broken(int(times[row])) if kind == "missing" else None
        rows.append(
            WriteRow(
                kind=kind if lanes is None else "damaged",
                time_ps=int(times[row]),
                cycle=header.cycles_at(first_edge) if has_expected and header.board else None,
                address=address,
                label=places.label(address),
                place=places.text(unit, space, offset),
                stored=int(before.data[row]) if has_expected else None,
                arrived=int(after.data[row]) if has_actual[row] else None,
                lanes=lanes or (),
            )
        )
    return tuple(rows), int(np.count_nonzero(is_outside))


def _damage_by_time(report: DecodeReport) -> Callable[[int], tuple[int, ...] | None]:
    """Give what tells the lanes of the damaged frame at a time; None where none was damaged."""
    damaged = [one for one in report.health.damaged if one.kind != "mended"]
    zero_ps = report.info.zero_ps
    times = np.array([one.time_ps + zero_ps for one in damaged], np.int64)
    # Frames are several symbols long, so this is within the same frame.
    reach_ps = 2 * report.survey.plan.period_ps

    def lanes_at(time_ps: int) -> tuple[int, ...] | None:
        place = int(np.searchsorted(times, time_ps - reach_ps))
        if place == len(times) or times[place] > time_ps + reach_ps:
            return None
        return damaged[place].lanes

    return lanes_at


def expect_figures(against: Against) -> Figures:
    """Give the comparison, ready for JSON."""
    books = against.comparison.books
    return {
        "equal": against.comparison.frames_equal,
        "frames_expected": books.expected,
        "frames_arrived": books.actual,
        "same": books.same,
        "changed": books.changed,
        "missing": books.missing,
        "missing_damaged": against.damaged,
        "missing_outside_capture": against.outside,
        "missing_at_start": books.missing_at_start,
        "missing_at_end": books.missing_at_end,
        "added": books.added,
        "out_of_order": books.out_of_order,
        "patterns": [one.sentence for one in against.comparison.patterns],
        "differences": [
            {
                "kind": one.kind,
                "time_ps": one.time_ps,
                "cycle": one.cycle,
                "address": one.address,
                "label": one.label or None,
                "place": one.place,
                "stored": one.stored,
                "arrived": one.arrived,
                "lanes": list(one.lanes),
            }
            for one in against.rows
        ],
    }


def expect_lines(against: Against) -> list[str]:
    """Say in words how the capture compares with what was sent."""
    books = against.comparison.books
    lines = [
        f"Against what was sent: {books.same:,} of {books.expected:,} frames are the same",
        f"  {books.missing:,} missing ({books.missing_at_start:,} before the first that came,"
        f" {books.missing_at_end:,} after the last), {books.changed:,} changed,"
        f" {books.added:,} added, {books.out_of_order:,} out of order",
    ]
    if against.outside:
        lines.append(
            f"  {against.outside:,} of the missing lie before the capture begins or after its end"
        )
    if against.damaged:
        lines.append(f"  {against.damaged:,} of the missing came, but failed their check")
    lines += [f"  {one.sentence}" for one in against.comparison.patterns]
    inside = against.rows[: max(0, books.differences - against.outside)]
    if inside:
        lines.append(
            "  what          time in the capture   cycle       store          arrived  label, lanes"
        )
    for one in inside[:LISTED]:
        stored = ABSENT if one.stored is None else f"${one.stored:02X}"
        where = f"${one.address:04X}" if one.address is not None else one.place
        arrived = ABSENT if one.arrived is None else f"${one.arrived:02X}"
        cycle = ABSENT if one.cycle is None else f"{one.cycle:,}"
        lines.append(
            f"  {one.kind:12}  {show_time(one.time_ps):20}  {cycle:10}  {where}={stored:7}"
            f"  {arrived:7}  {', '.join(filter(None, [one.label, _lanes(one.lanes)]))}".rstrip()
        )
    more = books.differences - against.outside - LISTED
    if more > 0:
        lines.append(f"  and {more:,} more (--json lists up to 1,000)")
    return lines


def _lanes(lanes: tuple[int, ...]) -> str:
    return f"lane {' '.join(map(str, lanes))}" if lanes else ""
