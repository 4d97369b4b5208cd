"""Traces written while a program runs: of what is sent, and of what arrives."""

from __future__ import annotations

from contextlib import ExitStack, suppress
from dataclasses import asdict
from pathlib import Path
from shutil import disk_usage

import numpy as np

from busplay.batch import FrameBatch, PageChanges
from busplay.description.board import Board
from busplay.errors import OutputError
from busplay.losses.losses import Cause
from busplay.pipeline.pipeline import Pipeline
from busplay.program.loading import LoadedProgram
from busplay.run.arrivals import Shifts
from busplay.run.trace_writer import TraceWriter
from busplay.trace.growing import GrowingTraceWriter
from busplay.trace.header import TraceHeader, safe_name
from busplay.trace.writer import TraceFileWriter
from busplay.write_index.builder import WriteIndexBuilder


def header_for(board: Board, program: LoadedProgram | None = None) -> TraceHeader:
    """Make the header of a board's trace; `program` None: stores come from elsewhere."""
    if program is not None and not program.name:
        # Only the board's own images run.
        program = None
    return TraceHeader(
        link=board.link,
        board=board,
        program_name=None if program is None else safe_name(program.name),
        program_sha256=None if program is None else program.sha256,
    )


# The latest part of a live run that is kept: hours of most programs, minutes of a full link.
KEPT_BYTES_MAX = 1 << 30


class Recorder:
    """The traces written during a run: of what is sent, of what arrives, or neither.

    Args:
        pipeline: nothing has been fed to it yet.
        header: for the traces; of the pipeline's board.
        sent: file for what is sent.
        received: file for what arrives.
        kept: new file for what is sent, read while it is written, to go back.

    Attributes:
        places: where each trace is, by the file asked for; beside it if an existing file was
            kept.

    Raises:
        OutputError: a file cannot be written.
    """

    def __init__(
        self,
        pipeline: Pipeline,
        header: TraceHeader,
        *,
        sent: str | Path | None = None,
        received: str | Path | None = None,
        kept: str | Path | None = None,
    ) -> None:
        self.places: dict[Path, Path] = {}
        self._traces: list[_Trace] = []
        self.kept: KeptTrace | None = None
        with ExitStack() as failed:
            if sent is not None:
                writer = TraceWriter(Path(sent), header=header)
                self._traces.append(_SentTrace(pipeline, writer))
                failed.callback(self._traces[0].writer.abandon)
            if received is not None:
                self._traces.append(_ReceivedTrace(Path(received), pipeline, header))
            if kept is not None:
                self.kept = KeptTrace(Path(kept), pipeline, header)
                self._traces.append(self.kept)
            failed.pop_all()

    @property
    def is_needed(self) -> bool:
        """Whether a trace is written."""
        return bool(self._traces)

    def write(self, frames: FrameBatch, *, cycles: int, pages: PageChanges | None = None) -> None:
        """Add what was sent, and what was delivered, up to cycle `cycles`.

        Args:
            frames: frames sent; none from a replay, which only records arrivals.
            cycles: processor cycles so far.
            pages: changes of pages of banked memory, see `StorePages.take`.

        Raises:
            OutputError: the disk is full, or the file cannot be written; it can be read up to
                there.
        """
        for trace in self._traces:
            trace.write(frames, cycles=cycles, pages=pages)

    def press(self, cycle: int, code: int) -> None:
        """Add a key press."""
        for trace in self._traces:
            trace.press(cycle, code)

    def reset(self, cycle: int) -> None:
        """Add a reset."""
        for trace in self._traces:
            trace.reset(cycle)

    @property
    def keeps_states(self) -> bool:
        """Whether states of the processor are wanted."""
        return any(trace.keeps_states for trace in self._traces)

    def keep_state(self, cycle: int, state: bytes) -> None:
        """Add the processor's state, for reruns."""
        for trace in self._traces:
            if trace.keeps_states:
                trace.writer.keep_state(cycle, state)

    def fail(self, *, cycles: int) -> None:
        """Close the traces after a failure, keeping existing files; drop empty traces.

        Raises:
            OutputError: as for `write`.
        """
        for trace in [one for one in self._traces if one.is_empty]:
            self._traces.remove(trace)
            trace.writer.discard()
        self.close(cycles=cycles, keeps_old=True)

    def close(self, *, cycles: int, keeps_old: bool = False) -> None:
        """Write the rest, and the traces' ends; a second call does nothing.

        Args:
            cycles: processor cycles in all.
            keeps_old: keep existing files, as the run ended early.

        Raises:
            OutputError: as for `write`.
        """
        traces, self._traces = self._traces, []
        with ExitStack() as stack:
            for trace in traces:
                stack.callback(trace.close, cycles=cycles, keeps_old=keeps_old)
        for trace in traces:
            self.places[trace.writer.path] = trace.writer.recording_path


