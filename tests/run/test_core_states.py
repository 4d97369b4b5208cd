"""A trace keeps states of the processor, from which a rerun begins."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busplay.chain.why import why
from busplay.core.rewind import RewindableCore
from busplay.core.saved_state import STATE_BYTES, pack_core, parse_core
from busplay.demo.programs import find_demo
from busplay.errors import InputError
from busplay.history.program_history import ProgramHistory
from busplay.link.load import load_board
from busplay.run import kept_states
from busplay.run.session import Session
from busplay.trace.reader import TraceReader
from busplay.trace.writer import TraceFileWriter
from tests.cli.command import run_busplay

DUNLIN = load_board("dunlin")
KEYS = find_demo("keys").image_path


@pytest.fixture(autouse=True)
def often(monkeypatch: pytest.MonkeyPatch) -> None:
    """States every 60,000 cycles, so that short runs have some."""
    monkeypatch.setattr(kept_states, "STATE_CYCLES", 60_000)
    monkeypatch.setattr(kept_states, "STATE_RETRY_CYCLES", 7_001)


def recorded(path: Path, pieces: list[int], *, core: str = "compiled") -> Session:
    """Record keys with a key and two resets, one of them where a state is due."""
    with Session(
        DUNLIN,
        program=KEYS,
        core=core,
        key_presses=[(100_000, 65)],
        resets=[150_000, 239_999],
        record=path,
    ) as one:
        for cycles in pieces:
            one.run(min(cycles, 400_000 - one.cycle))
        one.run(400_000 - one.cycle)
    return one


def test_states_are_those_of_the_run(tmp_path: Path) -> None:
    recorded(tmp_path / "a.trace", [])
    again = Session(DUNLIN, program=KEYS, key_presses=[(100_000, 65)], resets=[150_000, 239_999])
    with TraceReader(tmp_path / "a.trace") as reader:
        states = list(reader.core_states())
        reader.verify()
    assert len(states) >= 5
    for cycle, state, _ in states:
        again.run(cycle - again.cycle)
        assert isinstance(again.core, RewindableCore)
        assert pack_core(again.core) == state


@settings(max_examples=10, deadline=None)
@given(pieces=st.lists(st.integers(1, 90_000), max_size=9))
def test_same_run_has_the_same_states_however_it_is_cut(
    tmp_path_factory: pytest.TempPathFactory, pieces: list[int]
) -> None:
    folder = tmp_path_factory.mktemp("cut")
    recorded(folder / "a.trace", [])
    recorded(folder / "b.trace", pieces)
    assert (folder / "a.trace").read_bytes() == (folder / "b.trace").read_bytes()


@pytest.mark.thorough
def test_both_cores_keep_the_same_states(tmp_path: Path) -> None:
    recorded(tmp_path / "a.trace", [])
    recorded(tmp_path / "b.trace", [], core="reference")
    assert (tmp_path / "a.trace").read_bytes() == (tmp_path / "b.trace").read_bytes()


def test_rerun_begins_at_the_state_before(tmp_path: Path) -> None:
    trace = tmp_path / "a.trace"
    one = recorded(trace, [])
    cycles: list[int] = []
    with TraceReader(trace) as reader:
        last_cycle = list(reader.core_states())[-1][0]
        travel = ProgramHistory.of_trace(reader, on_progress=cycles.append)
    travel.go_to(last_cycle + 10)
    assert min(cycles) > last_cycle
    travel.go_to(one.cycle)
    assert travel.state.registers == one.registers
    assert travel.memory.tobytes() == one.memory.tobytes()
    assert travel.core_state.host_port == one.core.state.host_port  # type: ignore[attr-defined]
    travel.go_to(last_cycle + 20)
    while travel.step_back() and travel.cycle > last_cycle - 30:
        pass
    assert travel.cycle <= last_cycle - 30


def test_why_is_the_same_with_and_without_states(tmp_path: Path) -> None:
    trace, bare = tmp_path / "a.trace", tmp_path / "b.trace"
    recorded(trace, [])
    with TraceReader(trace) as reader, TraceFileWriter(bare, header=reader.header) as writer:
        for press in reader.key_presses():
            writer.press(press.cycle, press.code)
        for cycle in reader.resets():
            writer.reset(cycle)
        for frames in reader.chunks():
            writer.write(frames, stop_edge=int(frames.edge[-1]) + 1)
    for pixel in ((3, 3), (120, 90), (200, 180)):
        with_states = why(trace, unit="panel", pixel=pixel, history=3)
        without = why(bare, unit="panel", pixel=pixel, history=3)
        assert with_states.store == without.store
        assert with_states.history == without.history


def test_rewritten_trace_keeps_them(tmp_path: Path) -> None:
    recorded(tmp_path / "a.trace", [])
    assert run_busplay("convert", tmp_path / "a.trace", tmp_path / "b.trace") == 0
    with TraceReader(tmp_path / "a.trace") as one, TraceReader(tmp_path / "b.trace") as other:
        assert [row[:2] for row in one.core_states()] == [row[:2] for row in other.core_states()]


def test_states_of_another_program_are_not_used(tmp_path: Path) -> None:
    """A trace without a digest takes any program; its states would run the recorded one."""
    trace = tmp_path / "a.trace"
    recorded(trace, [])
    with TraceReader(trace) as reader:
        reader.header = replace(reader.header, program_sha256=None)
        travel = ProgramHistory.of_trace(reader, "waves.bin")
    travel.go_to(300_000)
    session = Session(DUNLIN, program="waves.bin")
    session.run(300_000 - session.cycle)
    assert travel.memory.tobytes() == session.memory.tobytes()


def test_states_are_not_used_where_the_program_is_said_to_go_elsewhere(tmp_path: Path) -> None:
    """The first moments would show that another run is meant, and later ones would not."""
    code = bytes.fromhex("EE0040 80FB")
    (tmp_path / "ram.bin").write_bytes(code)
    trace = tmp_path / "a.trace"
    with Session(DUNLIN, program=tmp_path / "ram.bin", load_address=0x0300, record=trace) as one:
        one.run(130_000)
    with TraceReader(trace) as reader:
        assert list(reader.core_states())
        recorded_there = ProgramHistory.of_trace(reader)
        elsewhere = ProgramHistory.of_trace(reader, load_address=0x0400)
    assert len(recorded_there.snapshots) == 3
    assert len(elsewhere.snapshots) == 1


@pytest.mark.parametrize(
    ("at", "value", "found"),
    [
        (31, b"\x01\x00", "interrupt vector $0001"),
        (65, b"\x00", "0 host ports"),
        (66, b"\x02", "2 keys taken of 1"),
        (90, b"\xff" * 8, "refresh 18,446,744,073,709,551,615"),
        (90, bytes(8), "refresh 0"),
        (7, b"\xff" * 8, "the number 18,446,744,073,709,551,615"),
        (33, b"\xff" * 8, "the number 18,446,744,073,709,551,615"),
        (15, b"\xff" * 8, "cycle 18,446,744,073,709,551,615"),
    ],
)
def test_impossible_state_is_refused(at: int, value: bytes, found: str, tmp_path: Path) -> None:
    recorded(tmp_path / "a.trace", [])
    with TraceReader(tmp_path / "a.trace") as reader:
        state = bytearray(next(reader.core_states())[1])
    assert len(state) == STATE_BYTES
    parse_core(bytes(state), board=DUNLIN, keys=1)
    state[at : at + len(value)] = value
    with pytest.raises(InputError, match="the state of another run") as refused:
        parse_core(bytes(state), board=DUNLIN, keys=1)
    assert str(refused.value.found).startswith(found)
    bad = tmp_path / "bad.trace"
    with TraceReader(tmp_path / "a.trace") as reader:
        header = reader.header
    with TraceFileWriter(bad, header=header) as writer:
        writer.keep_state(60_000, bytes(state))
    with TraceReader(bad) as reader, pytest.raises(InputError, match=r"bad\.trace: chunk 2 at"):
        ProgramHistory.of_trace(reader)


def test_waiting_processor_is_kept_a_little_later(tmp_path: Path) -> None:
    """It waits for the refresh, then counts for a sixth of the time, and stores once."""
    code = "A901 8D08A4 CB 8D09A4 A210 88 D0FD CA D0FA 8D0040 80EF"
    rom = bytes.fromhex(code).ljust(0x3FFC, b"\0") + bytes.fromhex("00C0 0000")
    (tmp_path / "rom.bin").write_bytes(rom)
    with Session(DUNLIN, program=tmp_path / "rom.bin", record=tmp_path / "t.trace") as session:
        session.run(4_000_000)
    with TraceReader(tmp_path / "t.trace") as reader:
        cycles = np.array([cycle for cycle, _, _ in reader.core_states()])
        travel = ProgramHistory.of_trace(reader)
    assert len(cycles) > 10
    # Awake in the first 20,000 cycles after each refresh, and right after the reset.
    refresh = 8_000_000 / 60
    assert ((cycles % refresh < 21_000) | (cycles < 21_000)).all()
    assert (cycles % 60_000 > 7_000).any()
    travel.go_to(session.cycle)
    assert travel.state.registers == session.registers
