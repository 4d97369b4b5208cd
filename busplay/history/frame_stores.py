"""The store behind a frame, found by running only its burst again."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from busplay.history.frame_rows import FrameRows
from busplay.history.program_history import ProgramHistory
from busplay.history.rerun import Rerun
from busplay.sender.encoder import Encoder, LostStores

# How far to search back for a burst's beginning: mostly it is near.
NEAR_FRAMES = 512
WIDER = 16
PIECE_FRAMES = 65_536
# What a window waits for.
BURST_FRAMES_MAX = NEAR_FRAMES * WIDER**2


class FrameStore(NamedTuple):
    """The store that a frame carries.

    Attributes:
        cycle: of the store.
        address: its full address.
        program_counter: full address of its instruction.
    """

    cycle: int
    address: int
    program_counter: int


class FrameStores:
    """The stores of a trace's frames.

    Args:
        rows: the trace's frames.
        program: the recorded program's run; it stays where it is.
        burst_frames_max: in longer bursts nothing is known; None: however long it takes.
    """

    def __init__(
        self,
        rows: FrameRows,
        program: ProgramHistory,
        *,
        burst_frames_max: int | None = BURST_FRAMES_MAX,
    ) -> None:
        self._rows = rows
        self._program = program
        self._burst_frames_max = burst_frames_max
        self._encoder = Encoder(program.start.board)
        self._idle_edges = 2 * self._encoder.step_edges

    def find(self, frame: int, stop: int | None = None) -> tuple[FrameStore, ...]:
        """Return the stores of frames.

        Args:
            frame: the first one's number.
            stop: the number behind the last; None: only one.

        Returns:
            A store for each frame; none at all if the burst is too long.

        Raises:
            InputError: the program sends other frames, or the trace is damaged there.
        """
        begin = self._burst_begin(frame)
        if begin is None:
            return ()
        stop = min(frame + 1 if stop is None else stop, self._rows.frames)
        with self._program.staying():
            rerun = Rerun(self._program, self._encoder)
            self._pass_over(rerun, begin, frame)
            sent = rerun.find(self._rows.batch(frame, stop))
        cycles = sent.cycle.tolist()
        if not cycles:
            return ()
        found = self._program.stores_between(cycles[0], cycles[-1] + 1)
        which = np.searchsorted(found.stores.cycle, sent.cycle)
        rows = zip(
            cycles, found.address[which].tolist(), found.made_by[which].tolist(), strict=True
        )
        return tuple(FrameStore(*row) for row in rows)

    def lost_in(self, first: int, stop: int, stop_edge: int) -> tuple[LostStores, int]:
        """Return the stores lost at the sender in the bursts of a range of frames.

        Args:
            first, stop: the range, the stop not included.
            stop_edge: up to this edge, at or after the last frame's.

        Returns:
            These stores in order, and the frame from which on they are all there.

        Raises:
            InputError: as for `find`.
        """
        begin = self._burst_begin(first)
        assert begin is not None
        with self._program.staying():
            rerun = Rerun(self._program, self._encoder)
            self._pass_over(rerun, begin, stop)
            return rerun.take_lost(up_to_edge=stop_edge), begin

    def _pass_over(self, rerun: Rerun, first: int, stop: int) -> None:
        """Run over a range of frames, a piece in memory at a time."""
        for start in range(first, stop, PIECE_FRAMES):
            rerun.find(self._rows.batch(start, min(start + PIECE_FRAMES, stop)))

    def _burst_begin(self, frame: int) -> int | None:
        """Return the first frame after the sender was last idle; None: it is too far back."""
        idle_edges = self._idle_edges
        stop, reach = frame + 1, NEAR_FRAMES
        while True:
            first = max(self._rows.first_frame, stop - reach)
            edges = self._rows.batch(first, stop).edge
            gaps = np.flatnonzero(np.diff(edges.astype(np.int64)) > idle_edges)
            if len(gaps):
                return first + int(gaps[-1]) + 1
            if first == self._rows.first_frame:
                # A recording whose beginning was dropped may begin within a burst.
                return None if first else 0
            if self._burst_frames_max is not None and frame - first >= self._burst_frames_max:
                return None
            # The last one again, for the gap before it.
            stop, reach = first + 1, min(WIDER * reach, PIECE_FRAMES)
