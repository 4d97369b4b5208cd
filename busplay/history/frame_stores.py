"""The store behind a frame, found by running only its burst again.

How to think about it. A sender that has been idle for two slots has nothing that waits and no run
of busy slots. So an encoder that starts there, with the burst's first sequence number, must make
the recorded frames from the program's stores, edge by edge and word by word. Where it does not,
the program is not the one recorded, and nothing is known.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from busplay.batch import FrameBatch
from busplay.history.frame_rows import FrameRows
from busplay.history.program_history import ProgramHistory
from busplay.sender import encoding
from busplay.sender.encoder import Encoder, EncoderState

# How far to search back for a burst's beginning: mostly it is near.
NEAR_FRAMES = 512
WIDER = 16
BURST_FRAMES_MAX = NEAR_FRAMES * WIDER**2


class FrameStore(NamedTuple):
    """The store that a frame carries.

    Attributes:
        cycle, address: of the store.
        program_counter: address of its instruction.
    """

    cycle: int
    address: int
    program_counter: int


class FrameStores:
    """The stores of a trace's frames.

    Args:
        rows: the trace's frames.
        program: the recorded program's run; it moves when asked.
    """

    def __init__(self, rows: FrameRows, program: ProgramHistory) -> None:
        self._rows = rows
        self._program = program
        self._encoder = Encoder(program.start.board)

    def find(self, frame: int, stop: int | None = None) -> tuple[FrameStore, ...]:
        """Return the stores of frames.

        Args:
            frame: the first one's number.
            stop: the number behind the last; None: only one.

        Returns:
            A store for each frame; none at all if the program sends other frames, or the burst
            is longer than `BURST_FRAMES_MAX`.

        Raises:
            InputError: the trace is damaged there.
        """
        before = self._burst_up_to(frame)
        if before is None:
            return ()
        behind = self._rows.batch(frame + 1, frame + 1 if stop is None else stop)
        burst = FrameBatch.joined([before, behind])
        encoder, layout = self._encoder, self._encoder.layout
        first_edge, last_edge = int(burst.edge[0]), int(burst.edge[-1])
        # Stores up to the edge before would have gone out there.
        first_cycle = 0
        if first_edge - encoder.grid_edges >= encoder.cycle_to_edge(1):
            first_cycle = encoder.latest_cycle(first_edge - encoder.grid_edges) + 1
        stop_cycle = encoder.latest_cycle(last_edge) + 1
        stores, by = self._program.stores_between(first_cycle, stop_cycle)
        sequence = layout.unpack(burst.word[:1]).get("sequence")
        carried = [0] * len(encoder.snapshot().carried)
        carried[encoding.SEQUENCE] = 0 if sequence is None else int(sequence[0])
        encoder.restore(EncoderState(tuple(carried), (0,) * 4, first_cycle))
        made = encoder.feed(stores, stop_cycle=stop_cycle)
        count = len(burst)
        if (
            len(made) < count
            or (made.edge[:count] != burst.edge).any()
            or (made.word[:count] != burst.word).any()
        ):
            return ()
        wanted = np.arange(len(before) - 1, count)
        which = wanted if encoder.sent_store is None else encoder.sent_store[wanted]
        columns = (stores.cycle[which], stores.address[which], by[which])
        return tuple(FrameStore(*row) for row in zip(*(c.tolist() for c in columns), strict=True))

    def _burst_up_to(self, frame: int) -> FrameBatch | None:
        """Return the frames from the last idle sender up to a frame; None: it is too far back."""
        idle_edges = 2 * self._encoder.step_edges
        reach = NEAR_FRAMES
        while reach <= BURST_FRAMES_MAX:
            first = max(0, frame + 1 - reach)
            frames = self._rows.batch(first, frame + 1)
            gaps = np.flatnonzero(np.diff(frames.edge.astype(np.int64)) > idle_edges)
            if len(gaps) or first == 0:
                begin = int(gaps[-1]) + 1 if len(gaps) else 0
                return FrameBatch(frames.edge[begin:], frames.word[begin:])
            reach *= WIDER
        return None
