"""A decoded capture compared with what was sent."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from busplay.analysis.compare.comparison import Delays
from busplay.analysis.compare.frame_comparison import FrameComparison
from busplay.analysis.compare.frames import compare_frames
from busplay.analysis.compare.streams import Kind
from busplay.capture.report import DecodedEdges, DecodeReport
from busplay.description.full_address import address_of, page_of
from busplay.program.labels import read_labels
from busplay.program.places import PlaceNames
from busplay.trace.header import TraceHeader
from busplay.trace.reader import TraceReader

ROWS_MOST = 1000
NEVER_PS = np.iinfo(np.int64).max


@dataclass(frozen=True, slots=True)
class WriteRow:
    """One write that is missing, changed, added or out of order.

    Attributes:
        kind: `missing`, `damaged` (it came, but failed its check), `changed`, `added` or `out
            of order`.
        time_ps: when it was, or should have been, in the capture's own time.
        cycle: processor cycle by which the store was made; None without a board.
        address: processor address; None where no window leads there.
        page: the page of banked memory that it showed; None: it is not banked, or that is not
            known.
        label: of the program, with a distance; empty where none is known.
        place: unit, space and offset.
        stored: the byte that the program stored; None for an added frame.
        arrived: the byte that arrived; None for a missing one.
        lanes: lanes at fault, as far as a damaged frame shows them.
    """

    kind: str
    time_ps: int
    cycle: int | None
    address: int | None
    page: int | None
    label: str
    place: str
    stored: int | None
    arrived: int | None
    lanes: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class ExpectReport:
    """How a capture compares with what was sent.

    Attributes:
        is_equal: the frames are the same.
        is_equal_in_capture: they are, as far as the capture's time reaches.
        frames_expected, frames_arrived: frames in each.
        same, changed, missing, added, out_of_order: as `busplay compare` counts them.
        missing_at_start, missing_at_end: missing before the first frame that both have, and
            after the last.
        missing_damaged: missing frames that came, but failed their check.
        missing_outside_capture: missing frames of before the receiver was in sync for the first
            time, or of after the capture.
        different_in_capture: differences in the time of the capture.
        patterns: what the differences have in common, in sentences.
        differences: the differences as writes: those in the time of the capture, then others.
    """

    is_equal: bool
    is_equal_in_capture: bool
    frames_expected: int
    frames_arrived: int
    same: int
    changed: int
    missing: int
    added: int
    out_of_order: int
    missing_at_start: int
    missing_at_end: int
    missing_damaged: int
    missing_outside_capture: int
    different_in_capture: int
    patterns: tuple[str, ...]
    differences: tuple[WriteRow, ...]


def hold_against(
    expected: Path,
    decoded: Path,
    report: DecodeReport,
    edges: DecodedEdges,
    *,
    labels: Path | None,
    rows_most: int | None = ROWS_MOST,
) -> ExpectReport:
    """Compare a trace of what was sent with the trace of a capture.

    Args:
        expected: what was sent.
        decoded: what was decoded.
        report: of the decode.
        edges: where its frames lie in the capture.
        labels: of the program.
        rows_most: differences to list; None: all.

    Raises:
        InputError: a file is damaged, or the two are of different links.
    """
    with TraceReader(expected) as before, TraceReader(decoded) as after:
        known = None if labels is None else read_labels(labels, before.header.banks)
        comparison = compare_frames(
            before.chunks(),
            after.chunks(),
            expected_header=before.header,
            actual_header=after.header,
            expected_name=str(expected),
            actual_name=report.file,
        )
        places = PlaceNames(before.header.board, known, before.shown_pages)
        return _expect_report(comparison, report, edges, places, before.header, rows_most)


def _expect_report(
    comparison: FrameComparison,
    report: DecodeReport,
    edges: DecodedEdges,
    places: PlaceNames,
    header: TraceHeader,
    rows_most: int | None,
) -> ExpectReport:
    found, figures = comparison.differences, comparison.figures
    has_actual = found.actual_index >= 0
    edge = np.where(
        has_actual,
        found.actual_edge.astype(np.int64),
        found.expected_edge.astype(np.int64) + _usual_delay(comparison.figures.delay),
    )
    times = edges.times.at(edge) + edges.zero_ps
    begin_ps = max(report.start_ps, report.health.first_sync_ps or report.start_ps)
    is_outside = ~has_actual & ((times < begin_ps) | (times + edges.frame_ps > report.stop_ps))
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
        first_edge = int(found.expected_edge[row])
        full = places.address(unit, space, offset)
        if has_expected:
            full = places.address_of_frame(unit, space, offset, edge=first_edge)
        kind = Kind(int(found.kind[row])).name.lower().replace("_", " ")
        rows.append(
            WriteRow(
                kind="damaged" if broken[row] else kind,
                time_ps=int(times[row]),
                cycle=header.cycles_at(first_edge) if has_expected and header.board else None,
                address=None if full is None else address_of(full),
                page=page_of(full),
                label=places.label(full),
                place=places.text(unit, space, offset),
                stored=int(before.data[row]) if has_expected else None,
                arrived=int(after.data[row]) if has_actual[row] else None,
                lanes=lanes_of(row) if broken[row] else (),
            )
        )
    inside = figures.frames_different - outside
    return ExpectReport(
        is_equal=figures.frames_equal,
        is_equal_in_capture=inside == 0,
        frames_expected=figures.frames_expected,
        frames_arrived=figures.frames_actual,
        same=figures.frames_same,
        changed=figures.frames_changed,
        missing=figures.frames_missing,
        added=figures.frames_added,
        out_of_order=figures.frames_out_of_order,
        missing_at_start=figures.frames_missing_at_start,
        missing_at_end=figures.frames_missing_at_end,
        missing_damaged=int(np.count_nonzero(broken)),
        missing_outside_capture=outside,
        different_in_capture=inside,
        patterns=tuple(one.sentence for one in figures.patterns),
        differences=tuple(rows),
    )


def _usual_delay(delays: Delays | None) -> int:
    """Return by how many edges arrivals usually come later than they were sent."""
    if delays is None or delays.unit != "edges":
        return 0
    return delays.first if delays.usual is None else delays.usual


def _damage_at(
    times_ps: NDArray[np.int64], report: DecodeReport
) -> tuple[NDArray[np.bool_], Callable[[int], tuple[int, ...]]]:
    """Return at which of the times a frame came damaged, and a function to its lanes."""
    damaged = [one for one in report.health.damaged if one.kind != "corrected"]
    # The last one never comes.
    broken_ps = np.array([one.time_ps for one in damaged] + [NEVER_PS])
    # Frames are several symbols long, so this is within the same frame.
    reach_ps = 2 * report.clock.period_ps
    place = np.searchsorted(broken_ps[:-1], times_ps - reach_ps)
    return broken_ps[place] <= times_ps + reach_ps, lambda row: damaged[int(place[row])].lanes
