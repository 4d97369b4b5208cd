"""Rerun of a recorded program: which store each frame of its trace carries.

A trace has frames and inputs, but neither the cycles of stores nor PCs. A run can be repeated,
though: same board, same program, same inputs, same frames. So the program runs beside its trace,
and while the two agree, frame by frame, everything about a store is known.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from busplay.batch import FrameBatch
from busplay.errors import InputError
from busplay.pipeline.frame_accounts import SentFrames
from busplay.run.inputs import RunInputs
from busplay.run.program_start import ProgramStart
from busplay.run.recorded_program import board_of_trace, require_recorded_program
from busplay.run.store_pc import StorePcFinder
from busplay.sender.encoder import Encoder, LostStores
from busplay.trace.reader import TraceReader

PIECE_CYCLES = 200_000


class Rerun:
    """The stores behind a trace's frames.

    Args:
        reader: the trace, recorded with a board.
        program: the program's file.
        load_address: where a raw program was loaded; by default the board's
            `program_load_address`.

    Raises:
        InputError: the program cannot be read, or is not the recorded one.
    """

    def __init__(
        self, reader: TraceReader, program: Path, *, load_address: int | None = None
    ) -> None:
        header, board = reader.header, board_of_trace(reader)
        require_recorded_program(reader.path, header, program)
        self._program = program
        self._inputs = RunInputs.of_trace(reader)
        self._start = ProgramStart(board, program, load_address=load_address)
        self._core = self._start.make_core(self._inputs.key_presses)
        self._encoder = Encoder(board)
        self._sent = SentFrames.of_frames(FrameBatch.empty())

    def find(self, frames: FrameBatch) -> SentFrames:
        """Return the next frames of the trace with their stores.

        Raises:
            InputError: the program does not send these frames.
        """
        if not len(frames):
            return SentFrames.of_frames(frames)
        last_edge = int(frames.edge[-1])
        core, encoder, resets = self._core, self._encoder, self._inputs.resets
        while len(self._sent) < len(frames) and encoder.settled_edge <= last_edge:
            before_cycle = core.cycle
            self._start.advance(core, before_cycle + PIECE_CYCLES, resets)
            if core.cycle == before_cycle:
                # It has stopped, and no reset follows.
                break
            stores = core.take_stores()
            made = encoder.feed(stores, stop_cycle=core.cycle)
            sent = SentFrames.of_stores(made, stores, encoder.sent_store)
            self._sent = self._sent.then(sent)
        found, count = self._sent, len(frames)
        agreed = min(count, len(found))
        differs = (found.edge[:agreed] != frames.edge[:agreed]) | (
            found.word[:agreed] != frames.word[:agreed]
        )
        if agreed < count or differs.any():
            first = int(np.argmax(differs)) if differs.any() else agreed
            raise InputError(
                file=str(self._program),
                found=f"a run that sends another frame at link edge {frames.edge[first]:,}",
                wanted="a run on changed images cannot be repeated; leave --program out",
            )
        self._sent = found.after(count)
        return found.first(count)

    def take_lost(self) -> LostStores:
        """Return the stores that found the sender FIFO full since the last call."""
        return self._encoder.take_lost()

    def store_pc_finder(self) -> StorePcFinder:
        """Return a finder of the stores' PCs."""
        return StorePcFinder(self._start, self._inputs)
