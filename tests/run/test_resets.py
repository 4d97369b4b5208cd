"""A recorded run with resets can be repeated exactly from its trace."""

from __future__ import annotations

from pathlib import Path

import pytest

from busplay.analysis.profile.profile import profile
from busplay.chain.why import why
from busplay.demo.programs import find_demo
from busplay.history.program_history import ProgramHistory
from busplay.history.rerun import Rerun
from busplay.link.load import load_board
from busplay.run.inputs import RunInputs
from busplay.run.replay import Replay
from busplay.run.session import Session
from busplay.trace.reader import TraceReader
from tests.cli.command import run_busplay
from tests.trace.cases import pairs_in

PROGRAM = find_demo("keys").image_path
DUNLIN = load_board("dunlin")
# LDA #$55, STA $4000, then WAI or STP; it goes on only after a reset.
WAITS = bytes.fromhex("A955 8D0040 CB 8D0140 80F7").ljust(0x3FFC, b"\0") + bytes.fromhex(
    "00C0 0000"
)
STOPS = bytes.fromhex("A955 8D0040 DB 80F8").ljust(0x3FFC, b"\0") + bytes.fromhex("00C0 0000")


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Session]:
    """A run with keys and two resets, one soon after the other; and its trace."""
    trace = tmp_path_factory.mktemp("resets") / "keys.trace"
    with Session(DUNLIN, program=PROGRAM, record=trace) as session:
        session.run(150_001)
        session.press(ord("A"))
        session.run(50_000)
        session.reset()
        session.run(3)
        session.reset()
        session.run(99_000)
        session.press(ord("B"))
        session.run(120_000)
    return trace, session


def test_trace_has_the_resets_with_their_cycles(
    run: tuple[Path, Session], capsys: pytest.CaptureFixture[str]
) -> None:
    trace, session = run
    with TraceReader(trace) as reader:
        assert RunInputs.of_trace(reader) == session.inputs
        assert len(reader.resets()) == 2
    assert run_busplay("info", trace) == 0
    assert "resets   2\n" in capsys.readouterr().out


def test_same_inputs_make_the_same_trace(run: tuple[Path, Session], tmp_path: Path) -> None:
    trace, session = run
    inputs = session.inputs
    again = tmp_path / "again.trace"
    with Session(
        DUNLIN,
        program=PROGRAM,
        key_presses=inputs.key_presses,
        resets=inputs.resets,
        record=again,
    ) as other:
        while other.cycle < session.cycle:
            other.run(min(7_777, session.cycle - other.cycle))
        assert other.inputs == inputs
    assert again.read_bytes() == trace.read_bytes()


def test_program_runs_beside_its_trace_over_resets(run: tuple[Path, Session]) -> None:
    """A rerun found other frames after the first reset, and went on without the program."""
    trace, session = run
    with Replay(trace) as replay:
        replay.run_beside(Rerun(ProgramHistory.of_trace(replay.reader)))
        replay.run(replay.end_cycle)
        found, expected = replay.pipeline.counters(), session.counters()
        assert found.accounts == expected.accounts
        assert found.accounts.frames.stores == found.accounts.frames.received_intact > 50_000


def test_history_of_the_trace_goes_over_resets(run: tuple[Path, Session]) -> None:
    trace, session = run
    with TraceReader(trace) as reader:
        travel = ProgramHistory.of_trace(reader)
        travel.go_to(session.cycle)
        assert travel.state.registers == session.registers
        assert travel.memory.tobytes() == session.memory.tobytes()


def test_why_names_the_instruction_after_a_reset(run: tuple[Path, Session]) -> None:
    trace, session = run
    found = why(trace, unit="panel", pixel=(3, 3))
    assert found.notes == ()
    assert found.store is not None
    assert found.store.cycle is not None
    assert found.store.cycle > session.resets[-1]
    counters = session.program_counters([found.store.cycle])
    assert found.store.program_counter == counters[found.store.cycle]


def test_profile_of_the_trace_is_that_of_the_run(run: tuple[Path, Session]) -> None:
    trace, session = run
    found = profile(trace)
    assert found.stores == session.pipeline.counters().accounts.frames.stores
    assert found.stopped is None


def test_received_and_rewritten_traces_keep_the_inputs(
    run: tuple[Path, Session], tmp_path: Path
) -> None:
    trace, session = run
    received, rewritten = tmp_path / "r.trace", tmp_path / "w.trace"
    assert run_busplay("replay", trace, "--headless", "--record-received", received) == 0
    assert run_busplay("convert", trace, rewritten) == 0
    for path in (received, rewritten):
        with TraceReader(path) as reader:
            assert RunInputs.of_trace(reader) == session.inputs


def test_profile_begins_anew_at_a_reset(tmp_path: Path) -> None:
    """The start was called by the routine that the reset ended, within its calls."""
    trace = tmp_path / "t.trace"
    with Session(DUNLIN, program="tides.bin", record=trace) as session:
        for cycles in (300_000, 250_000):
            session.run(cycles)
            session.reset()
        session.run(200_000)
    found = profile(trace)
    rows = {row.name: row for row in found.routines}
    assert rows["reset"].cycles_with_callees == found.cycles
    assert not [one for one in found.calls if one.callee == "reset"]
    assert sum(row.cycles for row in found.routines) == found.cycles
    # From the reset's own cycles up to the call of main, three times the same.
    start = profile(DUNLIN, "tides.bin", stop_cycle=200_000)
    alone = next(row for row in start.routines if row.name == "reset").cycles
    assert rows["reset"].cycles == 3 * alone + 2 * 7


@pytest.mark.parametrize("rom", [WAITS, STOPS], ids=["waiting", "stopped"])
def test_reset_ends_a_wait_and_a_stop(rom: bytes, tmp_path: Path) -> None:
    program, trace = tmp_path / "rom.bin", tmp_path / "rom.trace"
    program.write_bytes(rom)
    with Session(DUNLIN, program=program, record=trace) as session:
        for _ in range(2):
            session.run(1_000)
            session.reset()
        session.run(500)
        stores = session.counters().accounts.frames.stores
    assert stores == 3
    assert len(pairs_in(trace)) == 3
    with Replay(trace) as replay:
        replay.run_beside(Rerun(ProgramHistory.of_trace(replay.reader)))
        replay.run(replay.end_cycle)
        assert replay.pipeline.counters().accounts.frames.stores == 3
    with TraceReader(trace) as reader:
        travel = ProgramHistory.of_trace(reader)
        travel.go_to(session.cycle)
        assert travel.state.registers == session.registers
