"""Time travel in a run that changes pages."""

from __future__ import annotations

from pathlib import Path

from busplay.core.rewind import RewindableCore, whole_memory
from busplay.history.program_history import ProgramHistory
from busplay.link.load import load_board
from busplay.run.program_start import ProgramStart
from tests.core.devices.test_banks import BOARD, BOOT, CARTRIDGE

# Writes X to a byte of page X modulo 8 for ever, with interrupts of nothing.
CODE = "A200 8E00A4 8E0040 EE0140 8E0100 8E0180 E8 4C0202"


def test_going_back_and_forth_gives_the_state_of_a_straight_run(tmp_path: Path) -> None:
    (tmp_path / "board.toml").write_text(BOARD, encoding="utf-8")
    (tmp_path / "cartridge.bin").write_bytes(CARTRIDGE)
    (tmp_path / "boot.bin").write_bytes(BOOT)
    (tmp_path / "program.bin").write_bytes(bytes.fromhex(CODE))
    start = ProgramStart(load_board(tmp_path / "board.toml"), tmp_path / "program.bin")
    core = start.make_core()
    assert isinstance(core, RewindableCore)
    straight = {}
    while core.cycle < 3_000:
        straight[core.cycle] = (core.state, bytes(whole_memory(core)), bytes(core.memory))
        core.step()
    history = ProgramHistory(
        start.board, tmp_path / "program.bin", memory_mb=1, spacing_cycles=200, end_cycle=5_000
    )
    for cycle in (2_500, 11, 1_700, 1_699, 2_990, 600, 601, 2_400):
        history.go_to(cycle)
        here = history.state.registers.cycle
        for _ in range(2):
            state, _, memory = straight[here]
            assert history.state.registers == state.registers
            assert bytes(history.memory) == memory
            assert history.step_back()
            assert bytes(history.memory) == straight[history.state.registers.cycle][2]
            assert history.step()
