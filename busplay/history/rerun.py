"""Rerun of a recorded program: which store each frame of its trace carries.

How to think about it. A trace has frames and inputs, but neither the cycles of stores nor PCs. A
run can be repeated, though: same board, same program, same inputs, same frames. So the program runs
beside its trace, and while the two agree, frame by frame, everything about a store is known.

It need not begin where the run began. A sender that has been idle for two slots has nothing that
waits and no run of busy slots, so an encoder that starts at the first frame after that, with its
sequence number, makes the recorded frames too.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from busplay.batch import FrameBatch, StoreBatch
from busplay.errors import InputError
from busplay.history.program_history import ProgramHistory
from busplay.pipeline.frame_accounts import SentFrames
from busplay.sender import encoding
from busplay.sender.encoder import Encoder, EncoderState, LostStores


class Rerun:
    """The stores behind a trace's frames, from the first frame of the trace or of a burst on.

    Args:
        program: the recorded program's run, which moves along; nobody else moves it meanwhile.
        encoder: to be used, of the program's board; its tables take milliseconds to make.
    """

    def __init__(self, program: ProgramHistory, encoder: Encoder | None = None) -> None:
        self._program = program
        self._encoder = encoder or Encoder(program.start.board)
        self._stores: Iterator[tuple[StoreBatch, int]] | None = None
        self._sent = SentFrames.of_frames(FrameBatch.empty())

    def find(self, frames: FrameBatch) -> SentFrames:
        """Return the next frames of the trace with their stores.

        Args:
            frames: in the first call from the beginning of the trace or of a burst on: two idle
                slots precede it.

        Raises:
            InputError: the program does not send these frames.
        """
        if not len(frames):
            return SentFrames.of_frames(frames)
        if self._stores is None:
            self._stores = self._begin(frames)
        self._run(frames=len(frames), last_edge=int(frames.edge[-1]))
        found, count = self._sent, len(frames)
        agreed = min(count, len(found))
        differs = (found.edge[:agreed] != frames.edge[:agreed]) | (
            found.word[:agreed] != frames.word[:agreed]
        )
        if agreed < count or differs.any():
            first = int(np.argmax(differs)) if differs.any() else agreed
            path = self._program.start.path
            raise InputError(
                file=None if path is None else str(path),
                found=f"a run that sends another frame at link edge {frames.edge[first]:,}",
                wanted="the recorded run had other images, or not all of its frames arrived",
            )
        self._sent = found.after(count)
        return found.first(count)

    def take_lost(self, *, up_to_edge: int | None = None) -> LostStores:
        """Return the stores that found the sender FIFO full since the last call.

        Args:
            up_to_edge: run on until all of these up to this edge are known.
        """
        if up_to_edge is not None and self._stores is not None:
            self._run(frames=None, last_edge=up_to_edge)
        return self._encoder.take_lost()

    def _begin(self, frames: FrameBatch) -> Iterator[tuple[StoreBatch, int]]:
        """Set the encoder to the beginning of a burst; return the program's stores from there."""
        encoder, first_edge = self._encoder, int(frames.edge[0])
        # Stores up to the edge before would have gone out there.
        first_cycle = 0
        if first_edge - encoder.grid_edges >= encoder.cycle_to_edge(1):
            first_cycle = encoder.latest_cycle(first_edge - encoder.grid_edges) + 1
        sequence = encoder.layout.unpack(frames.word[:1]).get("sequence")
        carried = [0] * len(encoder.snapshot().carried)
        carried[encoding.SEQUENCE] = 0 if sequence is None else int(sequence[0])
        encoder.restore(EncoderState(tuple(carried), (0,) * 4, first_cycle))
        encoder.take_lost()
        return self._program.stores_from(first_cycle)

    def _run(self, *, frames: int | None, last_edge: int) -> None:
        """Run until all frames up to an edge are known, or that many; or to the program's end."""
        assert self._stores is not None
        while frames is None or len(self._sent) < frames:
            if self._encoder.settled_edge > last_edge:
                return
            piece = next(self._stores, None)
            if piece is None:
                return
            stores, stop_cycle = piece
            made = self._encoder.feed(stores, stop_cycle=stop_cycle)
            sent = SentFrames.of_stores(made, stores, self._encoder.sent_store)
            self._sent = self._sent.then(sent)
