"""Time travel through a program with devices goes where a straight run was."""

from __future__ import annotations

from pathlib import Path

import pytest

from busplay.chain.why import why
from busplay.description.shipped_files import shipped_boards
from busplay.history.program_history import ProgramHistory
from busplay.link.load import load_board
from busplay.run.session import Session

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
