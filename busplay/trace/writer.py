"""Record frames as they are sent.

How to think about it. Frames gather until a chunk is full, or until a second of link time has
passed since its first; then the chunk is written at once. Chunk boundaries depend on the frames
alone, not on wall-clock time or on the caller's batches, so the same frames and inputs make the
same file, byte for byte. A killed recording loses the chunk being gathered.

A new or empty file is written in place, so that a killed recording is found under its own name. An
existing file stays as it is until the new trace is complete: the new one grows beside it as
`NAME.part` and replaces it at the end. Meanwhile the place is locked, and a second recorder is
refused.
"""

from __future__ import annotations

import contextlib
import os
import stat
from collections.abc import Mapping
from pathlib import Path
from typing import Protocol, Self

import numpy as np

from busplay.batch import FrameBatch, PageChanges, UInt8Column, UInt64Column
from busplay.errors import OutputError
from busplay.link.layout import FrameLayout
from busplay.trace.arrival_losses import pack_losses
from busplay.trace.blocks import make_compressor
from busplay.trace.columns import CHUNK_FRAMES, ColumnCodec, grid_edges
from busplay.trace.container import (
    END,
    FRAMES,
    HEADER,
    INDEX,
    LOSSES,
    PAGES,
    STATES,
    SUMMARY,
    TOTAL_MAX,
    WRITES,
    ChunkFile,
)
from busplay.trace.frame_chunk import Totals
from busplay.trace.header import TraceHeader, pack_header
from busplay.trace.index import End, TableBuilder
from busplay.trace.inputs import WaitingInputs, input_margin_edges
from busplay.trace.json_object import pack_object
from busplay.trace.shown_pages import PagesWriter
from busplay.trace.states import KeyFrame, fits, pack_states
from busplay.whole_file import Beside, require_replaceable, try_lock

# Two full chunks: a jump replays at most some 200,000 frames, a few milliseconds.
KEY_FRAME_FRAMES = 2 * CHUNK_FRAMES
# Chunks closed after a second of link time are small, but each costs a call to read.
KEY_FRAME_CHUNKS = 64


class UnitStates(Protocol):
    """Source of the units' state, for key frames, and of the index of their writes."""

    def feed_frames(self, frames: FrameBatch, *, stop_edge: int, lost_edges: UInt64Column) -> None:
        """Take the frames sent up to an edge, and the edges of stores lost."""

    def states(self) -> dict[str, bytes]:
        """Return the state after all frames so far, by name."""

    def take_index(self, *, at_end: bool) -> bytes:
        """Return the next part of the write index, as a payload; empty where none is due."""


