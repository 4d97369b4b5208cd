"""A trace that is written while a program runs.

The writer asks for the units' state at each key frame, exactly between two frames. The road
that shows the screen may be ahead of that, so the recorder keeps a second road of its own.
"""

from __future__ import annotations

from pathlib import Path

from busplay import __version__
from busplay.batch import FrameBatch
from busplay.description.board import Board
from busplay.program.loading import LoadedProgram
from busplay.road import Road
from busplay.trace.header import TraceHeader
from busplay.trace.writer import TraceWriter


class Recording:
    """A trace under way.

    Args:
        path: the file.
        board: whose link is recorded.
        program: what runs, for the header; None where stores come from elsewhere.

    Raises:
        OutputError: the file cannot be written.
    """

    def __init__(self, path: Path, board: Board, *, program: LoadedProgram | None = None) -> None:
        header = TraceHeader(
            link=board.link,
            board=board,
            program_name=None if program is None else program.name,
            program_sha256=None if program is None else program.sha256,
            busplay_version=__version__,
        )
        self._writer = TraceWriter(path, header=header, units=Road(board))
        self._cycles = 0
        self._stores = 0

    def write(self, frames: FrameBatch, *, road: Road, cycles: int) -> None:
        """Add the frames that were sent up to cycle `cycles`.

        Raises:
            OutputError: the disk is full, or the file cannot be written for another reason;
                what was written before still reads.
        """
        self._cycles = cycles
        self._stores = road.encoder.counters.stores_offered
        self._writer.write(
            frames,
            stop_edge=road.encoder.settled_edge,
            stores=self._stores,
            cycles=cycles,
            lost_edges=road.lost_edges,
        )

    def press(self, cycle: int, code: int) -> None:
        """Add a key that was pressed."""
        self._writer.press(cycle, code)

    def close(self) -> None:
        """Write what is left, and the trace's end."""
        self._writer.close()
