"""Make the write index of frames, a chunk at a time."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from busplay.batch import (
    DeliveredFrames,
    FrameBatch,
    Int64Column,
    UInt8Column,
    UInt32Column,
    UInt64Column,
)
from busplay.description.board import Board
from busplay.display.writes import BLOCK_WORDS, NOT_COUNTED, WriteCounts
from busplay.pipeline.pipeline import NO_FATES, NO_HELD, Arrivals, Pipeline
from busplay.trace.columns import CHUNK_FRAMES
from busplay.write_index import marking
from busplay.write_index.cells import Cells
from busplay.write_index.stretch import (
    SPAN_FRAMES,
    STRETCH_CHUNKS,
    ChunkKind,
    IndexStretch,
    SpanColumn,
    ends_block,
)

# A trace of up to so many blocks, 262,144 frames of a full link, has no index: it would be up to a
# sixth of the trace, and is made in 10 to 20 ms.
SHORT_BLOCKS = 4
NO_EDGES: UInt64Column = np.empty(0, np.uint64)
POWERS_OF_TWO = np.uint64(1) << np.arange(64, dtype=np.uint64)
# Of a full chunk: frames before the end of each span; indexes of each span's first and last frame.
STOPS = np.arange(SPAN_FRAMES, CHUNK_FRAMES + SPAN_FRAMES, SPAN_FRAMES)
ENDS = np.stack((STOPS - SPAN_FRAMES, STOPS - 1), axis=1).reshape(-1)
NOTHING_CAME = Arrivals(FrameBatch.empty(), NO_FATES, NO_HELD, as_sent=False)


@dataclass(frozen=True, slots=True, eq=False)
class Arrived:
    """Frames of one chunk that reached their units.

    Attributes:
        index: int64[frames]; index in the chunk of the frame sent.
        edge, word: uint64[frames]; as the receiver delivered them.
    """

    index: Int64Column
    edge: UInt64Column
    word: UInt64Column


class WriteIndexBuilder:
    """Runs the frames of a trace through a pipeline of the board and makes the index.

    It is also a recorder's `busplay.trace.writer.UnitStates`, for key frames.

    Args:
        board: with units.

    Attributes:
        pipeline: a pipeline of its own.
        cells: of the board.
    """

    def __init__(self, board: Board) -> None:
        self.pipeline = Pipeline(board)
        self.cells = Cells(board, self.pipeline.layout)
        self.pipeline.watch_arrivals(self._take_arrivals)
        self._came = NOTHING_CAME
        self.pipeline.count_writes(self._counts_of)
        self._counts_before_block = np.zeros(self.cells.count, np.uint32)
        self._room = np.empty(BLOCK_WORDS, np.uint32), np.empty(BLOCK_WORDS, np.uint8)
        self._stops = STOPS
        self._bounds: UInt64Column = NO_EDGES
        self._changed: UInt64Column | None = None
        self._numbers = np.zeros(marking.SEQUENCE_NUMBERS, np.uint64)
        self._sequence_in_place = self._find_sequence()
        self._frames = 0
        self._full: list[IndexStretch] | None = None
        self._begin_stretch()

    def keep_stretches(self) -> None:
        """Keep full stretches for `take_full_stretches`, from now on."""
        self._full = []

    def _find_sequence(self) -> bool:
        """Note where the sequence field is; return whether its bits are contiguous."""
        layout = self.pipeline.layout
        if layout.link.field_named("sequence") is None:
            return True
        places = layout.bit_places("sequence")
        self._numbers[marking.SEQUENCE_MASK] = (1 << len(places)) - 1
        in_place = places == tuple(range(places[0], places[0] + len(places)))
        self._numbers[marking.SEQUENCE_SHIFT] = places[0] if in_place else 0
        return in_place

    def _begin_stretch(self) -> None:
        self._frames_before = self._frames
        self._kinds: list[ChunkKind] = []
        self._block_chunks: list[int] = []
        self._written: list[UInt8Column] = []
        self._counts = np.zeros(self.cells.count, np.uint32)
        self._begin_block()
        self._span_bounds: list[UInt64Column] = []
        self._spans: list[NDArray[np.uint64]] = []
        self._fates: dict[int, UInt8Column] = {}

    def _begin_block(self) -> None:
        self._counts_before_block[:] = self._counts
        self._frames_in_block = self._chunks_in_block = 0

    def _written_in_block(self) -> UInt8Column:
        """Return a bit for each cell written since the block began."""
        return np.packbits(self._counts != self._counts_before_block, bitorder="little")

    def _take_arrivals(self, arrivals: Arrivals) -> None:
        self._came = arrivals

    def _counts_of(self, served: DeliveredFrames) -> WriteCounts:
        """Return where the pipeline counts the writes of a chunk: in spans of the frames sent."""
        if self._changed is None:
            return NOT_COUNTED
        stops = self._stops
        if not served.is_as_sent:
            edge = served.frames().edge
            stops = np.append(np.searchsorted(edge, self._bounds[2::2]), len(edge))
        cells = self.cells
        return WriteCounts(
            self._counts,
            cells.memory_first,
            cells.register_first,
            cells.shift,
            stops,
            self._changed,
            *self._room,
        )

    # -- UnitStates

    def states(self) -> dict[str, bytes]:
        """Return the state of receiver and units after all frames so far, by name."""
        return self.pipeline.states()

    def feed_frames(
        self, frames: FrameBatch, *, stop_edge: int, lost_edges: UInt64Column = NO_EDGES
    ) -> None:
        """Take the frames of the next chunk.

        Args:
            frames: 1 to CHUNK_FRAMES, in order of their edges.
            stop_edge: of the chunk.
            lost_edges: uint64[lost]; edges at which stores since the last chunk found the sender
                FIFO full.
        """
        count = -(-len(frames) // SPAN_FRAMES)
        stops, ends = STOPS[:count].copy(), ENDS[: 2 * count].copy()
        stops[-1], ends[-1] = len(frames), len(frames) - 1
        spans = np.zeros((len(SpanColumn), count), np.uint64)
        self._stops, self._bounds = stops, frames.edge[ends]
        receiver = self.pipeline.receiver
        expected, missed = receiver.sequence_state
        is_next = self._is_next(expected)
        self._came = NOTHING_CAME
        self._changed = spans[SpanColumn.CHANGED_BYTES]
        self.pipeline.feed_frames(frames, stop_edge=stop_edge)
        self._changed = None
        if len(lost_edges):
            place = np.searchsorted(self._bounds[1::2], lost_edges)
            place = np.minimum(place, count - 1)
            spans[SpanColumn.LOST_AT_SENDER] = np.bincount(place, minlength=count)
        came = self._came
        kind, fates = self._fates_of(frames, came)
        now_expected, now_missed = receiver.sequence_state
        if kind is ChunkKind.REPLAYED:
            arrived = self._arrived_of(frames)
            arrived_stops = np.searchsorted(arrived.index, stops)
            self._count_missed(arrived.word, NO_FATES, arrived_stops, spans)
        elif came.as_sent and is_next and now_missed == missed:
            # The receiver has compared every number already.
            self._set_sequence(now_expected - 1)
        else:
            self._count_missed(frames.word, fates, stops, spans)
        if kind is ChunkKind.FATES:
            self._fates[len(self._kinds)] = fates.copy()
            for column, fate in (
                (SpanColumn.LOST_AT_RECEIVER, marking.FIFO_FULL),
                (SpanColumn.LATE, marking.LATE),
                (SpanColumn.UNDELIVERED, marking.UNDELIVERED),
            ):
                spans[column] = np.add.reduceat((fates == fate).astype(np.uint64), ends[::2])
        if len(came.held):
            span = np.searchsorted(self._bounds[::2], came.frames.edge, side="right") - 1
            most = spans[SpanColumn.HELD_MAX]
            np.maximum.at(most, np.maximum(span, 0), came.held.astype(np.uint64))
        self._kinds.append(kind)
        self._span_bounds.append(self._bounds)
        self._spans.append(spans)
        self._frames += len(frames)
        self._frames_in_block += len(frames)
        self._chunks_in_block += 1
        totals = {"frames": self._frames_in_block, "chunks": self._chunks_in_block}
        if ends_block(len(frames), **totals):
            self._written.append(self._written_in_block())
            self._block_chunks.append(self._chunks_in_block)
            self._begin_block()
        self._came = NOTHING_CAME

    def _fates_of(self, frames: FrameBatch, came: Arrivals) -> tuple[ChunkKind, UInt8Column]:
        """Compare the frames delivered with those sent."""
        if came.as_sent and not len(came.fate):
            return ChunkKind.PLAIN, NO_FATES
        if came.as_sent:
            return (ChunkKind.FATES, came.fate) if came.fate.any() else (ChunkKind.PLAIN, NO_FATES)
        edge, word = came.frames.edge, came.frames.word
        place = np.minimum(np.searchsorted(frames.edge, edge), len(frames) - 1)
        if (frames.edge[place] != edge).any() or (frames.word[place] != word).any():
            return ChunkKind.REPLAYED, NO_FATES
        fates = np.full(len(frames), marking.UNDELIVERED, np.uint8)
        fates[place] = came.fate if len(came.fate) else marking.REACHED
        return (ChunkKind.FATES, fates) if fates.any() else (ChunkKind.PLAIN, NO_FATES)

    def arrivals_of(self, frames: FrameBatch, *, stop_edge: int) -> Arrived:
        """Feed a chunk without indexing it, and return the frames that reached their units.

        A spurious frame counts as the frame sent before it.
        """
        self._came = NOTHING_CAME
        self.pipeline.feed_frames(frames, stop_edge=stop_edge)
        return self._arrived_of(frames)

    def _arrived_of(self, frames: FrameBatch) -> Arrived:
        came = self._came
        edge, word = came.frames.edge, came.frames.word
        if len(came.fate):
            reached = came.fate == marking.REACHED
            edge, word = edge[reached], word[reached]
        index = np.searchsorted(frames.edge, edge, side="right") - 1
        return Arrived(np.clip(index, 0, len(frames) - 1), edge, word)

    def _count_missed(
        self,
        words: UInt64Column,
        fates: UInt8Column,
        stops: Int64Column,
        spans: NDArray[np.uint64],
    ) -> None:
        """Count the frames missed by sequence, in spans with these stops."""
        if not self._numbers[marking.SEQUENCE_MASK] or not len(words):
            return
        fields, words = self.pipeline.bank.fields, np.ascontiguousarray(words)
        sequences = words
        if not self._sequence_in_place:
            sequences = self.pipeline.layout.unpack_field(words, "sequence")
        marking.count_missed(
            fields.words_in_pieces(words),
            sequences,
            fates,
            fields.table,
            self._numbers,
            stops,
            spans[SpanColumn.FRAMES_MISSED],
        )

    # -- stretches

    @property
    def is_full(self) -> bool:
        """Whether the stretch has its greatest length."""
        return len(self._kinds) == STRETCH_CHUNKS

    @property
    def is_empty(self) -> bool:
        """Whether nothing has been fed since the last stretch."""
        return not self._kinds

    def take_stretch(self) -> IndexStretch:
        """Return the stretch of the chunks since the last one, and begin the next."""
        stretch = self._stretch(self._counts, self._fates)
        self._begin_stretch()
        return stretch

    def _stretch(self, counts: UInt32Column, fates: dict[int, UInt8Column]) -> IndexStretch:
        written, block_chunks = self._written, self._block_chunks
        if self._chunks_in_block:
            written = [*written, self._written_in_block()]
            block_chunks = [*block_chunks, self._chunks_in_block]
        spans = np.concatenate(self._spans, axis=1)
        slots = np.concatenate(self._span_bounds) // np.uint64(self.pipeline.layout.slot_symbols)
        lengths = slots[1::2] - slots[::2]
        spans[SpanColumn.FIRST_SLOT] = slots[::2]
        spans[SpanColumn.LENGTH_BITS] = np.searchsorted(POWERS_OF_TWO, lengths, side="right")
        return IndexStretch(
            self._frames_before,
            tuple(self._kinds),
            tuple(block_chunks),
            np.stack(written),
            counts,
            spans,
            fates,
        )

    def take_index(self, *, at_end: bool) -> bytes:
        """Return the payload of the next chunk of the index; empty if none is due yet.

        Args:
            at_end: there are no more frames, so the stretch may be short.
        """
        if self.is_full or (at_end and not self.is_empty and not self._is_short):
            stretch = self.take_stretch()
            if self._full is not None:
                self._full.append(stretch)
            return stretch.pack(cells=self.cells.count, cell_shift=self.cells.shift)
        return b""

    @property
    def _is_short(self) -> bool:
        """Whether the trace so far is indexed on opening as quickly as its index is read."""
        blocks = len(self._block_chunks) + (self._chunks_in_block > 0)
        return not self._frames_before and blocks <= SHORT_BLOCKS

    def take_full_stretches(self) -> list[IndexStretch]:
        """Return the stretches kept since the last call, each of which has been taken."""
        taken, self._full = self._full or [], None if self._full is None else []
        return taken

    def part_of_stretch(self) -> IndexStretch | None:
        """Return the stretch of the chunks since the last one, which goes on; None: no chunks."""
        return None if self.is_empty else self._stretch(self._counts.copy(), dict(self._fates))

    # -- seeking

    def resume(self, states: Mapping[str, bytes], *, edge: int, frames_before: int) -> None:
        """Continue from a key frame of a trace, or from power-on without states.

        Raises:
            InputError: the states are not of this board.
        """
        if states:
            self.pipeline.restore(states, edge=edge, frames_carried=frames_before)
        self._after_jump(frames_before)

    def pass_over(self, frames: FrameBatch, *, stop_edge: int) -> None:
        """Feed a chunk without indexing it."""
        self.pipeline.feed_frames(frames, stop_edge=stop_edge)
        self._after_jump(self._frames + len(frames))
        self.follow(frames)

    def follow(self, frames: FrameBatch) -> None:
        """Set the sequence number expected next, from the last frame of earlier ones."""
        if self._numbers[marking.SEQUENCE_MASK]:
            self._set_sequence(
                int(self.pipeline.layout.unpack_field(frames.word[-1:], "sequence")[0])
            )

    def _set_sequence(self, last: int) -> None:
        """Set the last frame's sequence number, modulo its range."""
        if mask := int(self._numbers[marking.SEQUENCE_MASK]):
            self._numbers[marking.LAST_SEQUENCE] = last & mask
            self._numbers[marking.HAS_SEQUENCE] = 1

    def _is_next(self, expected: int) -> bool:
        """Return whether the receiver expects the sequence number after the last frame's."""
        numbers = self._numbers.tolist()
        if not numbers[marking.HAS_SEQUENCE]:
            return expected == -1
        after = numbers[marking.LAST_SEQUENCE] + 1
        return bool(expected == after & numbers[marking.SEQUENCE_MASK])

    def _after_jump(self, frames: int) -> None:
        self._frames = frames
        self._came = NOTHING_CAME
        self._begin_stretch()
