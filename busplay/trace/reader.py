"""Read traces: all frames, from an edge on, or between two edges, a chunk in memory at a time.

How to think about it. Opening finds the chunks (`scan`) and reads the header. Everything else
is read on demand, checked against its checksum, its lengths and the adjacent totals, and only then
unpacked. So a trace of any length takes a few megabytes of memory, and bytes that are not a trace
raise an `InputError`.
"""

from __future__ import annotations

import stat
from collections import OrderedDict
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from os import PathLike, fspath
from pathlib import Path
from typing import BinaryIO

import numpy as np

from busplay.batch import FrameBatch, UInt8Column, UInt64Column
from busplay.errors import InputError
from busplay.link.layout import FrameLayout
from busplay.trace.arrival_losses import parse_losses
from busplay.trace.blocks import make_decompressor
from busplay.trace.columns import ROOM_CHUNKS, ColumnCodec
from busplay.trace.container import (
    CORE,
    FRAMES,
    KEYS,
    LOSSES,
    MAGIC,
    PAGES,
    RESETS,
    STATES,
    SUMMARY,
    TOTAL_MAX,
    WRITES,
    Chunk,
    ChunkSource,
    Where,
)
from busplay.trace.frame_chunk import FrameChunk, Totals, parse_totals
from busplay.trace.header import TraceHeader, parse_header
from busplay.trace.inputs import (
    KeyPress,
    parse_all_presses,
    parse_all_resets,
    parse_core_states,
)
from busplay.trace.json_object import parse_object
from busplay.trace.parts import GrownTrace, PartsStream
from busplay.trace.scan import read_contents
from busplay.trace.shown_pages import ShownPages
from busplay.trace.states import KeyFrame, parse_states

SUMMARY_BYTES_MAX = 1 << 16
# A megabyte each.
DECODED_CHUNKS_KEPT = ROOM_CHUNKS - 2


@dataclass(frozen=True, slots=True)
class SeekPoint:
    """Where to start in order to reach an edge.

    Attributes:
        edge: link edge of the states; at or before the one asked for.
        frames_before: frames already in the states.
        states: of every unit, by name; empty: as at power-on.
        chunks: the frames from there to the trace's end.
    """

    edge: int
    frames_before: int
    states: dict[str, bytes]
    chunks: Iterator[FrameBatch]


@dataclass(frozen=True, slots=True)
class ChunkRow:
    """One chunk, for tables: `frames` and `stop_edge` of a frame chunk, else 0."""

    number: int
    position: int
    kind: str
    stored_bytes: int
    frames: int
    stop_edge: int