class _Trace:
    """One trace being written.

    Attributes:
        keeps_states: it takes states of the processor.
    """

    keeps_states = False

    def __init__(self, pipeline: Pipeline, writer: TraceFileWriter) -> None:
        self._pipeline = pipeline
        self.writer = writer

    def press(self, cycle: int, code: int) -> None:
        self.writer.press(cycle, code)

    def reset(self, cycle: int) -> None:
        self.writer.reset(cycle)

    @property
    def is_empty(self) -> bool:
        """Whether nothing has been recorded."""
        return not self.writer.frames

    def write(self, frames: FrameBatch, *, cycles: int, pages: PageChanges | None = None) -> None:
        raise NotImplementedError

    def close(self, *, cycles: int, keeps_old: bool) -> None:
        raise NotImplementedError


class _SentTrace(_Trace):
    """A trace of what is sent."""

    keeps_states = True

    def write(self, frames: FrameBatch, *, cycles: int, pages: PageChanges | None = None) -> None:
        self.writer.write(
            frames,
            stop_edge=self._pipeline.encoder.settled_edge,
            stores=self._pipeline.encoder.counters.stores_offered,
            cycles=cycles,
            lost_edges=self._pipeline.lost_edges,
            pages=pages,
        )

    def close(self, *, cycles: int, keeps_old: bool) -> None:
        self.writer.close(keeps_old=keeps_old)


class KeptTrace(_SentTrace):
    """A temporary trace of what is sent, read while it is written, to go back.

    It keeps the latest part of a long run, in files beside the one named: `KEPT_BYTES_MAX`, or less
    where the disk has not much more.

    Attributes:
        failure: why it could not be written, and has ended; None: it goes on.
    """

    writer: GrowingTraceWriter
    # The run beside it has snapshots of its own.
    keeps_states = False

    def __init__(self, path: Path, pipeline: Pipeline, header: TraceHeader) -> None:
        self.index_builder = WriteIndexBuilder(pipeline.board)
        self.index_builder.keep_stretches()
        writer = GrowingTraceWriter(
            path, header=header, units=self.index_builder, bytes_max=_bytes_kept_at(path)
        )
        super().__init__(pipeline, writer)
        self.failure: OutputError | None = None

    def write(self, frames: FrameBatch, *, cycles: int, pages: PageChanges | None = None) -> None:
        """Add frames; the run goes on without it, so nothing is raised."""
        if self.failure is not None:
            return
        try:
            super().write(frames, cycles=cycles, pages=pages)
        except OutputError as error:
            self.failure = error

    def press(self, cycle: int, code: int) -> None:
        """Add a key press, unless the trace has failed."""
        if self.failure is None:
            super().press(cycle, code)

    def reset(self, cycle: int) -> None:
        """Add a reset, unless the trace has failed."""
        if self.failure is None:
            super().reset(cycle)

    def flush(self) -> None:
        """Write everything sent so far, so that a reader that opens the trace now has it."""
        if self.failure is not None:
            return
        try:
            self.writer.flush()
        except OutputError as error:
            self.failure = error

    def close(self, *, cycles: int, keeps_old: bool) -> None:
        """Leave the trace as it is, since it will be removed."""
        del cycles, keeps_old
        with suppress(OutputError):
            self.writer.abandon()