class TraceFileWriter:
    """Writes a trace chunk by chunk; a context manager.

    Leaving the context closes the trace with its index and end. Leaving it by an exception keeps
    what was recorded, as a cut trace.

    Args:
        path: where the trace is wanted.
        header: what the trace says of itself.
        units: fed with every chunk's frames, and asked for the state where a key frame is due and
            for the write index; it should be nobody else's. None: no key frames, so jumps read
            from the start.

    Attributes:
        path: as given.
        recording_path: the file that is being written, `path` or one beside it.
        frames: frames so far.
        stored_bytes: bytes in whole chunks so far.

    Raises:
        OutputError: the file cannot be written.
    """

    def __init__(
        self,
        path: str | Path,
        *,
        header: TraceHeader,
        units: UnitStates | None = None,
    ) -> None:
        self.path = Path(path)
        self.header = header
        self.frames = 0
        self._units = units
        layout = FrameLayout(header.link)
        grid = grid_edges(layout)
        # Chunks stop where frames can start, so that a pipeline's frames up to there are complete.
        self._step_edges = _round_up(layout.slot_symbols, grid)
        self._span_edges = _round_up(header.span_edges, grid)
        self._input_margin_edges = input_margin_edges(header, self._step_edges)
        self._codec = ColumnCodec(layout)
        self._edge = np.empty(CHUNK_FRAMES, np.uint64)
        self._word = np.empty(CHUNK_FRAMES, np.uint64)
        self._count = 0
        self._close_edge = 0
        self._known_edge = 0
        self._chunk_first_edge = 0
        self._inputs = WaitingInputs()
        self._pages = PagesWriter(make_compressor())
        self._lost_edges: list[UInt64Column] = []
        self._lost = 0
        self._frames_stored = 0
        self._told_stores: int | None = None
        self._told_cycles: int | None = None
        self._chunks_since_key_frame = 0
        self._frames_since_key_frame = 0
        self._failure: OutputError | None = None
        self._table = TableBuilder()
        self._file = str(path)
        self._descriptor, self._lock, self._beside = _open(self.path, self._file)
        self.recording_path = self.path if self._beside is None else self._beside.path
        self._chunks = ChunkFile(self._descriptor, file=self._file)
        payload = pack_header(header)
        try:
            self._chunks.append_head(payload)
        except OutputError as error:
            self._release()
            # It has nothing in it, not even a header.
            if self.recording_path.is_file() and not self.recording_path.stat().st_size:
                self.recording_path.unlink()
            raise OutputError(
                file=self._file,
                found=error.found,
                wanted="nothing was recorded; choose a place that can be written",
            ) from error
        self._table.add(HEADER, len(payload), frames=0, edge=0)

    @property
    def stored_bytes(self) -> int:
        """Bytes in complete chunks so far."""
        return self._chunks.position

    # -- recording

    def write(
        self,
        frames: FrameBatch,
        *,
        stop_edge: int,
        stores: int | None = None,
        cycles: int | None = None,
        lost_edges: UInt64Column | None = None,
        pages: PageChanges | None = None,
    ) -> None:
        """Add frames.

        Args:
            frames: they start at or after the last `stop_edge` and before this one.
            stop_edge: edge up to which the link is known; everything later is at or after it.
            stores: stores offered to the link so far, lost ones included; None: the count of
                frames and lost edges.
            cycles: processor cycles so far; None: derived from `stop_edge`.
            lost_edges: uint64[lost]; edges at which stores of this stretch were lost to a full
                FIFO, so that a cut trace counts them.
            pages: changes of pages of banked memory since the last call, by the edge of the first
                frame whose store came after each.

        Raises:
            OutputError: the chunk could not be written; the trace can be read up to there.
            ValueError: frames or edges are out of order.
        """
        self._require_open()
        self._require_order(frames, stop_edge)
        if stores is not None:
            self._told_stores = stores
        if cycles is not None:
            self._told_cycles = cycles
        if lost_edges is not None and len(lost_edges):
            self._lost_edges.append(np.array(lost_edges, np.uint64))
        if pages is not None:
            self._pages.add(pages)
        done = 0
        while done < len(frames):
            if self._count == 0:
                self._close_edge = self._next_grid_edge(int(frames.edge[done]))
            done += self._gather(frames, done)
            if self._count == CHUNK_FRAMES:
                self._store_chunk(known_edge=int(self._edge[-1]) + 1)
            elif done < len(frames):
                self._store_chunk(known_edge=self._close_edge)
        self._known_edge = stop_edge
        if self._count and stop_edge >= self._close_edge:
            self._store_chunk(known_edge=self._close_edge)

    def press(self, cycle: int, code: int) -> None:
        """Add a key press, in the processor's present cycle or a later one."""
        self._require_open()
        self._inputs.press(cycle, code)

    def reset(self, cycle: int) -> None:
        """Add a reset of the processor, in its present cycle or a later one."""
        self._require_open()
        self._inputs.reset(cycle)

    def keep_state(self, cycle: int, state: bytes) -> None:
        """Add the processor's state at its present cycle, so that a rerun can begin there."""
        self._require_open()
        self._inputs.keep_state(cycle, state)

    def close(
        self,
        *,
        summary: Mapping[str, int] | None = None,
        losses: tuple[UInt64Column, UInt8Column] | None = None,
        keeps_old: bool = False,
    ) -> None:
        """Write the rest, the index and the end; a second call does nothing.

        Args:
            summary: figures by name to store, such as counters.
            losses: of a trace of what arrived, see `pack_losses`.
            keeps_old: keep an existing trace, and leave this one beside it, as the run ended
                early.

        Raises:
            OutputError: it could not be written; the trace can be read as a cut one.
        """
        if self._descriptor < 0:
            return
        self._store_rest()
        if losses is not None and len(losses[0]):
            payload = pack_losses(*losses)
            self._append(LOSSES, payload)
            self._enter(LOSSES, payload)
        if summary:
            payload = pack_object(dict(summary))
            self._append(SUMMARY, payload)
            self._enter(SUMMARY, payload)
        index_position = self._chunks.position
        cycles = min(self.header.cycles_at(self._known_edge), TOTAL_MAX)
        end = End(
            index_position=index_position,
            frames=self.frames,
            stores=self.frames + self._lost if self._told_stores is None else self._told_stores,
            cycles=cycles if self._told_cycles is None else self._told_cycles,
            stop_edge=min(max(self._known_edge, self._chunk_first_edge), TOTAL_MAX),
        )
        self._append(INDEX, self._table.pack())
        self._append(END, end.pack())
        try:
            self._release()
            if self._beside is not None and not keeps_old:
                self._beside.take_place()
                self.recording_path = self.path
        except OSError as error:
            raise OutputError(
                file=self._file,
                found=(error.strerror or str(error)).lower(),
                wanted=f"the complete trace is in {self.recording_path}",
            ) from error

    def flush(self) -> None:
        """Store the frames gathered as a chunk, so that whoever opens the trace now has them.

        Where chunks end then depends on when this is called; a recording that is to be the same,
        byte for byte, does without.

        Raises:
            OutputError: as for `write`.
        """
        self._require_open()
        if self._count:
            self._store_chunk(known_edge=self._known_edge)

    def abandon(self) -> None:
        """Write the frames gathered and leave the trace without its end."""
        if self._descriptor < 0:
            return
        try:
            self._store_rest()
        finally:
            self._release()

    def discard(self) -> None:
        """Remove the trace if nothing was recorded; an existing one stays."""
        if self._descriptor < 0:
            return
        self._release()
        if self.recording_path.is_file():
            self.recording_path.unlink()

    def __enter__(self) -> Self:
        """Record until the context is left."""
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        """Close the trace, or leave it cut if an exception ends the context."""
        if kind is None:
            self.close()
            return
        with contextlib.suppress(OutputError):
            self.abandon()

    # -- internals

    def _require_open(self) -> None:
        if self._failure is not None:
            raise self._failure
        if self._descriptor < 0:
            raise ValueError("the trace is closed")

    def _require_order(self, frames: FrameBatch, stop_edge: int) -> None:
        if stop_edge < self._known_edge:
            raise ValueError(f"stop_edge {stop_edge} comes after {self._known_edge}")
        if not len(frames):
            return
        first, last = int(frames.edge[0]), int(frames.edge[-1])
        if first < self._known_edge or last >= stop_edge:
            raise ValueError(
                f"frames of edges {first} to {last} are not within {self._known_edge} "
                f"to {stop_edge}"
            )
        if (frames.edge[1:] < frames.edge[:-1]).any():
            raise ValueError("edges of frames decrease")

    def _next_grid_edge(self, edge: int) -> int:
        return (edge // self._span_edges + 1) * self._span_edges

    def _gather(self, frames: FrameBatch, done: int) -> int:
        """Copy frames before the closing edge, up to a full chunk; return the count."""
        stop = min(len(frames), done + CHUNK_FRAMES - self._count)
        if int(frames.edge[stop - 1]) >= self._close_edge:
            edges = frames.edge[done:stop]
            stop = done + int(np.searchsorted(edges, np.uint64(self._close_edge)))
        filled = self._count + stop - done
        self._edge[self._count : filled] = frames.edge[done:stop]
        self._word[self._count : filled] = frames.word[done:stop]
        self._count = filled
        self.frames += stop - done
        return stop - done

    def _store_chunk(self, *, known_edge: int) -> None:
        """Write the gathered frames; all inputs and losses before `known_edge` are known."""
        count, self._count = self._count, 0
        frames = FrameBatch(self._edge[:count], self._word[:count])
        last_edge = int(frames.edge[-1])
        stop_edge = min(max(known_edge, last_edge + self._step_edges), TOTAL_MAX)
        self._store_inputs(known_edge)
        for payload in self._pages.take(last_edge):
            self._store_pages(payload)
        lost_edges = self._take_lost(known_edge)
        frames_stored = self._frames_stored + count
        totals = Totals(
            count=count,
            frames=frames_stored,
            stores=frames_stored + self._lost,
            cycles=min(self.header.cycles_at(stop_edge), TOTAL_MAX),
            first_edge=self._chunk_first_edge,
            stop_edge=stop_edge,
        )
        payload = totals.pack() + self._codec.encode(frames)
        self._append(FRAMES, payload)
        self._frames_stored = frames_stored
        self._chunk_first_edge = stop_edge
        self._enter(FRAMES, payload)
        self._frames_since_key_frame += count
        self._chunks_since_key_frame += 1
        if self._units is not None:
            # A copy, as the units may keep them and these columns are reused.
            copy = FrameBatch(frames.edge.copy(), frames.word.copy())
            self._units.feed_frames(copy, stop_edge=stop_edge, lost_edges=lost_edges)
            self._store_key_frame_if_due()
            self._store_index(at_end=False)

    def _store_key_frame_if_due(self) -> None:
        due = (
            self._frames_since_key_frame >= KEY_FRAME_FRAMES
            or self._chunks_since_key_frame >= KEY_FRAME_CHUNKS
        )
        if self._units is None or not due:
            return
        states = self._units.states()
        if fits(states):
            self._store_key_frame(states)
        self._frames_since_key_frame = 0
        self._chunks_since_key_frame = 0

    def _store_key_frame(self, states: dict[str, bytes]) -> None:
        key_frame = KeyFrame(self._frames_stored, self._chunk_first_edge, states)
        payload = pack_states(key_frame, make_compressor())
        self._append(STATES, payload)
        self._enter(STATES, payload)

    def _store_index(self, *, at_end: bool) -> None:
        if self._units is not None and (payload := self._units.take_index(at_end=at_end)):
            self._append(WRITES, payload)
            self._enter(WRITES, payload)

    def _store_inputs(self, known_edge: int | None) -> None:
        """Write the inputs before an edge; None: all."""
        stop_edge = None if known_edge is None else known_edge - self._input_margin_edges
        for kind, payload in self._inputs.take(
            lambda cycle: stop_edge is None or self.header.edge_at(cycle) < stop_edge
        ):
            self._append(kind, payload)
            self._enter(kind, payload)

    def _store_pages(self, payload: bytes) -> None:
        self._append(PAGES, payload)
        self._enter(PAGES, payload)

    def _take_lost(self, known_edge: int) -> UInt64Column:
        """Return where the stores were lost that are known to be before an edge, and count them."""
        edges = np.concatenate([np.empty(0, np.uint64), *self._lost_edges])
        known = edges < np.uint64(min(known_edge, TOTAL_MAX))
        self._lost += int(np.count_nonzero(known))
        self._lost_edges = [edges[~known]] if len(edges) else []
        return edges[known]

    def _store_rest(self) -> None:
        if self._count:
            self._store_chunk(known_edge=self._known_edge)
        self._store_inputs(None)
        self._lost += sum(len(edges) for edges in self._lost_edges)
        self._lost_edges = []
        self._store_index(at_end=True)

    def _append(self, kind: bytes, payload: bytes) -> None:
        try:
            while True:
                try:
                    self._chunks.append(kind, payload)
                    return
                except OutputError as error:
                    if not self._make_room(error):
                        raise
        except OutputError as error:
            where = "" if self.recording_path == self.path else f", in {self.recording_path}"
            self._failure = OutputError(
                file=self._file,
                place=error.place,
                found=error.found,
                wanted=f"the {self._frames_stored:,} frames before it are complete and can be "
                f"read{where}",
            )
            self._release()
            raise self._failure from error

    def _make_room(self, error: OutputError) -> bool:
        """Make room where a chunk could not be written; return whether there may be some now."""
        return False

    def _enter(self, kind: bytes, payload: bytes) -> None:
        """Add the chunk just appended to the table."""
        self._table.add(kind, len(payload), frames=self._frames_stored, edge=self._chunk_first_edge)

    def _go_on_in(self, descriptor: int) -> None:
        """Append what follows to another file."""
        self._release()
        self._descriptor = descriptor
        self._chunks.go_on_in(descriptor)

    def _release(self) -> None:
        descriptors = {self._descriptor, self._lock} - {-1}
        self._descriptor = self._lock = -1
        for descriptor in descriptors:
            os.close(descriptor)


def _round_up(value: int, step: int) -> int:
    return -(-value // step) * step


def _open(path: Path, file: str) -> tuple[int, int, Beside | None]:
    """Open a file for a new trace and lock its place.

    Returns:
        Descriptors of the file and of the place, which may be the same; and the file beside the
        place, if there is one.
    """
    require_replaceable(path)
    flags = os.O_WRONLY | getattr(os, "O_BINARY", 0)
    try:
        while True:
            place = os.open(path, flags | os.O_CREAT, 0o666)
            found = os.fstat(place)
            if not stat.S_ISREG(found.st_mode):
                return place, place, None
            if not try_lock(place):
                os.close(place)
                raise OutputError(
                    file=file,
                    found="a recording in progress",
                    wanted="wait for its end, or give another file",
                )
            # Another recorder may have written its trace here between the two calls.
            if os.path.samestat(found, path.stat()):
                break
            os.close(place)
        if not os.fstat(place).st_size:
            return place, place, None
        try:
            beside = Beside(path)
            return os.open(beside.path, flags), place, beside
        except BaseException:
            os.close(place)
            raise
    except (OSError, ValueError) as error:
        raise _cannot_open(error, file) from error


def _cannot_open(error: OSError | ValueError, file: str) -> OutputError:
    reason = error.strerror if isinstance(error, OSError) else str(error)
    return OutputError(
        file=file,
        found=(reason or "a file that cannot be opened").lower(),
        wanted="give the name of a file in an existing, writable folder",
    )
