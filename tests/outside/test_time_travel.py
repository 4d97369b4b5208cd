"""Time travel against py65 run forward: registers and memory at drawn steps, gone to in any order.

py65 counts 3 cycles for DEC abs and none for undocumented opcodes; the program has neither.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from py65.devices.mpu6502 import MPU

from busplay.core.interface import Registers
from busplay.description.board import Memory
from busplay.history.breakpoints import AtAddress, MemoryIs
from busplay.history.program_history import ProgramHistory
from tests.boards import GUARDED, board_with

pytestmark = pytest.mark.source(
    "py65 1.2.0", part="NMOS 6502, run forward: registers, memory, cycles", kind="library"
)

START = 0x0200
# A sieve of 256 numbers at $0400, for ever: each round counts one higher in $10, and a routine
# adds up what is left, in decimal mode too.
PROGRAM = bytes.fromhex(
    "D8 A200 8A 9D0004 E8 D0F9"  # 0200: numbers
    "A002 8412"  # 0209: LDY #2, STY $12
    "A512 18 6512 B00A AA A900 9D0004 8A 4C1002"  # 020D: strike out its multiples
    "EA EA"
    "E612 A512 C910 D0E5"  # the next one, up to 15
    "204002 E610 4C0002"  # add up, count the round
)
ADD = bytes.fromhex("48 F8 A200 A900 18 7D0004 9511 D8 48 68 F8 E8 E020 D0F1 08 28 D8 8513 68 60")
STEPS = 60_000


def forward(image: bytes) -> tuple[list[Registers], MPU]:
    """Run py65 and return its registers before each step."""
    mpu = MPU(memory=list(image), pc=START)
    mpu.sp, mpu.p = 0xFD, 0x34
    seen = []
    for _ in range(STEPS):
        # Ours begins at cycle 7, behind the reset.
        seen.append(
            Registers(mpu.a, mpu.x, mpu.y, mpu.sp, mpu.p | 0x30, mpu.pc, mpu.processorCycles + 7)
        )
        mpu.step()
    return seen, mpu


def image() -> bytes:
    memory = bytearray(0x10000)
    memory[START : START + len(PROGRAM)] = PROGRAM
    memory[0x0240 : 0x0240 + len(ADD)] = ADD
    return bytes(memory)


@pytest.mark.thorough
@pytest.mark.parametrize("kind", ["compiled", "reference"])
def test_states_at_drawn_cycles_are_those_of_py65_run_forward(kind: str, tmp_path: Path) -> None:
    expected, _ = forward(image())
    path = tmp_path / "sieve.bin"
    path.write_bytes(image()[START:0x0300])
    board = replace(
        board_with(GUARDED),
        processor="6502",
        memory=(Memory("ram", 0, 0xFFFF),),
        windows=(),
        program_load_address=START,
    )
    travel = ProgramHistory(
        board, path, core=kind, spacing_cycles=20_000, end_cycle=expected[-1].cycle
    )
    rng = np.random.default_rng(7)
    memories = memories_at(sorted(set(rng.integers(0, STEPS - 1, 40).tolist())))
    for step in rng.permutation(list(memories)).tolist():
        travel.go_to(expected[step].cycle)
        assert travel.state.registers == expected[step]
        assert travel.memory.tobytes() == memories[step]
        for back in range(1, 20):
            if step - back >= 0:
                assert travel.step_back()
                assert travel.state.registers == expected[step - back]
        for on in range(max(0, step - 19) + 1, step + 2):
            assert travel.step()
            assert travel.state.registers == expected[on]
    # The last round but one began where $10 had its last value but one.
    travel.go_to(expected[-1].cycle)
    rounds = [row for row in expected if row.pc == START]
    assert travel.run_back_to(AtAddress({START}))
    assert travel.state.registers == rounds[-1]
    value = int(travel.memory[0x10]) - 1
    assert travel.run_back_to(MemoryIs(0x10, value & 0xFF))
    assert travel.state.registers == expected[expected.index(rounds[-1]) - 2]


def memories_at(steps: list[int]) -> dict[int, bytes]:
    mpu = MPU(memory=list(image()), pc=START)
    mpu.sp, mpu.p = 0xFD, 0x34
    found = {}
    for step in range(steps[-1] + 1):
        if step in steps:
            found[step] = bytes(mpu.memory)
        mpu.step()
    return found
