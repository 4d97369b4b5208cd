"""The complete write index of a trace: read from it, and made where it has none."""

from __future__ import annotations

import struct
from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from busplay.batch import Int64Column, UInt8Column
from busplay.description.board import Board
from busplay.history.growing_array import GrowingArray
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
)

_CHUNKS = struct.Struct("<I")


class WriteIndex:
    """Facts on every frame chunk of a trace, without decoding it.

    Args:
        builder: has board and cells.
        frames_before: frames before the first chunk.

    Attributes:
        builder: as given.
        chunks_in_trace: frame chunks whose index was read from the trace.
        kinds: a `ChunkKind` for each chunk.
        fates: uint8[frames of the chunk] for chunks of `ChunkKind.FATES`.
    """

    def __init__(self, builder: WriteIndexBuilder, *, frames_before: int = 0) -> None:
        cells = builder.cells.count
        self.builder = builder
        self.chunks_in_trace = 0
        self.kinds: list[ChunkKind] = []
        self.fates: dict[int, UInt8Column] = {}
        # Chunks, blocks and spans before each stretch, and in all.
        self._chunks_before = [0]
        self._stretch_blocks = [0]
        self._stretch_spans = [0]
        self._block_first = GrowingArray(np.zeros(1, np.int64))
        self._written = GrowingArray(np.empty((0, -(-cells // 8)), np.uint8))
        self._counts_before = GrowingArray(np.zeros((1, cells), np.uint32))
        self._spans = GrowingArray(np.empty((len(SpanColumn), 0), np.uint64), axis=1)
        self._sums_before = GrowingArray(np.zeros((len(SpanColumn), 1), np.int64), axis=1)
        self._frames_before = GrowingArray(np.array([frames_before], np.int64))
        self._spans_before = GrowingArray(np.zeros(1, np.int64))

    @classmethod
    def of_trace(
        cls, reader: TraceReader, board: Board, *, on_frames: Callable[[int], object]
    ) -> WriteIndex:
        """Return the index of a trace: read from it, and made where it has none.

        Args:
            reader: the trace.
            board: its board.
            on_frames: called with the count of frames read, if the index has to be made.

        Raises:
            InputError: the index or the trace is damaged.
        """
        index = cls(WriteIndexBuilder(board), frames_before=int(reader.frames_before[0]))
        counts = np.diff(reader.frames_before.astype(np.int64)).tolist()
        index._read(reader, counts)
        index.chunks_in_trace = len(index.kinds)
        index._make(reader, counts, on_frames)
        return index

    @property
    def written(self) -> NDArray[np.uint8]:
        """uint8[blocks, cells / 8]; see `IndexStretch`."""
        return self._written.values

    @property
    def block_first(self) -> Int64Column:
        """int64[blocks + 1]; chunks before each block, and in all."""
        return self._block_first.values

    @property
    def counted_chunks(self) -> Int64Column:
        """int64[counted + 1]; chunks before each stretch that has counts, and after these."""
        return np.array(self._chunks_before[: len(self.counts_before)], np.int64)

    @property
    def counts_before(self) -> NDArray[np.uint32]:
        """uint32[counted + 1, cells]; writes to each cell before each of `counted_chunks`."""
        return self._counts_before.values

    @property
    def spans(self) -> NDArray[np.uint64]:
        """uint64[columns, spans]; see `IndexStretch`."""
        return self._spans.values

    @property
    def spans_before(self) -> Int64Column:
        """int64[chunks + 1]; spans before each chunk, and in all."""
        return self._spans_before.values

    @property
    def sums_before(self) -> NDArray[np.int64]:
        """int64[columns, spans + 1]; sums of the columns before each span."""
        return self._sums_before.values

    @property
    def frames_before(self) -> Int64Column:
        """int64[spans + 1]; frames before each span."""
        return self._frames_before.values

    def add(self, stretch: IndexStretch, counts: Sequence[int]) -> None:
        """Add the next stretch; `counts` has the frames of each of its chunks."""
        first = len(self.kinds)
        if stretch.counts is not None and len(self.counts_before) == len(self._chunks_before):
            self._counts_before.add(self.counts_before[-1:] + stretch.counts)
        self.kinds += stretch.kinds
        self.fates |= {first + number: fates for number, fates in stretch.fates.items()}
        self._chunks_before.append(len(self.kinds))
        self._written.add(stretch.written)
        self._block_first.add(first + np.cumsum(stretch.block_chunks))
        self._stretch_blocks.append(len(self.written))
        self._spans.add(stretch.spans)
        sums = np.cumsum(stretch.spans.view(np.int64), axis=1)
        self._sums_before.add(self.sums_before[:, -1:] + sums)
        self._frames_before.add(self.frames_before[-1] + np.cumsum(_span_frames(counts)))
        spans = np.array([-(-count // SPAN_FRAMES) for count in counts], np.int64)
        self._spans_before.add(self.spans_before[-1] + np.cumsum(spans))
        self._stretch_spans.append(self.spans.shape[1])

    def remove_last(self) -> None:
        """Remove the last stretch."""
        del self._chunks_before[-1], self._stretch_blocks[-1], self._stretch_spans[-1]
        chunks, spans = self._chunks_before[-1], self._stretch_spans[-1]
        for number in range(chunks, len(self.kinds)):
            self.fates.pop(number, None)
        del self.kinds[chunks:]
        self._written.cut(self._stretch_blocks[-1])
        self._block_first.cut(self._stretch_blocks[-1] + 1)
        self._counts_before.cut(min(len(self.counts_before), len(self._chunks_before)))
        self._spans.cut(spans)
        self._sums_before.cut(spans + 1)
        self._frames_before.cut(spans + 1)
        self._spans_before.cut(chunks + 1)

    def drop_before(self, frame: int) -> None:
        """Drop the stretches that end before a frame, or at it."""
        starts = self.frames_before[self._stretch_spans]
        count = int(np.searchsorted(starts, frame, side="right")) - 1
        if count <= 0:
            return
        chunks, spans = self._chunks_before[count], self._stretch_spans[count]
        blocks = self._stretch_blocks[count]
        self._chunks_before = [one - chunks for one in self._chunks_before[count:]]
        self._stretch_blocks = [one - blocks for one in self._stretch_blocks[count:]]
        self._stretch_spans = [one - spans for one in self._stretch_spans[count:]]
        del self.kinds[:chunks]
        self.fates = {one - chunks: fates for one, fates in self.fates.items() if one >= chunks}
        self._written.drop(blocks)
        self._block_first.drop(blocks)
        self._block_first.values[:] -= chunks
        self._spans.drop(spans)
        self._counts_before.drop(min(count, len(self.counts_before) - 1))
        self._sums_before.drop(spans)
        self._counts_before.values[:] -= self._counts_before.values[:1].copy()
        self._sums_before.values[:] -= self._sums_before.values[:, :1].copy()
        self._frames_before.drop(spans)
        self._spans_before.drop(chunks)
        self._spans_before.values[:] -= spans

    def _read(self, reader: TraceReader, counts: list[int]) -> None:
        """Read the stretches in the trace."""
        cells = self.builder.cells
        for where, payload in reader.payloads(WRITES):
            first = len(self.kinds)
            if len(payload) < _CHUNKS.size:
                raise where.error(f"{len(payload)} bytes", "a write index is longer")
            (chunks,) = _CHUNKS.unpack_from(payload)
            if not 1 <= chunks <= min(STRETCH_CHUNKS, len(counts) - first):
                raise where.error(
                    f"an index of {chunks:,} frame chunks",
                    f"it is of up to {STRETCH_CHUNKS}, and {len(counts) - first:,} are left",
                )
            here = counts[first : first + chunks]
            stretch = parse_stretch(
                payload,
                frame_counts=here,
                frames_before=int(reader.frames_before[first]),
                cells=cells.count,
                cell_shift=cells.shift,
                where=where,
            )
            self.add(stretch, here)

    def _make(
        self, reader: TraceReader, counts: list[int], on_frames: Callable[[int], object]
    ) -> None:
        """Make the stretches of the chunks that have none in the trace."""
        first = len(self.kinds)
        if first == len(counts):
            return
        builder = self.builder
        go_to_chunk(builder, reader, first)
        lost_before = stores_lost_before(reader, first)
        for number in range(first, len(counts)):
            chunk = reader.frame_chunk(number)
            # A trace has the count of stores lost by a chunk's end, not their edges.
            lost = max(0, chunk.totals.stores - chunk.totals.frames)
            lost_edges = np.repeat(chunk.frames.edge[-1:], max(0, lost - lost_before))
            lost_before = lost
            builder.feed_frames(
                chunk.frames, stop_edge=chunk.totals.stop_edge, lost_edges=lost_edges
            )
            on_frames(chunk.totals.frames)
            if builder.is_full or number == len(counts) - 1:
                self.add(builder.take_stretch(), counts[len(self.kinds) : number + 1])


class GrowingIndex:
    """The index of a trace that is being written, from the builder of its writer.

    Args:
        board: the trace's.

    Attributes:
        index: of what was stored when it was followed last.
    """

    def __init__(self, board: Board) -> None:
        self.index = WriteIndex(WriteIndexBuilder(board))
        self._has_part = False

    def follow(self, reader: TraceReader, writing: WriteIndexBuilder) -> None:
        """Go on to what is stored now.

        Args:
            reader: the trace as it is now.
            writing: makes the index as the trace is written.
        """
        if self._has_part:
            self.index.remove_last()
        before = reader.frames_before.astype(np.int64)
        stretches = writing.take_full_stretches()
        part = writing.part_of_stretch()
        self._has_part = part is not None
        for stretch in stretches if part is None else [*stretches, part]:
            if stretch.frames_before < before[0]:
                # Dropped before anybody has seen it.
                self.index = WriteIndex(self.index.builder, frames_before=int(before[0]))
                continue
            first = int(np.searchsorted(before, stretch.frames_before))
            self.index.add(
                stretch, np.diff(before[first : first + len(stretch.kinds) + 1]).tolist()
            )
        self.index.drop_before(int(before[0]))


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


def _span_frames(counts: Sequence[int]) -> Int64Column:
    """Return int64[spans]: frames of each span, from the frame counts of chunks."""
    each: list[int] = []
    for count in counts:
        whole, rest = divmod(count, SPAN_FRAMES)
        each += [SPAN_FRAMES] * whole + [rest] * bool(rest)
    return np.array(each, np.int64)
