"""The store behind a frame, held against a run of the program instruction by instruction."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from busplay.description.board import Board
from busplay.errors import InputError
from busplay.history.frame_rows import FrameRows
from busplay.history.frame_stores import FrameStores
from busplay.history.history import open_history
from busplay.history.program_history import ProgramHistory
from busplay.history.program_inspector import KnownProgram
from busplay.history.trace_inspector import TraceInspector
from busplay.link.load import load_board
from busplay.run.replay import Replay
from busplay.run.session import Session
from busplay.trace.reader import TraceReader

CYCLES = 150_000


def recorded(path: Path, board: Board, program: str) -> Path:
    with Session(board, program=program, record=path) as session:
        session.run(CYCLES)
    return path


def stores_step_by_step(board: Board, program: str) -> list[tuple[int, int, int]]:
    """Return cycle, address and PC of every store into a window."""
    core = Session(board, program=program).core
    found = []
    while core.cycle < CYCLES:
        pc = core.pc
        core.run(1)
        stores = core.take_stores()
        rows = zip(stores.cycle.tolist(), stores.address.tolist(), strict=True)
        found += [(cycle, address, pc) for cycle, address in rows]
    return found


def ends_of_bursts(edges: np.ndarray, idle_edges: int) -> list[int]:
    """Return frames at both ends of bursts, and some between."""
    gaps = np.flatnonzero(np.diff(edges.astype(np.int64)) > idle_edges)
    picked = {0, len(edges) - 1, *gaps.tolist(), *(gaps + 1).tolist()}
    drawn = np.random.default_rng(11).integers(0, len(edges), 40)
    return sorted({*sorted(picked)[:: max(1, len(picked) // 60)], *drawn.tolist()})


@pytest.mark.parametrize("program", ["tides.bin", "waves.bin"])
def test_every_frame_has_the_store_and_instruction_of_a_run_by_steps(
    tmp_path: Path, program: str
) -> None:
    board = load_board("dunlin")
    stores = stores_step_by_step(board, program)
    with TraceReader(recorded(tmp_path / "run.trace", board, program)) as reader:
        history = ProgramHistory.of_trace(reader)
        rows = FrameRows(reader, {})
        frames = rows.batch(0, rows.frames)
        found = FrameStores(rows, history)
        numbers = ends_of_bursts(frames.edge, rows.layout.slot_symbols)
        assert len(numbers) > 50
        for frame in numbers:
            # Nothing is lost at this sender, so the frames are all stores in order.
            cycle, address, pc = stores[frame]
            assert found.find(frame) == ((cycle, address, pc),)
            history.go_to_store(cycle)
            assert history.state.registers.pc == pc
        assert found.find(700, 900) == tuple(stores[700:900])


def test_stores_lost_at_the_sender_have_no_frame(tmp_path: Path) -> None:
    board = load_board("dunlin")
    link = replace(board.link, clock_hz=1_000_000)
    board = replace(board, link=link, sender=replace(board.sender, fifo_depth=1))
    path = recorded(tmp_path / "run.trace", board, "tides.bin")
    with Session(board, program="tides.bin") as session, TraceReader(path) as reader:
        sent, lost = [], 0
        encoder = session.pipeline.encoder
        while session.core.cycle < CYCLES:
            session.core.run(5_000)
            stores = session.core.take_stores()
            made = encoder.feed(stores, stop_cycle=session.core.cycle)
            which = encoder.sent_store
            kept = stores.cycle if which is None else stores.cycle[which]
            sent += kept.tolist()
            lost += len(stores) - len(made)
        assert lost > 100
        rows = FrameRows(reader, {})
        found = FrameStores(rows, ProgramHistory.of_trace(reader))
        for frame in range(0, rows.frames, max(1, rows.frames // 60)):
            (store,) = found.find(frame)
            assert store.cycle == sent[frame]


def test_register_written_four_cycles_before_another_is_named_exactly() -> None:
    # The panel named the store behind it, $C06E stz $A310 in cycle 17,271.
    replay = Replay(Path(__file__).parents[2] / "traces" / "tides.trace")
    program = ProgramHistory.of_trace(replay.reader)
    inspector = TraceInspector(replay, open_history(replay.reader), KnownProgram(run=program))
    replay.seek(1_000_000)
    causes = inspector.pixel("panel", 29, 118, deep=True).causes
    (base,) = [cause for cause in causes if cause.role == "base"]
    assert (base.cycle, base.address) == (17_268, 0xA301)
    assert base.instruction is not None
    assert (base.instruction.address, base.instruction.text) == (0xC06B, "stz $A301")


def test_another_program_s_stores_are_not_known(tmp_path: Path) -> None:
    board = load_board("dunlin")
    with TraceReader(recorded(tmp_path / "run.trace", board, "tides.bin")) as reader:
        rows = FrameRows(reader, {})
        other = ProgramHistory(board, "waves.bin", end_cycle=CYCLES)
        found = FrameStores(rows, other)
        for frame in range(0, 400, 20):
            with pytest.raises(InputError, match="a run that sends another frame at link edge"):
                found.find(frame)
