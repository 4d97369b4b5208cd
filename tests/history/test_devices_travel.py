"""Time travel through a program with devices goes where a straight run was."""

from __future__ import annotations

from pathlib import Path

import pytest

from busplay.chain.why import why
from busplay.core.rewind import RewindableCore
from busplay.core.saved_state import pack_core
from busplay.description.shipped_files import shipped_boards
from busplay.history.history import open_history
from busplay.history.program_history import ProgramHistory
from busplay.history.program_inspector import KnownProgram
from busplay.history.trace_inspector import TraceInspector
from busplay.link.load import load_board
from busplay.run import kept_states
from busplay.run.replay import Replay
from busplay.run.session import Session
from busplay.trace.reader import TraceReader
from busplay.view.instrument.facts import machine_lines
from tests.core.devices.test_bus import trusted

__all__ = ["trusted"]

DEVICES = """
[[devices]]
kind = "via_6522"
name = "ports"
first_address = 0xA800
irq = true
pins = {pa = "code", ca1 = "strobe", pb0 = "random"}

[[devices]]
kind = "acia_6551"
name = "serial"
first_address = 0xA820
irq = true
"""
# Timer 1 every 1,000 cycles, CA1, the receiver's interrupt; the handler stores timer, port and
# serial data into the window and counts.
PROGRAM = bytes.fromhex(
    "A940 8D0BA8 A9C2 8D0EA8 A9E6 8D04A8 A903 8D05A8"  # $C000
    "A91F 8D23A8 A909 8D22A8 58"  # $C014
    "AD04A8 8510 E611 EE0140 4C1FC0"  # $C01F main loop
).ljust(0x100, b"\xea") + bytes.fromhex(
    "48 AD04A8 9D0050 AD01A8 8D0040 AD00A8 8D0240 AD21A8 AD20A8 8D0340 E8 68 40"  # $C100
)
CYCLES = 600_000
KEYS = [(70_000, 65), (90_000, 66), (310_000, 200)]


@pytest.fixture
def files(tmp_path: Path) -> tuple[Path, Path]:
    board, program = tmp_path / "board.toml", tmp_path / "p.bin"
    board.write_text(shipped_boards()["dunlin"].read_text(encoding="utf-8") + DEVICES)
    program.write_bytes(PROGRAM.ljust(0x3FFA, b"\xea") + bytes.fromhex("00C0 00C0 00C1"))
    return board, program


def test_any_cycle_is_reached_forwards_and_backwards_as_in_a_straight_run(
    files: tuple[Path, Path],
) -> None:
    board, program = files
    straight = Session(load_board(board), program=program, key_presses=KEYS)
    history = ProgramHistory(
        board, program, key_presses=KEYS, end_cycle=CYCLES, spacing_cycles=50_000
    )
    found = {}
    for cycle in (65_000, 71_003, 90_500, 200_000, 311_111, 599_000):
        straight.run(cycle - straight.cycle)
        found[cycle] = (straight.registers, bytes(straight.memory))
    for cycle in (599_000, 90_500, 311_111, 65_000, 200_000, 71_003):
        history.go_to(cycle)
        assert (history.state.registers, history.memory.tobytes()) == found[cycle], cycle
    history.go_to(90_500)
    assert history.memory[0x4003] == 65
    here = history.cycle
    for _ in range(5):
        assert history.step_back()
    for _ in range(5):
        assert history.step()
    assert history.cycle == here
    assert history.last_write_of(0x4003)
    assert history.state.registers.pc == 0xC119


def test_why_and_rerun_find_the_store_of_an_interrupt(
    files: tuple[Path, Path], tmp_path: Path
) -> None:
    board, program = files
    with Session(
        load_board(board), program=program, key_presses=KEYS, record=tmp_path / "run.trace"
    ) as session:
        session.run(CYCLES)
        assert session.counters().frames_sent > 1000
    found = why(tmp_path / "run.trace", unit="panel", pixel=(0, 0), program=program)
    assert found.store is not None
    assert found.store.address == 0x4000
    assert found.store.program_counter == 0xC10A


# A device of the user's own, which counts the stores to it.
OWN = """
[[devices]]
kind = "own.py:Own"
name = "own"
first_address = 0xA840
last_address = 0xA841
"""
OWN_CLASS = """
class Own:
    irq = False
    count = 0

    def read(self, offset, cycle):
        return self.count & 0xFF

    def write(self, offset, data, cycle):
        self.count += 1

    def next_event_cycle(self):
        return None

    def advance(self, cycle):
        pass

    def snapshot(self):
        return KEPT

    def restore(self, snapshot):
        self.count = snapshot[0]["count"]
"""


