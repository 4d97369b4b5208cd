"""Compare two recordings of the same program: what is missing, changed, added, out of order.

Frames stream through a window of a few hundred thousand, so recordings of any length take the
same memory.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace

import numpy as np

from busplay.analysis.compare import alignment, streams
from busplay.analysis.compare.background import Background
from busplay.analysis.compare.comparison import Comparison
from busplay.analysis.compare.frame_comparison import Differences, FrameComparison
from busplay.analysis.compare.queue import FrameQueue
from busplay.analysis.compare.sides import Sides
from busplay.analysis.compare.streams import Findings, Kind, Streams
from busplay.analysis.compare.tally import DelayTally, DifferenceTally
from busplay.batch import FrameBatch
from busplay.trace.header import TraceHeader

# What is kept of the differences themselves; all of them are counted.
KEEP_DIFFERENCES = 1 << 20


def compare_frames(
    expected: Iterable[FrameBatch],
    actual: Iterable[FrameBatch],
    *,
    expected_header: TraceHeader,
    actual_header: TraceHeader | None = None,
    expected_name: str = "expected",
    actual_name: str = "actual",
    same_run: bool = False,
    keep: int = KEEP_DIFFERENCES,
    find_patterns: bool = True,
    progress: Callable[[int], None] | None = None,
    should_stop: Callable[[], bool] | None = None,
) -> FrameComparison:
    """Hold two recordings against each other, frame by frame.

    Args:
        expected, actual: frames in order, such as `TraceReader.chunks()`.
        expected_header, actual_header: link and board of each; by default the same.
        expected_name, actual_name: for messages.
        same_run: `actual` is what arrived of the frames in `expected`, such as a run's
            `record_received` wrote.
        keep: differences to keep with all their columns; patterns are sought in those.
        find_patterns: say what the damage has in common.
        progress: called with the number of expected frames done so far.
        should_stop: asked after each stretch; a yes ends the comparison there.

    Raises:
        InputError: the recordings are of different units or windows, or not in order.
    """
    sides = Sides(
        expected_header,
        expected_header if actual_header is None else actual_header,
        expected_file=expected_name,
        actual_file=actual_name,
        same_run=same_run,
    )
    comparer = _Comparer(sides, keep)
    before = FrameQueue(
        expected, lambda one: sides.compared_words(one, actual=False), name=expected_name
    )
    after = FrameQueue(actual, lambda one: sides.compared_words(one, actual=True), name=actual_name)
    comparer.run(before, after, progress or (lambda _: None), should_stop or (lambda: False))
    found = comparer.result(before, after)
    if find_patterns and found.figures.frames_different:
        from busplay.analysis.compare.patterns import find_all_patterns

        patterns = find_all_patterns(found, comparer.background)
        found = replace(found, figures=replace(found.figures, patterns=patterns))
    return found


class _Comparer:
    """The alignment's state, and where its findings go."""

    def __init__(self, sides: Sides, keep: int) -> None:
        self._sides = sides
        self._state = streams.make_state()
        self._state[streams.PATIENCE] = alignment.PATIENCE_LEAST
        self._scratch = streams.make_scratch()
        self._findings = streams.make_findings(0)
        self._delays = None
        if sides.time_unit is not None:
            rate = sides.expected.edges_per_second
            self._delays = DelayTally(sides.time_unit, edges_per_second=rate)
        self._differences = DifferenceTally(sides, keep)
        self.background = Background(sides)
        self._keep = keep
        self._asked = 0
        self.interrupted = False

    def run(
        self,
        expected: FrameQueue,
        actual: FrameQueue,
        progress: Callable[[int], None],
        should_stop: Callable[[], bool],
    ) -> None:
        """Align everything, or all up to where it should stop."""
        status = alignment.WANTS_FRAMES
        while status != alignment.DONE and not self.interrupted:
            expected.fill(streams.LOOK_FRAMES)
            actual.fill(streams.LOOK_FRAMES)
            rows = len(expected) + len(actual)
            if len(self._findings.kind) < rows:
                self._findings = streams.make_findings(rows)
            status = self._align(self._streams(expected, actual))
            self.interrupted = status != alignment.DONE and should_stop()
            ends = status == alignment.DONE or self.interrupted
            if ends:
                alignment.close_run(self._state, self._findings)
            self._take(expected, actual, final=ends)
            progress(expected.first_index)

    def _align(self, window: Streams) -> int:
        if self._sides.same_run:
            from busplay.analysis.compare.same_run import pair

            return int(pair(window, self._state, self._findings))
        return int(
            alignment.align(window, self._sides.rules, self._state, self._findings, self._scratch)
        )

    def _streams(self, expected: FrameQueue, actual: FrameQueue) -> Streams:
        return Streams(
            self._sides.times(expected.frames.edge, actual=False),
            expected.frames.word,
            self._sides.times(actual.frames.edge, actual=True),
            actual.frames.word,
            expected.ended,
            actual.ended,
        )

    def _take(self, expected: FrameQueue, actual: FrameQueue, *, final: bool) -> None:
        """Hand on what a call found, and move the windows on."""
        state, found = self._state, self._findings
        runs = int(state[streams.RUNS])
        if self._delays is not None:
            self._delays.add(found.run_delay[:runs].copy(), found.run_frames[:runs].copy())
        rows = _rows(found, int(state[streams.DIFFERENCES]), expected, actual)
        self._differences.add(rows, final=final)
        used = int(state[streams.NEXT_EXPECTED])
        room = max(0, self._keep - self._asked)
        asked = rows.expected_index[rows.kind != Kind.ADDED][:room] - expected.first_index
        self._asked += len(asked)
        self.background.add(
            FrameBatch(expected.frames.edge[:used], expected.frames.word[:used]), asked
        )
        state[streams.DIFFERENCES] = state[streams.RUNS] = 0
        expected.drop(used)
        actual.drop(int(state[streams.NEXT_ACTUAL]))
        state[streams.NEXT_EXPECTED] = state[streams.NEXT_ACTUAL] = 0

    def result(self, expected: FrameQueue, actual: FrameQueue) -> FrameComparison:
        """Close the accounts."""
        sides, tally, counts = self._sides, self._differences, self._differences.counts
        differences = tally.differences()
        delay = self._delays.result() if self._delays is not None else None
        is_same = bool(expected.first_index or actual.first_index) and not any(counts.values())
        times_equal = None
        if sides.judges_time:
            times_equal = delay is None or not delay.changes
        figures = Comparison(
            expected=sides.expected_file,
            actual=sides.actual_file,
            equal=is_same and times_equal is not False,
            frames_equal=is_same,
            times_equal=times_equal,
            interrupted=self.interrupted,
            paired_by="edges" if sides.same_run else "alignment",
            compared_by="words" if sides.by_words else "fields",
            expected_link=sides.expected.link.name,
            actual_link=sides.actual.link.name,
            notes=tuple(sides.notes),
            frames_expected=expected.first_index,
            frames_actual=actual.first_index,
            frames_same=int(self._state[streams.SAME]) + counts[Kind.OUT_OF_ORDER],
            frames_changed=counts[Kind.CHANGED],
            frames_missing=counts[Kind.MISSING],
            frames_added=counts[Kind.ADDED],
            frames_out_of_order=counts[Kind.OUT_OF_ORDER],
            frames_missing_at_start=_missing_run(differences, 0, 1),
            frames_missing_at_end=self._missing_at_the_end(differences, expected.first_index),
            idle_frames_expected=expected.idle,
            idle_frames_actual=actual.idle,
            delay=delay,
            changed_by_field={name: count for name, count in tally.by_field.items() if count},
            changed_by_lane=tuple(tally.by_lane.tolist()),
            changed_on_lane_alone=tuple(tally.lane_alone.tolist()),
            wrong_bits=tally.wrong_bits(),
        )
        return FrameComparison(sides, figures, differences)

    def _missing_at_the_end(self, differences: Differences, expected: int) -> int:
        if len(differences) < sum(self._differences.counts.values()):
            return 0
        return _missing_run(differences.select(slice(None, None, -1)), expected - 1, -1)


