"""A Dunlin that runs one of the shipped programs, and access to its displays."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from busplay.batch import UInt8Column
from busplay.core.interface import CoreStop, press_key, take_sent
from busplay.core.make import core_for_board
from busplay.demo.programs import DEMO_PROGRAMS
from busplay.link.load import load_board
from busplay.program.labels import read_labels

ROMS = Path(__file__).parent.parent.parent / "roms"
ASSEMBLY = ("clock", "fill", "log", "notice", "rule30", "stars", "tides")
C = ("keys", "waves")
PROGRAMS = (*ASSEMBLY, *C)

PANEL = slice(0x4000, 0xA000)
SIGN = slice(0xA000, 0xA200)


class Machine:
    """The reference core with a program.

    Args:
        refresh_hz: how often the picture is refreshed; a program that waits for refreshes gets
            on sooner with more of them, and what it times with TICK stays the same.
    """

    def __init__(self, program: str, *, refresh_hz: int = 60) -> None:
        board = load_board(DEMO_PROGRAMS[program].board)
        assert board.host_port is not None
        board = replace(board, host_port=replace(board.host_port, refresh_hz=refresh_hz))
        self.core = core_for_board(board)
        self.core.memory[0xC000:] = np.frombuffer((ROMS / f"{program}.bin").read_bytes(), np.uint8)
        self.core.reset()
        self.labels = {
            name: address
            for address, names in read_labels(ROMS / f"{program}.lbl").items()
            for name in names
        }

    def run(self, cycles: int) -> None:
        self.core.run(cycles)

    def run_to(self, label: str, *, at_most_cycles: int) -> None:
        """Run until the instruction at a label is the next one."""
        stop_cycle = self.core.cycle + at_most_cycles
        while self.core.pc != self.labels[label]:
            assert self.core.cycle < stop_cycle, f"{label} is not reached"
            self.core.step()

    def press(self, code: int) -> None:
        press_key(self.core, code, cycle=self.core.cycle)

    def take_console(self) -> bytes:
        assert self.core.host_port is not None
        return self.core.host_port.take_console() + b"".join(take_sent(self.core).values())

    def bytes_at(self, label: str, count: int) -> UInt8Column:
        first = self.labels[label]
        return self.core.memory[first : first + count].copy()

    def number_at(self, label: str, count: int) -> int:
        return int.from_bytes(self.bytes_at(label, count).tobytes(), "little")

    @property
    def panel(self) -> UInt8Column:
        """uint8[192, 128], two pixels a byte."""
        return self.core.memory[PANEL].reshape(192, 128).copy()

    @property
    def pixels(self) -> UInt8Column:
        """uint8[192, 256], palette indices."""
        return np.stack([self.panel >> 4, self.panel & 15], axis=2).reshape(192, 256)

    @property
    def sign(self) -> UInt8Column:
        """uint8[32, 16], eight pixels a byte."""
        return self.core.memory[SIGN].reshape(32, 16).copy()

    @property
    def stop(self) -> CoreStop | None:
        return self.core.stop
