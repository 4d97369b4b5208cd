"""A recording's time line: sums over columns of equal width, at any zoom, from the write index.

How to think about it. Every sum is kept cumulatively before each span, so that a column of any
width is one difference. If a boundary falls within a span, the span's frames are assumed to be
spread evenly over its time; if only few chunks are shown, their frames are counted one by one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from busplay.batch import Int64Column
from busplay.history.index import WriteIndex
from busplay.trace.reader import TraceReader
from busplay.write_index.stretch import SpanColumn

# Chunks whose frames are counted one by one.
EXACT_CHUNKS = 4


@dataclass(frozen=True, slots=True, eq=False)
class Timeline:
    """Sums over a stretch of link time, in columns of equal width.

    All except `edges` are int64[columns]. Sums other than frames and keys are assumed to be spread
    evenly over the frames of a span of up to 1,024.

    Attributes:
        edges: int64[columns + 1]; link edges at which the columns begin, and the last stops.
        is_exact: frames were counted one by one; else those of a span are assumed to be spread
            evenly over its time.
        frames: frames that start in the column.
        changed_bytes: frames that changed a byte of a unit's memory.
        frames_missed: frames missing by the sequence field.
        lost_at_sender: stores that found the sender FIFO full.
        lost_at_receiver: frames that found the receiver FIFO full.
        late: frames served after their deadline.
        undelivered: frames that the receiver did not deliver.
        fifo_high_water: most frames in the receiver FIFO in a span of the column; 0 if it cannot
            lose any.
        keys: key presses.
        slots: slots of the link, busy or idle; `frames / slots` is the link use.
    """

    edges: Int64Column
    is_exact: bool
    frames: Int64Column
    changed_bytes: Int64Column
    frames_missed: Int64Column
    lost_at_sender: Int64Column
    lost_at_receiver: Int64Column
    late: Int64Column
    undelivered: Int64Column
    fifo_high_water: Int64Column
    keys: Int64Column
    slots: Int64Column

    def losses(self) -> dict[str, Int64Column]:
        """Return the losses by cause, in words; causes that never occur are left out."""
        causes = {
            "lost at the sender FIFO": self.lost_at_sender,
            "lost at the receiver FIFO": self.lost_at_receiver,
            "late": self.late,
            "not delivered": self.undelivered,
            "missed by sequence": self.frames_missed,
        }
        return {cause: counts for cause, counts in causes.items() if counts.any()}


def draw_timeline(
    reader: TraceReader,
    index: WriteIndex,
    key_edges: Int64Column,
    first_edge: int,
    stop_edge: int,
    columns: int,
    *,
    slot_edges: int,
) -> Timeline:
    """Make the columns between two edges; see `History.timeline`.

    Args:
        reader: the trace.
        index: of it.
        key_edges: int64[keys]; edges of key presses.
        first_edge, stop_edge: of the time line.
        columns: count of columns.
        slot_edges: edges of a slot.

    Raises:
        InputError: the trace is damaged there.
        ValueError: the edges are out of order, or there is no column.
    """
    if not 0 <= first_edge < stop_edge or columns < 1:
        raise ValueError(f"{columns} columns from edge {first_edge} to {stop_edge}")
    width = stop_edge - first_edge
    edges = np.array(
        [first_edge + width * number // columns for number in range(columns + 1)], np.int64
    )
    frames, is_exact = _frames_before(reader, index, edges, slot_edges)
    sums = _sums_before(index, frames)
    figures = {
        name: np.diff(sums[column])
        for name, column in (
            ("changed_bytes", SpanColumn.CHANGED_BYTES),
            ("frames_missed", SpanColumn.FRAMES_MISSED),
            ("lost_at_sender", SpanColumn.LOST_AT_SENDER),
            ("lost_at_receiver", SpanColumn.LOST_AT_RECEIVER),
            ("late", SpanColumn.LATE),
            ("undelivered", SpanColumn.UNDELIVERED),
        )
    }
    return Timeline(
        edges=edges,
        is_exact=is_exact,
        frames=np.diff(frames),
        fifo_high_water=_high_water(index, frames),
        keys=np.diff(np.searchsorted(key_edges, edges)).astype(np.int64),
        slots=np.diff(edges // slot_edges),
        **figures,
    )


def _frames_before(
    reader: TraceReader, index: WriteIndex, edges: Int64Column, slot_edges: int
) -> tuple[Int64Column, bool]:
    """Return the count of frames that start before each edge, and whether it is exact."""
    chunk_stops = reader.edges_before[1:].astype(np.int64)
    first, last = np.searchsorted(chunk_stops, edges[[0, -1]], side="right").tolist()
    last = min(last, len(chunk_stops) - 1)
    if last - first < EXACT_CHUNKS:
        total = np.full(len(edges), int(reader.frames_before[first]), np.int64)
        for number in range(first, last + 1):
            starts = reader.frame_chunk(number).frames.edge
            total += np.searchsorted(starts, edges.astype(np.uint64)).astype(np.int64)
        return total, True
    starts = index.spans[SpanColumn.FIRST_SLOT].astype(np.int64) * slot_edges
    span = np.maximum(np.searchsorted(starts, edges, side="right") - 1, 0)
    length = np.exp2(index.spans[SpanColumn.LENGTH_BITS][span].astype(np.float64)) * slot_edges
    following = np.append(starts, chunk_stops[-1])[span + 1]
    length = np.minimum(length, np.maximum(following - starts[span], slot_edges))
    part = np.clip((edges - starts[span]).astype(np.float64) / length, 0.0, 1.0)
    before = index.frames_before
    count = before[span + 1] - before[span]
    return before[span] + (count * part).astype(np.int64), False


def _sums_before(index: WriteIndex, frames: Int64Column) -> Int64Column:
    """Return int64[columns of spans, moments]: the sums before counts of frames."""
    before = index.frames_before
    span = np.clip(np.searchsorted(before, frames, side="right") - 1, 0, max(0, len(before) - 2))
    sums = index.sums_before
    if len(before) == 1:
        return np.zeros((len(sums), len(frames)), np.int64)
    count = before[span + 1] - before[span]
    step = sums[:, span + 1] - sums[:, span]
    here: Int64Column = sums[:, span] + step * (frames - before[span]) // count
    return here


def _high_water(index: WriteIndex, frames: Int64Column) -> Int64Column:
    """Return the most frames in the receiver FIFO in the spans of each column."""
    held = index.spans[SpanColumn.HELD_MAX].astype(np.int64)
    most = np.zeros(len(frames) - 1, np.int64)
    if not held.any():
        return most
    before = index.frames_before
    first = np.searchsorted(before, frames[:-1], side="right") - 1
    stop = np.searchsorted(before, frames[1:], side="left")
    has = np.flatnonzero(frames[1:] > frames[:-1])
    # Pairs of bounds; results between pairs are dropped.
    bounds = np.stack([first[has], stop[has]], axis=1).reshape(-1)
    most[has] = np.maximum.reduceat(np.append(held, 0), bounds)[::2]
    return most