def _bytes_kept_at(path: Path) -> int:
    """Return how long a trace to go back to may be: most of what the disk has, at most."""
    try:
        free = disk_usage(path.parent).free
    except OSError:
        return KEPT_BYTES_MAX
    return min(KEPT_BYTES_MAX, free * 3 // 4)


class _ReceivedTrace(_Trace):
    """A trace of what a pipeline delivers to its displays.

    A frame stands at the link edge at which the sender started it. A spurious frame stands in the
    nearest slot, or the next free one, so the trace plays like any other and shows what the
    pipeline showed. If it takes another frame's slot, the frames after it are moved, and the
    trace's summary counts them; `arrivals` has the edges at which they were found.
    """

    def __init__(self, path: Path, pipeline: Pipeline, header: TraceHeader) -> None:
        super().__init__(pipeline, TraceWriter(path, header=header))
        self._grid_edges = pipeline.encoder.grid_edges
        self._step_edges = pipeline.encoder.step_edges
        self._taken: list[FrameBatch] = []
        self._waiting = FrameBatch.empty()
        self._free_edge = 0
        self._stop_edge = 0
        self._moved = 0
        self._shifts = Shifts()
        pipeline.watch_delivered(self._taken.append)

    @property
    def is_empty(self) -> bool:
        return not (self.writer.frames or len(self._waiting) or self._taken)

    def write(self, frames: FrameBatch, *, cycles: int, pages: PageChanges | None = None) -> None:
        grid = self._grid_edges
        self._stop_edge = max(self._stop_edge, self._pipeline.delivered_edge // grid * grid)
        placed = self._placed()
        count = int(np.searchsorted(placed.edge, np.uint64(self._stop_edge)))
        self._waiting = FrameBatch(placed.edge[count:], placed.word[count:])
        self.writer.write(
            FrameBatch(placed.edge[:count], placed.word[:count]),
            stop_edge=self._stop_edge,
            cycles=cycles,
            pages=pages,
        )

    def _placed(self) -> FrameBatch:
        """Return all waiting frames, each in a slot of its own."""
        taken = FrameBatch.joined(self._taken)
        self._taken.clear()
        if not len(taken):
            return self._waiting
        count = np.arange(len(taken), dtype=np.int64) * self._step_edges
        grid = self._grid_edges
        nearest = (taken.edge.astype(np.int64) + grid // 2) // grid * grid
        edge = np.maximum(np.maximum.accumulate(nearest - count), self._free_edge) + count
        self._shifts.add(edge - taken.edge.astype(np.int64))
        self._moved += int(np.count_nonzero(edge != nearest))
        self._free_edge = int(edge[-1]) + self._step_edges
        return FrameBatch.joined([self._waiting, FrameBatch(edge.astype(np.uint64), taken.word)])

    def close(self, *, cycles: int, keeps_old: bool) -> None:
        """Close the trace, with the accounts of its frames in the summary."""
        self.write(FrameBatch.empty(), cycles=cycles)
        rest = self._waiting
        stop_edge = max(self._stop_edge, self._pipeline.edge, self._free_edge if len(rest) else 0)
        self.writer.write(rest, stop_edge=stop_edge, cycles=cycles)
        frames = asdict(self._pipeline.counters().accounts.frames)
        counts = {name: count for name, count in frames.items() if count is not None}
        noted = {"frames_sent": self._pipeline.frames_carried, "frames_moved": self._moved}
        summary = {**noted, **self._shifts.as_figures(), **counts}
        losses = self._pipeline.losses
        was_sent = losses.cause != Cause.SENDER_FIFO
        self.writer.close(
            summary=summary,
            losses=(losses.edge[was_sent], losses.cause[was_sent]),
            keeps_old=keeps_old,
        )
