"""The complete write index of a trace: read from it, and made where it has none."""

from __future__ import annotations

import struct
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from busplay.batch import Int64Column, UInt8Column, UInt32Column
from busplay.description.board import Board
from busplay.trace.container import WRITES
from busplay.trace.reader import TraceReader
from busplay.write_index.builder import WriteIndexBuilder
from busplay.write_index.stretch import (
    SPAN_FRAMES,
    STRETCH_CHUNKS,
    ChunkKind,
    IndexStretch,
    SpanColumn,
    parse_stretch,
    spans_of,
)

_CHUNKS = struct.Struct("<I")


class WriteIndex:
    """Facts on every frame chunk of a trace, without decoding it.

    Args:
        reader: the trace.
        board: its board.
        on_frames: called with the count of frames read, if the index has to be made.
        after: an index of the same trace when it was shorter, to go on from.

    Attributes:
        builder: has board and cells; it is handed on to the next index.
        chunks_in_trace: frame chunks indexed in the trace; the others are indexed here.
        kinds: a `ChunkKind` for each chunk.
        fates: uint8[frames of the chunk] for chunks of `ChunkKind.FATES`.
        written: uint8[chunks, cells / 8]; see `IndexStretch`.
        stretch_chunks: int64[stretches + 1]; chunks before each stretch, and the total.
        counts_before: uint32[stretches + 1, cells]; writes to each cell before each stretch.
        spans: uint64[columns, spans]; see `IndexStretch`.
        spans_before: int64[chunks + 1]; spans before each chunk.
        sums_before: int64[columns, spans + 1]; sums of the columns before each span.
        frames_before: int64[spans + 1]; frames before each span.

    Raises:
        InputError: the index or the trace is damaged.
    """

    def __init__(
        self,
        reader: TraceReader,
        board: Board,
        *,
        on_frames: Callable[[int], object],
        after: WriteIndex | None = None,
    ) -> None:
        self.builder: WriteIndexBuilder = (
            WriteIndexBuilder(board) if after is None else after.builder
        )
        counts = np.diff(reader.frames_before.astype(np.int64)).tolist()
        stretches = self._read(reader, counts)
        self.chunks_in_trace = sum(len(one.kinds) for one in stretches)
        self._made: list[IndexStretch] = []
        if after is not None and after.chunks_in_trace == self.chunks_in_trace:
            self._made += after._made
        elif after is not None:
            # Another stretch is in the trace; what was made of it is not needed.
            self.builder = WriteIndexBuilder(board)
        self._made += self._make(
            reader,
            self.chunks_in_trace + sum(len(one.kinds) for one in self._made),
            on_frames,
            is_there=bool(self._made),
        )
        stretches += self._made
        cells = self.builder.cells.count
        self.kinds: tuple[ChunkKind, ...] = tuple(kind for one in stretches for kind in one.kinds)
        row_bytes = -(-cells // 8)
        self.written: NDArray[np.uint8] = np.concatenate(
            [np.empty((0, row_bytes), np.uint8), *(one.written for one in stretches)]
        )
        stops = np.cumsum([0, *(len(one.kinds) for one in stretches)], dtype=np.int64)
        self.stretch_chunks: Int64Column = stops
        self.counts_before: UInt32Column = np.zeros((len(stretches) + 1, cells), np.uint32)
        for number, one in enumerate(stretches):
            np.add(self.counts_before[number], one.counts, out=self.counts_before[number + 1])
        self.spans: NDArray[np.uint64] = np.concatenate(
            [np.empty((len(SpanColumn), 0), np.uint64), *(one.spans for one in stretches)], axis=1
        )
        self.spans_before: Int64Column = spans_of(counts).astype(np.int64)
        self.sums_before: NDArray[np.int64] = np.zeros(
            (len(SpanColumn), self.spans.shape[1] + 1), np.int64
        )
        np.cumsum(self.spans.view(np.int64), axis=1, out=self.sums_before[:, 1:])
        self.frames_before: Int64Column = _span_frames(counts)
        self.fates: dict[int, UInt8Column] = {
            int(first) + number: fates
            for first, one in zip(stops, stretches, strict=False)
            for number, fates in one.fates.items()
        }

    def _read(self, reader: TraceReader, counts: list[int]) -> list[IndexStretch]:
        """Read the stretches in the trace."""
        cells = self.builder.cells
        stretches: list[IndexStretch] = []
        first = 0
        for where, payload in reader.payloads(WRITES):
            if len(payload) < _CHUNKS.size:
                raise where.error(f"{len(payload)} bytes", "a write index is longer")
            (chunks,) = _CHUNKS.unpack_from(payload)
            if not 1 <= chunks <= min(STRETCH_CHUNKS, len(counts) - first):
                raise where.error(
                    f"an index of {chunks:,} frame chunks",
                    f"it is of up to {STRETCH_CHUNKS}, and {len(counts) - first:,} are left",
                )
            stretches.append(
                parse_stretch(
                    payload,
                    frame_counts=counts[first : first + chunks],
                    frames_before=int(reader.frames_before[first]),
                    cells=cells.count,
                    cell_shift=cells.shift,
                    where=where,
                )
            )
            first += chunks
        return stretches

    def _make(
        self,
        reader: TraceReader,
        first: int,
        on_frames: Callable[[int], object],
        *,
        is_there: bool,
    ) -> list[IndexStretch]:
        """Make the stretches of the chunks from `first` on, where the builder may be already."""
        chunks = len(reader.frames_before) - 1
        stretches: list[IndexStretch] = []
        if first == chunks:
            return stretches
        builder = self.builder
        if not is_there:
            go_to_chunk(builder, reader, first)
        lost_before = stores_lost_before(reader, first)
        for number in range(first, chunks):
            chunk = reader.frame_chunk(number)
            # A trace has the count of stores lost by a chunk's end, not their edges.
            lost = max(0, chunk.totals.stores - chunk.totals.frames)
            lost_edges = np.repeat(chunk.frames.edge[-1:], max(0, lost - lost_before))
            lost_before = lost
            builder.feed_frames(
                chunk.frames, stop_edge=chunk.totals.stop_edge, lost_edges=lost_edges
            )
            on_frames(chunk.totals.frames)
            if builder.is_full:
                stretches.append(builder.take_stretch())
        if not builder.is_empty:
            stretches.append(builder.take_stretch())
        return stretches


def go_to_chunk(builder: WriteIndexBuilder, reader: TraceReader, number: int) -> None:
    """Bring a builder to the start of a frame chunk, from the key frame before it.

    Raises:
        InputError: the trace is damaged.
    """
    point = reader.seek(int(reader.edges_before[number]))
    builder.resume(point.states, edge=point.edge, frames_before=point.frames_before)
    first = int(np.searchsorted(reader.frames_before, np.uint64(point.frames_before)))
    for one in range(first, number):
        chunk = reader.frame_chunk(one)
        builder.pass_over(chunk.frames, stop_edge=chunk.totals.stop_edge)
    if first == number and number:
        builder.follow(reader.frame_chunk(number - 1).frames)


def stores_lost_before(reader: TraceReader, number: int) -> int:
    """Return the count of stores lost at the sender before a frame chunk, from the trace."""
    if not number:
        return 0
    totals = reader.frame_chunk(number - 1).totals
    return max(0, totals.stores - totals.frames)


def _span_frames(counts: list[int]) -> Int64Column:
    """Return int64[spans + 1]: frames before each span, from the frame counts of chunks."""
    each: list[int] = []
    for count in counts:
        whole, rest = divmod(count, SPAN_FRAMES)
        each += [SPAN_FRAMES] * whole + [rest] * bool(rest)
    return np.cumsum([0, *each], dtype=np.int64)
