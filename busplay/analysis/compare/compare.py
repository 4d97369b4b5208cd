"""Compare two traces of the same program: what is missing, changed, added, late, and why."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import ExitStack
from os import PathLike
from pathlib import Path

from busplay.analysis.compare.comparison import Comparison, WrongBit
from busplay.analysis.compare.frame_comparison import FrameComparison
from busplay.analysis.compare.frames import KEEP_DIFFERENCES, compare_frames
from busplay.analysis.compare.listing import list_differences
from busplay.errors import InputError
from busplay.program.labels import read_labels
from busplay.program.places import Places
from busplay.run.arrivals import edges_found
from busplay.trace.reader import TraceReader

DIFFERENCES_LISTED = 20


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
    names = None if labels is None else read_labels(Path(labels))
    with ExitStack() as stack:
        before, after = (
            one if isinstance(one, TraceReader) else stack.enter_context(TraceReader(one))
            for one in (expected, actual)
        )
        frames_expected = before.frames
        found_at_edges = edges_found(after, sent_frames=before.frames)
        found = compare_frames(
            before.chunks(),
            found_at_edges or after.chunks(),
            expected_header=before.header,
            actual_header=after.header,
            expected_name=str(before.path),
            actual_name=str(after.path),
            same_run=found_at_edges is not None,
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
    if not found.compared_anything and not found.interrupted:
        raise InputError(
            file=str(after.path),
            found="no frame, and none in the expected trace",
            wanted="record a run that stores something; nothing was compared",
        )
    differences = list_differences(found, Places(found.sides.board, names), first=list_most)
    times_equal = found.times_equal if found.sides.judges_time else None
    accounts, bits = found.accounts, found.wrong_bits
    return Comparison(
        expected=str(before.path),
        actual=str(after.path),
        equal=found.frames_equal and (ignore_time or times_equal is not False),
        frames_equal=found.frames_equal,
        times_equal=times_equal,
        interrupted=found.interrupted,
        paired_by="edges" if found.sides.same_run else "alignment",
        compared_by="words" if found.sides.by_words else "fields",
        expected_link=found.sides.expected.link.name,
        actual_link=found.sides.actual.link.name,
        notes=(*found.sides.notes, *notes),
        frames_expected=accounts.expected,
        frames_actual=accounts.actual,
        frames_same=accounts.same,
        frames_changed=accounts.changed,
        frames_missing=accounts.missing,
        frames_added=accounts.added,
        frames_out_of_order=accounts.out_of_order,
        frames_missing_at_start=accounts.missing_at_start,
        frames_missing_at_end=accounts.missing_at_end,
        idle_frames_expected=accounts.expected_idle,
        idle_frames_actual=accounts.actual_idle,
        delay=found.delays,
        changed_by_field={name: count for name, count in bits.frames_by_field.items() if count},
        changed_by_lane=bits.frames_by_lane,
        changed_on_lane_alone=bits.frames_on_lane_alone,
        wrong_bits=_wrong_bits(found),
        patterns=found.patterns,
        differences=tuple(differences),
    )


def _wrong_bits(found: FrameComparison) -> tuple[WrongBit, ...]:
    counts = found.wrong_bits
    return tuple(
        WrongBit(bit.field, bit.bit, bit.symbol, bit.lane, ones_lost, zeros_lost)
        for bit, ones_lost, zeros_lost in zip(
            found.sides.bits, counts.ones_lost, counts.zeros_lost, strict=True
        )
        if bit is not None and (ones_lost or zeros_lost)
    )
