"""Compare two traces of the same program: what is missing, changed, added, late, and why."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import replace
from os import PathLike
from pathlib import Path

from busplay.analysis.compare.comparison import Comparison
from busplay.analysis.compare.frame_comparison import FrameComparison
from busplay.analysis.compare.frames import KEEP_DIFFERENCES, compare_frames
from busplay.analysis.compare.listing import list_differences
from busplay.errors import InputError
from busplay.program.labels import read_labels
from busplay.run.arrivals import edges_found
from busplay.trace.reader import TraceReader

DIFFERENCES_LISTED = 20


def compare_recordings(
    expected: TraceReader,
    actual: TraceReader,
    *,
    keep: int,
    find_patterns: bool = True,
    progress: Callable[[int], None] | None = None,
    should_stop: Callable[[], bool] | None = None,
) -> FrameComparison:
    """Compare two open traces, frames that arrived at the edges at which they were found.

    Args:
        keep: how many of the differences to keep.
        find_patterns: say what the damage has in common.
        progress: called with the number of expected frames done so far.
        should_stop: asked now and then; a yes ends the comparison there.

    Raises:
        InputError: a trace is damaged, or the two are of different units or windows.
    """
    found_at_edges = edges_found(actual, sent_frames=expected.frames)
    return compare_frames(
        expected.chunks(),
        found_at_edges or actual.chunks(),
        expected_header=expected.header,
        actual_header=actual.header,
        expected_name=str(expected.path),
        actual_name=str(actual.path),
        same_run=found_at_edges is not None,
        keep=keep,
        find_patterns=find_patterns,
        progress=progress,
        should_stop=should_stop,
    )


def compare(
    expected: str | PathLike[str],
    actual: str | PathLike[str],
    *,
    labels: str | Path | None = None,
    ignore_time: bool = False,
    list_most: int | None = DIFFERENCES_LISTED,
    progress: Callable[[int, int], None] | None = None,
    should_stop: Callable[[], bool] | None = None,
) -> Comparison:
    """Compare two traces of the same program, frame by frame.

    Args:
        expected: a trace; it may be an open reader of one.
        actual: another trace of the same units and windows.
        labels: file of labels; names the addresses of `differences`.
        ignore_time: frames that come late are no difference.
        list_most: how many of the differences to list; None: all of them.
        progress: called with (expected frames compared, expected frames).
        should_stop: asked now and then; the figures are of what was compared until it said yes.

    Raises:
        InputError: a file is damaged, the traces are of different units or windows, or neither
            has a frame.

    >>> import busplay
    >>> found = busplay.compare("sent.trace", "received.trace")
    >>> found.equal, found.frames_missing > 0
    (False, True)
    """
    with ExitStack() as stack:
        before, after = (
            one if isinstance(one, TraceReader) else stack.enter_context(TraceReader(one))
            for one in (expected, actual)
        )
        names = None if labels is None else read_labels(Path(labels), before.header.banks)
        frames_expected = before.frames
        found = compare_recordings(
            before,
            after,
            keep=max(
                before.frames + after.frames if list_most is None else list_most, KEEP_DIFFERENCES
            ),
            progress=None if progress is None else lambda done: progress(done, frames_expected),
            should_stop=should_stop,
        )
        notes = [
            f"the {name} trace is cut: {reader.cut_reason}"
            for reader, name in ((before, "expected"), (after, "actual"))
            if not reader.complete
        ]
        differences = tuple(
            list_differences(found, names, before.shown_pages, after.shown_pages, first=list_most)
        )
    figures = found.figures
    if not (figures.frames_expected or figures.frames_actual or figures.interrupted):
        raise InputError(
            file=str(after.path),
            found="no frame, and none in the expected trace",
            wanted="record a run that stores something; nothing was compared",
        )
    return replace(
        figures,
        equal=figures.frames_equal and (ignore_time or figures.times_equal is not False),
        notes=(*figures.notes, *notes),
        differences=differences,
    )
