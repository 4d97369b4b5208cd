"""`busplay decode --expect`: the decoded capture held against what the emulator sent."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from busplay.cli.decode_report import JSON_LISTED, LISTED
from busplay.cli.report import Figures
from busplay.formats.quantities import time_text

if TYPE_CHECKING:
    from busplay.analysis.compare.comparison import Comparison
    from busplay.analysis.compare.places import Places
    from busplay.capture.decode import DecodeReport
    from busplay.trace.header import TraceHeader

ABSENT = "-"
NEVER_PS = np.iinfo(np.int64).max


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
        rows: the writes in the time of the capture, then others, as many as were asked for.
        rows_inside: how many of the rows lie in the time of the capture.
        outside: writes that are missing since the receiver was not yet in sync for the first
            time, or the capture was over.
        damaged: of the missing writes, those that came damaged.
    """

    comparison: Comparison
    rows: tuple[WriteRow, ...]
    rows_inside: int
    outside: int
    damaged: int

    @property
    def inside(self) -> int:
        """How many differences lie in the time of the capture; 0 if it shows what was sent."""
        return self.comparison.accounts.differences - self.outside


def hold_against(
    expected: Path,
    decoded: Path,
    report: DecodeReport,
    *,
    labels: Path | None,
    rows_most: int | None = JSON_LISTED,
) -> Against:
    """Compare a trace of the emulator's with the trace of a capture.

    Args:
        expected: what the emulator sent.
        decoded: what was decoded.
        report: of the decode, for times.
        labels: of the program.
        rows_most: differences to name one by one; None: all.

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
        return _against(
            comparison, report, Places(before.header.board, known), before.header, rows_most
        )


def _against(
    comparison: Comparison,
    report: DecodeReport,
    places: Places,
    header: TraceHeader,
    rows_most: int | None,
) -> Against:
    from busplay.analysis.compare.kinds import Kind
    from busplay.link.layout import FrameLayout

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
    begin_ps = report.info.start_ps
    if report.health.first_step_ps is not None:
        begin_ps = max(begin_ps, report.health.first_step_ps + report.info.zero_ps)
    frame_symbols = FrameLayout(comparison.sides.actual.link).frame_symbols
    frame_ps = frame_symbols * report.survey.plan.period_ps
    is_outside = ~has_actual & ((times < begin_ps) | (times + frame_ps > report.info.stop_ps))
    outside = int(np.count_nonzero(is_outside))
    order = np.argsort(is_outside, kind="stable")[:rows_most]
    before = comparison.sides.unpack(found.expected_word)
    after = comparison.sides.unpack(found.actual_word)
    broken, lanes_of = _damage_at(times, report)
    broken &= found.kind == Kind.MISSING
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
        rows.append(
            WriteRow(
                kind="damaged" if broken[row] else kind,
                time_ps=int(times[row]),
                cycle=header.cycles_at(first_edge) if has_expected and header.board else None,
                address=address,
                label=places.label(address),
                place=places.text(unit, space, offset),
                stored=int(before.data[row]) if has_expected else None,
                arrived=int(after.data[row]) if has_actual[row] else None,
                lanes=lanes_of(row) if broken[row] else (),
            )
        )
    return Against(
        comparison,
        tuple(rows),
        min(len(rows), len(found) - outside),
        outside,
        int(np.count_nonzero(broken)),
    )


def _damage_at(
    times_ps: NDArray[np.int64], report: DecodeReport
) -> tuple[NDArray[np.bool_], Callable[[int], tuple[int, ...]]]:
    """Tell at which of the times a frame came damaged, and what tells the lanes of each."""
    damaged = [one for one in report.health.damaged if one.kind != "mended"]
    # The last one never comes.
    broken_ps = np.array([one.time_ps + report.info.zero_ps for one in damaged] + [NEVER_PS])
    # Frames are several symbols long, so this is within the same frame.
    reach_ps = 2 * report.survey.plan.period_ps
    place = np.searchsorted(broken_ps[:-1], times_ps - reach_ps)
    return broken_ps[place] <= times_ps + reach_ps, lambda row: damaged[int(place[row])].lanes


def expect_figures(against: Against) -> Figures:
    """Return the comparison, ready for JSON."""
    accounts = against.comparison.accounts
    return {
        "equal": against.comparison.frames_equal,
        "equal_in_capture": against.inside == 0,
        "frames_expected": accounts.expected,
        "frames_arrived": accounts.actual,
        "same": accounts.same,
        "changed": accounts.changed,
        "missing": accounts.missing,
        "missing_damaged": against.damaged,
        "missing_outside_capture": against.outside,
        "missing_at_start": accounts.missing_at_start,
        "missing_at_end": accounts.missing_at_end,
        "added": accounts.added,
        "out_of_order": accounts.out_of_order,
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


def expect_lines(against: Against, *, list_all: bool = False) -> list[str]:
    """Say in words how the capture compares with what was sent."""
    listed = None if list_all else LISTED
    accounts = against.comparison.accounts
    lines = [
        f"Against what was sent: {accounts.same:,} of {accounts.expected:,} frames are the same",
        f"  {accounts.missing:,} missing ({accounts.missing_at_start:,} before the first that came,"
        f" {accounts.missing_at_end:,} after the last), {accounts.changed:,} changed,"
        f" {accounts.added:,} added, {accounts.out_of_order:,} out of order",
    ]
    if against.outside:
        lines.append(
            f"  {against.outside:,} of the missing lie outside the capture: before the first frame"
            " in sync, or after the end"
        )
    if against.damaged:
        lines.append(f"  {against.damaged:,} of the missing came, but failed their check")
    lines += [f"  {one.sentence}" for one in against.comparison.patterns]
    inside = against.rows[: against.rows_inside]
    if inside:
        lines.append(
            "  what          time in the capture   cycle       store          arrived  label, lanes"
        )
    for one in inside[:listed]:
        stored = ABSENT if one.stored is None else f"${one.stored:02X}"
        where = f"${one.address:04X}" if one.address is not None else one.place
        arrived = ABSENT if one.arrived is None else f"${one.arrived:02X}"
        cycle = ABSENT if one.cycle is None else f"{one.cycle:,}"
        lines.append(
            f"  {one.kind:12}  {time_text(one.time_ps):20}  {cycle:10}  {where}={stored:7}"
            f"  {arrived:7}  {', '.join(filter(None, [one.label, _lanes(one.lanes)]))}".rstrip()
        )
    more = against.inside - len(inside[:listed])
    if more > 0:
        lines.append(f"  and {more:,} more (--all lists them; --json up to 1,000 without it)")
    return lines


def _lanes(lanes: tuple[int, ...]) -> str:
    return f"lane {' '.join(map(str, lanes))}" if lanes else ""
