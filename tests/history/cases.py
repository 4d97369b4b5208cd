"""Recordings of drawn boards, with and without an index, whole and cut."""

from __future__ import annotations

import os
from dataclasses import dataclass, replace
from math import gcd
from pathlib import Path

import numpy as np
from hypothesis import strategies as st

from busplay.batch import FrameBatch, StoreBatch
from busplay.description.board import Board, BusyTime, ReceiverEnd
from busplay.link.layout import FrameLayout
from busplay.sender.encoder import Encoder
from busplay.trace.header import TraceHeader
from busplay.trace.reader import TraceReader
from busplay.trace.writer import TraceFileWriter
from busplay.write_index.builder import WriteIndexBuilder
from tests.naive.fifo import NaiveBusy, NaiveFifo
from tests.naive.history import NaiveHistory
from tests.strategies import boards_for, links, store_batches


def receivers() -> st.SearchStrategy[ReceiverEnd]:
    """Draw far ends, good ones and such as lose frames."""
    return st.builds(
        ReceiverEnd,
        fifo_depth=st.sampled_from((1, 2, 5, 64)),
        service_ns=st.sampled_from((0, 0, 1_000, 20_000, 4_000_000)),
        deadline_ns=st.none() | st.just(30_000),
        busy=st.sampled_from(((), (BusyTime(64_000, 12_000, 500),))),
    )


@dataclass(frozen=True, slots=True, eq=False)
class Case:
    """A board, and what went over its link up to an edge."""

    board: Board
    frames: FrameBatch
    stop_edge: int


@st.composite
def cases(draw: st.DrawFn, *, largest: int = 120) -> Case:
    """Draw a board and its frames."""
    link = draw(links())
    board = draw(boards_for(link))
    # So many idle frames that every receiver is in sync before the first store.
    sender = replace(board.sender, lead_frames=40)
    board = replace(board, receiver=draw(receivers()), sender=sender)
    stores = draw(store_batches(board, largest=largest, latest=0))
    # A few addresses again and again, so that they have a history.
    few = draw(st.integers(1, 12))
    address = stores.address[np.arange(len(stores)) % few]
    stores = StoreBatch(stores.cycle, address, stores.data)
    encoder = Encoder(board)
    frames = encoder.feed(stores, stop_cycle=int(stores.cycle[-1]) + 1 if len(stores) else 0)
    return Case(board, frames, encoder.settled_edge)


def record(
    path: Path, case: Case, *, with_index: bool = True, chunk_frames: int | None = None
) -> None:
    """Write the frames as a trace, in chunks as they come, or of so many frames."""
    header = TraceHeader(link=case.board.link, board=case.board)
    units = WriteIndexBuilder(case.board) if with_index else None
    frames, done = case.frames, 0
    with TraceFileWriter(path, header=header, units=units) as writer:
        while chunk_frames is not None and done < len(frames):
            here = frames.between(done, min(done + chunk_frames, len(frames)))
            writer.write(here, stop_edge=int(here.edge[-1]) + 1)
            writer.flush()
            done += len(here)
        writer.write(frames.between(done, len(frames)), stop_edge=case.stop_edge)


def naive_of(reader: TraceReader, board: Board) -> NaiveHistory:
    """Go through all frames of a trace."""
    frames = [
        (int(edge), int(word))
        for part in reader.chunks()
        for edge, word in zip(part.edge, part.word, strict=True)
    ]
    receiver, layout = board.receiver, FrameLayout(board.link)
    times = [receiver.service_ns, receiver.deadline_ns or 0]
    times += [time for one in receiver.busy for time in (one.period_ns, one.length_ns)]
    fifo = NaiveFifo(
        receiver.fifo_depth,
        receiver.service_ns,
        (board.link.clock_hz or board.clock_hz) * board.link.edges_per_cycle,
        layout.frame_symbols,
        receiver.deadline_ns,
        [NaiveBusy(one.period_ns, one.length_ns, one.phase_ns) for one in receiver.busy],
        quantum_ns=gcd(*times) or 1,
    )
    fates, held = [], []
    for edge, _ in frames:
        waiting = fifo.held_at(edge)
        fates.append(fifo.offer(edge))
        held.append(waiting + (fates[-1] != "OVERRUN"))
    return NaiveHistory(board, frames, fates, held)


def cut(path: Path, share: float) -> None:
    """Cut a trace somewhere behind its header."""
    with TraceReader(path) as reader:
        first = next(reader.chunk_rows()).stored_bytes + 12
        size = reader.file_bytes
    os.truncate(path, first + int(share * (size - first)))