class TraceReader:
    """A trace open for reading; a context manager.

    It may be passed wherever a path is taken.

    Args:
        path: the trace; or one that grows, as it is at a moment.
        keep_going: treat damage as the trace's end instead of refusing the trace.

    Attributes:
        header: link, board, program.
        complete: whether the recorder closed it.
        cut_reason: where and how it ends if not; empty if complete.
        frames: frames in it.
        stores: stores offered to the link, lost ones included.
        cycles: processor cycles that it covers; 0 without a processor.
        stop_edge: link edge at which it ends.
        file_bytes: the file's size.

    Raises:
        InputError: it is not a trace, of a later version, damaged, or cut within its header.

    >>> import busplay
    >>> with busplay.TraceReader("tides.trace") as trace:
    ...     trace.header.program_name, trace.frames, sum(len(part) for part in trace.chunks())
    ('tides.bin', 37420, 37420)
    """

    def __init__(self, path: str | PathLike[str] | GrownTrace, *, keep_going: bool = False) -> None:
        self.header: TraceHeader
        if isinstance(path, GrownTrace):
            self.path, self._file = path.path, str(path.path)
            self._stream: BinaryIO | PartsStream = path.stream
            self._source = ChunkSource(self._stream, file=self._file)
            contents, self.header = path.contents, path.header
            self._table = contents.table
        else:
            self.path, self._file = Path(path), fspath(path)
            self._stream = _open(self.path, self._file)
            try:
                self._source = ChunkSource(self._stream, file=self._file)
                self._source.read_head()
                contents = read_contents(self._source, file=self._file, keep_going=keep_going)
                self._table = contents.table
                first = self._table.chunk(0)
                self.header = parse_header(self._payload(first), where=self._where(first))
            except BaseException:
                self._stream.close()
                raise
        self.complete = contents.complete
        self.cut_reason = contents.cut_reason
        self.frames = contents.end.frames
        self.stores = contents.end.stores
        self.cycles = contents.end.cycles
        self.stop_edge = contents.end.stop_edge
        self.file_bytes = self._source.file_bytes
        self._frame_rows = self._table.rows_of(FRAMES)
        # The player reads a picture's frames at a time, some dozens of times from one chunk; a
        # search returns to the same few.
        self._decoded: OrderedDict[int, FrameChunk] = OrderedDict()
        self._rows_dropped = 0
        if isinstance(path, GrownTrace):
            self._decoded, self._rows_dropped = path.decoded, path.rows_dropped
            # Its tables and room take milliseconds to make, and a trace grows with every chunk.
            self._codec = path.codec
        self._begun_row = -1
        self._decompressor = make_decompressor()

    def close(self) -> None:
        """Close the file."""
        self._stream.close()

    def __fspath__(self) -> str:
        """Return the path."""
        return str(self.path)

    def __enter__(self) -> TraceReader:
        """Read until the context is left."""
        return self

    def __exit__(self, *_: object) -> None:
        """Close the file."""
        self.close()

    # -- frames

    def chunks(self) -> Iterator[FrameBatch]:
        """Return all frames in order, a chunk at a time.

        Raises:
            InputError: a chunk is damaged; those before it have been returned.
        """
        return self._chunks_from(0)

    def seek(self, edge: int) -> SeekPoint:
        """Find the nearest key frame at or before an edge.

        Units in the point's states, fed with the frames of its chunks that start before `edge`,
        are in the state at `edge`.

        Raises:
            InputError: the key frame is damaged.
        """
        rows = self._table.rows_of(STATES)
        found = int(np.searchsorted(self._table.edge[rows], _clamped(edge), side="right"))
        if found == 0 and not self.begin_edge:
            return SeekPoint(0, 0, {}, self._chunks_from(0, pause_edge=edge))
        found = max(found, 1)
        row = int(rows[found - 1])
        key_frame = self._key_frame(row)
        return SeekPoint(
            key_frame.edge,
            key_frame.frames_before,
            key_frame.states,
            self._chunks_from(int(np.searchsorted(self._frame_rows, row)), pause_edge=edge),
        )

    def frames_between(self, first_edge: int, stop_edge: int) -> Iterator[FrameBatch]:
        """Return the frames that start at or after one edge and before another, in order.

        Raises:
            InputError: a chunk is damaged.
        """
        stops = self._table.edge[self._frame_rows]
        first = int(np.searchsorted(stops, _clamped(first_edge), side="left"))
        for frames in self._chunks_from(first):
            start = int(np.searchsorted(frames.edge, _clamped(first_edge)))
            stop = int(np.searchsorted(frames.edge, _clamped(stop_edge)))
            if stop > start:
                yield FrameBatch(frames.edge[start:stop], frames.word[start:stop])
            if stop < len(frames):
                return

    @cached_property
    def frames_before(self) -> UInt64Column:
        """uint64[frame chunks + 1]; frames before each of them, and in all."""
        return np.concatenate(
            [self._begin(self._table.frames), self._table.frames[self._frame_rows]]
        )

    @cached_property
    def edges_before(self) -> UInt64Column:
        """uint64[frame chunks + 1]; edge at which each of them begins, and the last stops."""
        return np.concatenate([self._begin(self._table.edge), self._table.edge[self._frame_rows]])

    def _begin(self, totals: UInt64Column) -> UInt64Column:
        """Return uint64[1]: a total before the first frame chunk."""
        # Without a key frame before it, that of the header.
        row = int(self._frame_rows[0]) - 1 if len(self._frame_rows) else len(self._table) - 1
        return totals[row : row + 1]

    @cached_property
    def begin_edge(self) -> int:
        """Where it begins: above 0 in a growing trace whose beginning was dropped."""
        return int(self.edges_before[0])

    def frames_before_edge(self, edge: int) -> int:
        """Return how many frames start before a link edge.

        Raises:
            InputError: the chunk there is damaged.
        """
        number = int(np.searchsorted(self.edges_before[1:], _clamped(edge), side="right"))
        if number == len(self._frame_rows):
            return self.frames
        if edge <= int(self.edges_before[number]):
            return int(self.frames_before[number])
        starts = self._edges(int(self._frame_rows[number]))
        return int(self.frames_before[number]) + int(np.searchsorted(starts, _clamped(edge)))

    @property
    def frames_indexed(self) -> int:
        """Frames from the first on of which the trace has the index of writes."""
        rows = self._table.rows_of(WRITES)
        return int(self._table.frames[rows[-1]]) if len(rows) else 0

    def frame_chunk(self, number: int) -> FrameChunk:
        """Return one frame chunk, counted from 0.

        Raises:
            InputError: it is damaged.
        """
        return self._decode(int(self._frame_rows[number]))

    def payloads(self, kind: bytes) -> Iterator[tuple[Where, memoryview]]:
        """Return the payloads of all chunks of a type, in order, with what messages call them.

        Raises:
            InputError: a chunk is damaged.
        """
        for row in self._table.rows_of(kind):
            chunk = self._table.chunk(int(row))
            yield self._where(chunk), self._payload(chunk)

    def _chunks_from(self, index: int, *, pause_edge: int = -1) -> Iterator[FrameBatch]:
        """Return all frames from a chunk on; decode up to an edge before the frames after it."""
        last_edge = 0
        for row in self._frame_rows[index:].tolist():
            for frames in self._parts(row, pause_edge):
                if int(frames.edge[0]) < last_edge:
                    raise self._where(self._table.chunk(row)).error(
                        f"edge {int(frames.edge[0]):,}",
                        f"the frame before it starts at {last_edge:,}",
                    )
                last_edge = int(frames.edge[-1])
                yield frames

    def _parts(self, row: int, pause_edge: int) -> Iterator[FrameBatch]:
        """Return the frames of a chunk: in two parts if it has an edge, and is not decoded yet.

        A chunk that is asked for twice in a row is decoded whole, and kept.
        """
        done = 0
        is_within = self._totals_at(row - 1)[1] <= pause_edge < self._totals_at(row)[1]
        is_decoded = row + self._rows_dropped in self._decoded
        if is_within and not is_decoded and row != self._begun_row:
            self._begun_row = row
            totals, columns, where = self._columns(row)
            frames = self._codec.decode(columns, totals.count, where=where, last_edge=pause_edge)
            yield frames
            done = len(frames)
            if done == totals.count:
                return
        frames = self._decode(row).frames
        yield frames.between(done, len(frames))

    def _edges(self, row: int) -> UInt64Column:
        if (kept := self._decoded.get(row + self._rows_dropped)) is not None:
            return kept.frames.edge
        totals, columns, where = self._columns(row)
        return self._codec.decode_edges(columns, totals.count, where=where)

    def _decode(self, row: int) -> FrameChunk:
        key = row + self._rows_dropped
        if (kept := self._decoded.get(key)) is not None:
            self._decoded.move_to_end(key)
            return kept
        totals, columns, where = self._columns(row)
        frames = self._codec.decode(columns, totals.count, where=where)
        if int(frames.edge[-1]) > totals.stop_edge:
            raise where.error(
                f"edge {int(frames.edge[-1]):,}", f"the chunk stops at {totals.stop_edge:,}"
            )
        self._decoded[key] = decoded = FrameChunk(totals, frames)
        if len(self._decoded) > DECODED_CHUNKS_KEPT:
            self._decoded.popitem(last=False)
        return decoded

    def _columns(self, row: int) -> tuple[Totals, memoryview, Where]:
        """Read a frame chunk: its totals, its columns, and how messages call it."""
        chunk = self._table.chunk(row)
        where = self._where(chunk)
        totals, columns = parse_totals(self._payload(chunk), where=where)
        here = (totals.frames, totals.stop_edge)
        before = (totals.frames - totals.count, totals.first_edge)
        if here != self._totals_at(row) or before != self._totals_at(row - 1):
            raise where.error(
                f"{totals.count:,} frames of {totals.frames:,}, edges {totals.first_edge:,} to "
                f"{totals.stop_edge:,}",
                "the index says otherwise",
            )
        return totals, columns, where

    @cached_property
    def _codec(self) -> ColumnCodec:
        return ColumnCodec(FrameLayout(self.header.link))

    # -- other chunks

    def key_presses(self) -> tuple[KeyPress, ...]:
        """Return all key presses, in order.

        Raises:
            InputError: a chunk is damaged.
        """
        return parse_all_presses(self.payloads(KEYS))

    def resets(self) -> tuple[int, ...]:
        """Return the processor cycle of each press of the reset button, in order.

        Raises:
            InputError: a chunk is damaged.
        """
        return parse_all_resets(self.payloads(RESETS))

    def core_states(self) -> Iterator[tuple[int, bytes, Where]]:
        """Return the states of the processor kept, in order: cycle, state, what messages call it.

        Raises:
            InputError: a chunk is damaged.
        """
        return parse_core_states(self.payloads(CORE))

    def losses(self) -> tuple[UInt64Column, UInt8Column]:
        """Return where frames sent that did not arrive start, and why not, as far as recorded.

        Returns:
            uint64[losses], uint8[losses], as for `pack_losses`; none in a trace of what was sent.

        Raises:
            InputError: a chunk is damaged.
        """
        for where, payload in self.payloads(LOSSES):
            return parse_losses(payload, where=where)
        return np.empty(0, np.uint64), np.empty(0, np.uint8)

    @cached_property
    def shown_pages(self) -> ShownPages:
        """The pages of banked memory that the stores of frames went to, by the frames' edges."""
        return ShownPages(lambda: self.payloads(PAGES), banks=len(self.header.banks))

    def summary(self) -> dict[str, int]:
        """Return the recorder's figures at the end; none in a cut trace.

        Raises:
            InputError: the chunk is damaged.
        """
        figures: dict[str, int] = {}
        for row in self._table.rows_of(SUMMARY):
            chunk = self._table.chunk(int(row))
            where = self._where(chunk)
            if chunk.payload_bytes > SUMMARY_BYTES_MAX:
                raise where.error(
                    f"{chunk.payload_bytes:,} bytes", f"a summary has up to {SUMMARY_BYTES_MAX:,}"
                )
            for name, figure in parse_object(self._payload(chunk), where=where).items():
                if isinstance(figure, bool) or not isinstance(figure, int) or not name.isascii():
                    raise where.error("a figure that is not an integer", "names and integers")
                figures[name] = figure
        return figures

    def chunk_rows(self) -> Iterator[ChunkRow]:
        """Return position, type and length of each chunk except index and end."""
        before = 0
        for row in range(len(self._table)):
            chunk = self._table.chunk(row)
            frames, stop_edge = self._totals_at(row)
            is_frames = chunk.kind == FRAMES
            yield ChunkRow(
                number=chunk.number,
                position=chunk.position,
                kind=chunk.kind.decode("ascii"),
                stored_bytes=chunk.stop - chunk.position,
                frames=frames - before,
                stop_edge=stop_edge if is_frames else 0,
            )
            before = frames

    def verify(self) -> None:
        """Read everything once.

        Raises:
            InputError: something is damaged.
        """
        for row in range(len(self._table)):
            self._payload(self._table.chunk(row))
        for _ in self.chunks():
            pass
        for row in self._table.rows_of(STATES):
            self._key_frame(int(row))
        self.key_presses()
        self.resets()
        for _ in self.core_states():
            pass
        self.losses()
        for number in range(len(self.shown_pages)):
            self.shown_pages.chunk(number)
        self.summary()

    # -- internals

    def _where(self, chunk: Chunk) -> Where:
        return Where(self._file, chunk.place)

    def _totals_at(self, row: int) -> tuple[int, int]:
        return int(self._table.frames[row]), int(self._table.edge[row])

    def _key_frame(self, row: int) -> KeyFrame:
        chunk = self._table.chunk(row)
        where = self._where(chunk)
        key_frame = parse_states(self._payload(chunk), self._decompressor, where=where)
        if (key_frame.frames_before, key_frame.edge) != self._totals_at(row):
            raise where.error(
                f"the state after {key_frame.frames_before:,} frames, at edge {key_frame.edge:,}",
                f"{self._totals_at(row)[0]:,} frames come before it",
            )
        return key_frame

    def _payload(self, chunk: Chunk) -> memoryview:
        try:
            return self._source.read_payload(chunk)
        except InputError:
            # The message says that the chunks before are complete, so check.
            for row in range(chunk.number - 1):
                self._source.read_payload(self._table.chunk(row))
            raise


def _clamped(edge: int) -> np.uint64:
    return np.uint64(min(max(edge, 0), TOTAL_MAX))


def is_trace(path: Path, *, wanted: str) -> bool:
    """Return whether a file begins as a trace does.

    Raises:
        InputError: it cannot be read; the message asks for what is `wanted`.
    """
    with _open(path, str(path), wanted) as stream:
        return stream.read(len(MAGIC)) == MAGIC


def _open(path: Path, file: str, wanted: str = "give a trace") -> BinaryIO:
    try:
        # A pipe would block, and a device has no size to check lengths against.
        mode = path.stat().st_mode
        if stat.S_ISREG(mode):
            return path.open("rb", buffering=0)
        found = "a folder" if stat.S_ISDIR(mode) else "a device or pipe"
    except FileNotFoundError:
        found = "no such file"
    except OSError as error:
        found = (error.strerror or str(error)).lower()
    except ValueError as error:
        found = str(error)
    raise InputError(file=file, found=found, wanted=wanted)
