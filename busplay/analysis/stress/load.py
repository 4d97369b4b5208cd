"""The frames that a sweep sends again and again: of a recording, or of a program's run."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from busplay.batch import FrameBatch
from busplay.description.board import Board, ImageFormat
from busplay.errors import InputError
from busplay.pipeline.pipeline import Pipeline
from busplay.run.session import Session
from busplay.trace.reader import TraceReader

PIECE_CYCLES = 1_000_000


@dataclass(frozen=True, slots=True, eq=False)
class Load:
    """What is sent.

    Attributes:
        name: of the trace or program.
        frames: that go on the wire.
        stop_edge: where the link's time ends.
        lost_at_sender: stores that never became frames, as the sender FIFO was full.
    """

    name: str
    frames: FrameBatch
    stop_edge: int
    lost_at_sender: int

    def first(self, count: int) -> Load:
        """Return the load up to a count of frames; the sender's losses are those of the whole."""
        if count >= len(self.frames):
            return self
        frames = FrameBatch(self.frames.edge[:count], self.frames.word[:count])
        return replace(self, frames=frames, stop_edge=int(self.frames.edge[count]))


def load_trace(path: Path, board: Board) -> Load:
    """Read the frames of a recording.

    Raises:
        InputError: it is damaged, or of another link than the board's.
    """
    with TraceReader(path) as reader:
        recorded = replace(reader.header.link, file="", description="")
        if recorded != replace(board.link, file="", description=""):
            raise InputError(
                file=str(path),
                found=f"a recording of link {recorded.name}",
                wanted=f"the board's link is {board.link.name}, with other frames; record it anew",
            )
        frames = FrameBatch.joined(list(reader.chunks()))
        lost = reader.stores - reader.frames
    layout = Pipeline(board).layout
    stop = int(frames.edge[-1]) + layout.slot_symbols if len(frames) else 0
    return Load(path.name, frames, stop, lost)


def run_program(
    board: Board,
    path: Path,
    *,
    cycles: int,
    load_address: int | None = None,
    program_format: ImageFormat = "auto",
) -> Load:
    """Run a program and keep the frames that it sends.

    Raises:
        InputError: the program cannot be read or has no place in memory.
    """
    session = Session(board, program=path, load_address=load_address, program_format=program_format)
    parts: list[FrameBatch] = []
    # A pipeline that only sends: what arrives is the sweep's business.
    encoder = session.pipeline.encoder
    core = session.core
    while core.cycle < cycles and core.stop is None:
        core.run(min(PIECE_CYCLES, cycles - core.cycle))
        parts.append(encoder.feed(core.take_stores(), stop_cycle=core.cycle))
    return Load(
        path.name,
        FrameBatch.joined(parts),
        encoder.settled_edge,
        encoder.counters.frames_overrun,
    )
