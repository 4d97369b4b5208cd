"""Traces that are written while a program runs: of what is sent, and of what arrives.

The writer asks for the units' state at each key frame, exactly between two frames. The pipeline
that shows the screen may be ahead of that, so a recorder keeps a second pipeline of its own.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from busplay import __version__
from busplay.batch import FrameBatch
from busplay.description.board import Board
from busplay.pipeline.pipeline import Pipeline
from busplay.program.loading import LoadedProgram
from busplay.trace.header import TraceHeader
from busplay.trace.writer import TraceWriter


def header_for(board: Board, program: LoadedProgram | None = None) -> TraceHeader:
    """Make the header of a trace of a board; `program` None: stores come from elsewhere."""
    return TraceHeader(
        link=board.link,
        board=board,
        program_name=None if program is None else program.name,
        program_sha256=None if program is None else program.sha256,
        busplay_version=__version__,
    )


class Recording:
    """A trace of what is sent, under way.

    Args:
        path: the file.
        board: whose link is recorded.
        program: what runs, for the header; None where stores come from elsewhere.

    Raises:
        OutputError: the file cannot be written.
    """

    def __init__(self, path: Path, board: Board, *, program: LoadedProgram | None = None) -> None:
        self._writer = TraceWriter(path, header=header_for(board, program), units=Pipeline(board))
        self._cycles = 0
        self._stores = 0

    def write(self, frames: FrameBatch, *, pipeline: Pipeline, cycles: int) -> None:
        """Add the frames that were sent up to cycle `cycles`.

        Raises:
            OutputError: the disk is full, or the file cannot be written for another reason;
                what was written before still reads.
        """
        self._cycles = cycles
        self._stores = pipeline.encoder.counters.stores_offered
        self._writer.write(
            frames,
            stop_edge=pipeline.encoder.settled_edge,
            stores=self._stores,
            cycles=cycles,
            lost_edges=pipeline.lost_edges,
        )

    def press(self, cycle: int, code: int) -> None:
        """Add a key that was pressed."""
        self._writer.press(cycle, code)

    def close(self) -> None:
        """Write what is left, and the trace's end."""
        self._writer.close()


class ReceivedRecording:
    """A trace of what a pipeline delivers to its displays, under way.

    A frame stands at the link edge at which the sender started it. One that nobody sent, found at a
    wrong place, stands in the slot that is nearest, or in the next that is free: so the trace plays
    like any other, and shows what the pipeline has shown. Where such a frame takes another's slot,
    what follows is moved, and the trace's summary counts it.

    Args:
        path: the file.
        pipeline: nothing has been fed to it yet.
        header: for the trace; of the pipeline's board.

    Raises:
        OutputError: the file cannot be written.
    """

    def __init__(self, path: Path, pipeline: Pipeline, *, header: TraceHeader) -> None:
        self._pipeline = pipeline
        self._writer = TraceWriter(path, header=header, units=Pipeline(pipeline.board))
        self._grid_edges = pipeline.encoder.grid_edges
        self._step_edges = pipeline.encoder.step_edges
        self._taken: list[FrameBatch] = []
        self._waiting = FrameBatch.empty()
        self._free_edge = 0
        self._stop_edge = 0
        self._moved = 0
        pipeline.watch_delivered(self._taken.append)

    def write(self, *, cycles: int) -> None:
        """Add what has been delivered up to cycle `cycles`.

        Raises:
            OutputError: as `Recording.write`.
        """
        grid = self._grid_edges
        self._stop_edge = max(self._stop_edge, self._pipeline.delivered_edge // grid * grid)
        frames = self._placed()
        count = int(np.searchsorted(frames.edge, np.uint64(self._stop_edge)))
        self._waiting = FrameBatch(frames.edge[count:], frames.word[count:])
        self._writer.write(
            FrameBatch(frames.edge[:count], frames.word[:count]),
            stop_edge=self._stop_edge,
            cycles=cycles,
        )

    def _placed(self) -> FrameBatch:
        """Return all that waits, each frame in a slot of its own."""
        taken = FrameBatch.joined(self._taken)
        self._taken.clear()
        if not len(taken):
            return self._waiting
        count = np.arange(len(taken), dtype=np.int64) * self._step_edges
        grid = self._grid_edges
        nearest = (taken.edge.astype(np.int64) + grid // 2) // grid * grid
        edge = np.maximum(np.maximum.accumulate(nearest - count), self._free_edge) + count
        self._moved += int(np.count_nonzero(edge != nearest))
        self._free_edge = int(edge[-1]) + self._step_edges
        return FrameBatch.joined([self._waiting, FrameBatch(edge.astype(np.uint64), taken.word)])

    def press(self, cycle: int, code: int) -> None:
        """Add a key that was pressed."""
        self._writer.press(cycle, code)

    def close(self, *, cycles: int) -> None:
        """Write what is left, what became of all frames, and the trace's end."""
        self.write(cycles=cycles)
        rest = self._waiting
        stop_edge = max(self._stop_edge, self._pipeline.edge, self._free_edge if len(rest) else 0)
        self._writer.write(rest, stop_edge=stop_edge, cycles=cycles)
        frames = self._pipeline.counters().accounts.frames.as_figures()
        counts = {name: count for name, count in frames.items() if count is not None}
        noted = {"frames_sent": self._pipeline.frames_carried, "frames_moved": self._moved}
        self._writer.close(summary={**noted, **counts})