def _missing_run(differences: Differences, first: int, step: int) -> int:
    """Count missing frames that follow each other from a number on."""
    missing = differences.of_kind(Kind.MISSING).expected_index
    in_run = missing == first + step * np.arange(len(missing))
    return len(missing) if in_run.all() else int(np.argmin(in_run))


def _rows(found: Findings, count: int, expected: FrameQueue, actual: FrameQueue) -> Differences:
    """Make the columns of what a call found."""
    kind = found.kind[:count].copy()
    there, here = found.expected[:count], found.actual[:count]
    has_expected, has_actual = kind != Kind.ADDED, kind != Kind.MISSING
    i, j = np.where(has_expected, there, 0), np.where(has_actual, here, 0)
    nothing = np.zeros(count, np.uint64)

    def gather(column: np.ndarray, places: np.ndarray, there_is: np.ndarray) -> np.ndarray:
        return np.where(there_is, column[places], nothing) if len(column) else nothing

    return Differences(
        kind=kind,
        expected_index=np.where(has_expected, there + expected.first_index, -1),
        actual_index=np.where(has_actual, here + actual.first_index, -1),
        position=np.where(has_expected, there, -1 - there) + expected.first_index,
        expected_edge=gather(expected.frames.edge, i, has_expected),
        actual_edge=gather(actual.frames.edge, j, has_actual),
        expected_word=gather(expected.frames.word, i, has_expected),
        actual_word=gather(actual.frames.word, j, has_actual),
        flipped=found.flipped[:count].copy(),
    )
