"""Losses in a recording, from the sums of its write index."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from busplay.history.history import History
from busplay.write_index.stretch import SpanColumn


def frames_missed(history: History, first_frame: int, stop_frame: int) -> int:
    """Count the frames missing before frames of a range, by the sequence field.

    0 in a recording of what was sent, and on a link without that field.

    Args:
        history: of the recording.
        first_frame, stop_frame: the range, the stop not included.

    Raises:
        InputError: the trace is damaged there.
    """
    spans = history.index.frames_before
    low = int(np.searchsorted(spans, first_frame, side="left"))
    high = int(np.searchsorted(spans, stop_frame, side="right")) - 1
    if low >= high:
        return _count_missed(history, first_frame, stop_frame)
    sums = history.index.sums_before[SpanColumn.FRAMES_MISSED]
    return (
        _count_missed(history, first_frame, int(spans[low]))
        + int(sums[high] - sums[low])
        + _count_missed(history, int(spans[high]), stop_frame)
    )


def _count_missed(history: History, first: int, stop: int) -> int:
    """Count the same frame by frame, within two spans at most."""
    field = history.board.link.field_named("sequence")
    if field is None or first >= stop:
        return 0
    words = history.batch(max(0, first - 1), stop).word
    numbers = history.layout.unpack_field(words, "sequence")
    steps = (numbers[1:] - numbers[:-1] - np.uint64(1)) & np.uint64((1 << field.bits) - 1)
    return int(steps.sum())


def chunks_losing_stores(
    history: History, first_frame: int, stop_frame: int
) -> Iterator[tuple[int, int, int]]:
    """Return the chunks of frames between two moments that stores were lost with, newest first.

    Yields:
        First frame, frame behind the last, and the edge at which each stops.
    """
    lost = history.index.sums_before[SpanColumn.LOST_AT_SENDER][history.index.spans_before]
    before, edges = history.reader.frames_before, history.reader.edges_before
    for chunk in np.flatnonzero(np.diff(lost))[::-1].tolist():
        first, stop = before[chunk : chunk + 2].tolist()
        if first <= stop_frame and stop > first_frame:
            yield first, stop, int(edges[chunk + 1])