@pytest.fixture
def often(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(kept_states, "STATE_CYCLES", 60_000)


def record(
    files: tuple[Path, Path], trace: Path, *, core: str = "compiled", pieces: tuple[int, ...] = ()
) -> Session:
    board, program = files
    with Session(
        load_board(board), program=program, key_presses=KEYS, record=trace, core=core
    ) as session:
        for cycles in pieces:
            session.run(cycles)
        session.run(CYCLES - session.cycle)
    return session


@pytest.mark.usefixtures("often")
def test_trace_keeps_the_states_of_devices_however_the_run_is_cut(
    files: tuple[Path, Path], tmp_path: Path
) -> None:
    board, program = files
    record(files, tmp_path / "a.trace")
    record(files, tmp_path / "b.trace", pieces=(1, 7_000, 70_001, 59, 61_234, 100_000, 3))
    assert (tmp_path / "a.trace").read_bytes() == (tmp_path / "b.trace").read_bytes()
    again = Session(load_board(board), program=program, key_presses=KEYS)
    with TraceReader(tmp_path / "a.trace") as reader:
        states = list(reader.core_states())
    assert len(states) == 9
    for cycle, state, _ in states:
        again.run(cycle - again.cycle)
        assert isinstance(again.core, RewindableCore)
        assert pack_core(again.core) == state


@pytest.mark.thorough
@pytest.mark.usefixtures("often")
def test_both_cores_keep_the_same_states_of_devices(
    files: tuple[Path, Path], tmp_path: Path
) -> None:
    record(files, tmp_path / "a.trace")
    record(files, tmp_path / "b.trace", core="reference")
    assert (tmp_path / "a.trace").read_bytes() == (tmp_path / "b.trace").read_bytes()


@pytest.mark.usefixtures("often")
def test_rerun_with_devices_begins_at_the_state_before(
    files: tuple[Path, Path], tmp_path: Path
) -> None:
    session = record(files, tmp_path / "run.trace")
    cycles: list[int] = []
    with TraceReader(tmp_path / "run.trace") as reader:
        last_cycle = list(reader.core_states())[-1][0]
        travel = ProgramHistory.of_trace(reader, files[1], on_progress=cycles.append)
    travel.go_to(last_cycle + 100)
    assert min(cycles) > last_cycle
    travel.go_to(session.cycle)
    assert travel.state.registers == session.registers
    assert travel.memory.tobytes() == session.memory.tobytes()
    travel.go_to(last_cycle + 20)
    while travel.cycle > last_cycle - 30:
        assert travel.step_back()


@pytest.mark.thorough
@pytest.mark.usefixtures("often", "trusted")
@pytest.mark.parametrize(
    ("kept", "count"),
    [('({"count": self.count}, b"")', 9), ("{1, 2}", 0)],
)
def test_state_of_an_own_device_is_kept_if_it_is_plain_data(
    files: tuple[Path, Path], tmp_path: Path, kept: str, count: int
) -> None:
    board, program = files
    board.write_text(board.read_text() + OWN)
    board.with_name("own.py").write_text(OWN_CLASS.replace("KEPT", kept))
    # The main loop counts with INC $A840 and keeps what it reads there.
    before = bytes.fromhex("E611 EE0140 4C1FC0 EAEAEAEAEAEA")
    after = bytes.fromhex("EE40A8 AD40A8 8511 EE0140 4C1FC0")
    program.write_bytes(program.read_bytes().replace(before, after))
    session = record(files, tmp_path / "run.trace")
    with TraceReader(tmp_path / "run.trace") as reader:
        states = list(reader.core_states())
        assert len(states) == count
        if not count:
            return
        travel = ProgramHistory.of_trace(reader, program)
    travel.go_to(session.cycle)
    assert travel.memory.tobytes() == session.memory.tobytes()


def test_window_shows_the_leds_of_a_recording_as_they_were(tmp_path: Path) -> None:
    with Session("dunlin_ports", program="clock.bin", record=tmp_path / "run.trace") as session:
        session.run(9_000_000)
    with Replay(tmp_path / "run.trace") as replay:
        program = ProgramHistory.of_trace(replay.reader)
        inspector = TraceInspector(replay, open_history(replay.reader), KnownProgram({}, program))
        for cycle, is_lit in ((8_900_000, False), (5_000_000, True), (1_000, False)):
            replay.seek(cycle)
            facts = inspector.machine()
            assert facts is not None
            assert facts.leds == (("lookout", is_lit), ("log", False))
            lines = machine_lines(facts, 20, stop_at="", hears_keys=False)
            (shown,) = (one for one in lines if one.text == "LEDs lit")
            assert shown.value == ("lookout" if is_lit else "none")
