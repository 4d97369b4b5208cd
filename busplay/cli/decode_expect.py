"""`busplay decode --expect`: the decoded capture held against what the emulator sent."""

from __future__ import annotations

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
        kind: `missing`, `changed`, `added` or `out of order`.
        time_ps: when it was, or should have been, in the capture's own time.
        cycle: processor cycle by which the store was made; None without a board.
        address: processor address; None where no window leads there.
        label: of the program, with a distance; empty where none is known.
        place: unit, space and offset.
        stored: the byte that the program stored; None for an added frame.
        arrived: the byte that arrived; None for a missing one.
    """

    kind: str
    time_ps: int
    cycle: int | None
    address: int | None
    label: str
    place: str
    stored: int | None
    arrived: int | None


@dataclass(frozen=True, slots=True)
class Against:
    """A comparison, and its differences as writes."""

    comparison: Comparison
    rows: tuple[WriteRow, ...]


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
        rows = _rows(comparison, report, places, before)
    return Against(comparison, rows)


def _rows(
    comparison: Comparison, report: DecodeReport, places: object, expected: object
) -> tuple[WriteRow, ...]:
    from busplay.analysis.compare.comparison import Kind
    from busplay.analysis.compare.places import Places
    from busplay.trace.reader import TraceReader

    assert isinstance(places, Places)
    assert isinstance(expected, TraceReader)
    header = expected.header
    found = comparison.differences
    count = min(len(found), JSON_LISTED)
    delay = 0
    if comparison.delays is not None and comparison.delays.unit == "edges":
        usual = comparison.delays.usual
        delay = comparison.delays.first if usual is None else usual
    has_actual = found.actual_index[:count] >= 0
    edge = np.where(
        has_actual,
        found.actual_edge[:count].astype(np.int64),
        found.expected_edge[:count].astype(np.int64) + delay,
    )
    times = report.times.at(edge) + report.info.zero_ps
    before = comparison.sides.unpack(found.expected_word[:count])
    after = comparison.sides.unpack(found.actual_word[:count])
    rows = []
    for row in range(count):
        has_expected = found.expected_index[row] >= 0
        fields = before if has_expected else after
        unit, space, offset = (
            int(column[row]) for column in (fields.unit, fields.space, fields.address)
        )
        address = places.address(unit, space, offset)
        first_edge = int(found.expected_edge[row])
        rows.append(
            WriteRow(
                kind=Kind(int(found.kind[row])).name.lower().replace("_", " "),
                time_ps=int(times[row]),
                cycle=header.cycles_at(first_edge) if has_expected and header.board else None,
                address=address,
                label=places.label(address),
                place=places.text(unit, space, offset),
                stored=int(before.data[row]) if has_expected else None,
                arrived=int(after.data[row]) if has_actual[row] else None,
            )
        )
    return tuple(rows)


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
    lines += [f"  {one.sentence}" for one in against.comparison.patterns]
    if against.rows:
        lines.append(
            "  what          time in the capture   cycle       store          arrived  label"
        )
    for one in against.rows[:LISTED]:
        stored = ABSENT if one.stored is None else f"${one.stored:02X}"
        where = f"${one.address:04X}" if one.address is not None else one.place
        arrived = ABSENT if one.arrived is None else f"${one.arrived:02X}"
        cycle = ABSENT if one.cycle is None else f"{one.cycle:,}"
        lines.append(
            f"  {one.kind:12}  {show_time(one.time_ps):20}  {cycle:10}  {where}={stored:7}"
            f"  {arrived:7}  {one.label}".rstrip()
        )
    if books.differences > LISTED:
        lines.append(f"  and {books.differences - LISTED:,} more (--json lists up to 1,000)")
    return lines
