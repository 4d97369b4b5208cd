"""C programs in the simulator that comes with cc65, and in the compiled core: output, exit
status and every cycle.

The simulator does a program's input and output by hand when it calls $FFF4 to $FFF9. Here an
undocumented opcode stands at these addresses, so that the core stops and the same is done.

It is known to be wrong about one thing (version 2.19; found here, branch by branch): whether a
taken branch leaves its page it tells from the page of the branch's opcode. By the manuals, and
in every case of the per-cycle test set, it is the page of the instruction behind. The two
differ for a branch that straddles the end of a page, so programs are linked where none does.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from busplay.core.compiled.core import CompiledCore
from busplay.core.instructions import INSTRUCTIONS, Mode
from busplay.core.memory_map import MemoryMap
from busplay.description.board import Memory

SOURCES = Path(__file__).parent / "c_programs"
PROGRAMS = sorted(path.stem for path in SOURCES.glob("*.c"))
PROCESSORS = {"6502": "sim6502", "65c02": "sim65c02"}

pytestmark = [
    pytest.mark.source(
        "sim65 (cc65)", part="output, exit status and cycles of C programs", kind="library"
    ),
    pytest.mark.skipif(
        not (shutil.which("cl65") and shutil.which("sim65")),
        reason="cc65 is not installed (Debian: apt install cc65)",
    ),
]

HEADER_BYTES = 12
STOP_OPCODE = 0x02
WRITE, ARGUMENTS, EXIT = 0xFFF7, 0xFFF8, 0xFFF9
RESET_CYCLES = 7
# The simulator prints its count before it adds the jump that led to EXIT.
EXIT_JUMP_CYCLES = 3


@dataclass(frozen=True, slots=True)
class Result:
    """What a program did."""

    output: bytes
    status: int
    cycles: int


def run_in_simulator(program: Path) -> Result:
    # In its folder: the program's name is an argument, and lies on its stack.
    done = subprocess.run(
        ["sim65", "-c", program.name], cwd=program.parent, capture_output=True, check=False
    )
    text = done.stdout + done.stderr
    count = re.search(rb"(\d+) cycles\s*$", text)
    assert count is not None, text
    return Result(text[: count.start()], done.returncode, int(count[1]))


class HostedCore:
    """A core over 64 KiB of RAM, with the simulator's calls done by the host."""

    def __init__(self, processor: str, program: Path) -> None:
        image = program.read_bytes()
        assert image[:6] == b"sim65\x02"
        self.stack_pointer = image[7]
        load, start = (int.from_bytes(image[at : at + 2], "little") for at in (8, 10))
        ram = MemoryMap.of_parts((Memory("ram", 0, 0xFFFF),))
        self.core = CompiledCore(processor, ram)
        self.core.log_instructions(wanted=True)
        self.ran = np.zeros(0x10000, np.bool_)
        code = np.frombuffer(image[HEADER_BYTES:], np.uint8)
        self.core.memory[load : load + len(code)] = code
        self.core.memory[0xFFF4 : EXIT + 1] = STOP_OPCODE
        self.core.pc, self.core.s = start, 0xFF
        self.name = program.name.encode()
        self.output = b""
        self.resets = 0

    def run(self) -> Result:
        core = self.core
        while True:
            core.run(1_000_000)
            self.ran[core.take_instructions().pc] = True
            stop = core.stop
            if stop is None:
                continue
            assert 0xFFF4 <= stop.address <= EXIT, stop.reason
            if stop.address == EXIT:
                cycles = core.cycle - self.resets * RESET_CYCLES - EXIT_JUMP_CYCLES
                return Result(self.output, core.a, cycles)
            self.resume()
            if stop.address == WRITE:
                self.write()
            elif stop.address == ARGUMENTS:
                self.give_arguments()
            else:
                pytest.fail(f"the program called ${stop.address:04X}")
            self.return_to_caller()

    def straddling_branches(self) -> list[int]:
        """Return the branches that ran and have their end on another page than their opcode."""
        rows = INSTRUCTIONS[self.core.processor]
        return [
            place
            for place in np.flatnonzero(self.ran).tolist()
            if place & 0xFF >= 0xFE
            and (row := rows.get(int(self.core.memory[place])))
            and row.mode is Mode.RELATIVE
        ]

    def resume(self) -> None:
        """End the stop; only a reset does, so put everything back that it changed."""
        core = self.core
        kept = (core.pc, core.s, core.p)
        core.reset()
        self.resets += 1
        core.pc, core.s, core.p = kept

    def return_to_caller(self) -> None:
        core = self.core
        low, high = (int(core.memory[0x100 + (core.s + place & 0xFF)]) for place in (1, 2))
        core.s = core.s + 2 & 0xFF
        core.pc = (low | high << 8) + 1

    def write(self) -> None:
        """Do write(file, buffer, count): the count in A and X, the rest on the C stack."""
        core = self.core
        count = core.a | core.x << 8
        stack = self.word(self.stack_pointer)
        buffer, file = self.word(stack), self.word(stack + 2)
        assert file in (1, 2)
        self.set_word(self.stack_pointer, stack + 4)
        self.output += core.memory[buffer : buffer + count].tobytes()

    def give_arguments(self) -> None:
        """Put argv, with the program's name only, below the C stack; argc goes to A and X."""
        core = self.core
        pointers = self.word(self.stack_pointer) - 4
        name = pointers - len(self.name) - 1
        self.set_word(core.a | core.x << 8, pointers)
        core.memory[name:pointers] = list(self.name + b"\0")
        self.set_word(pointers, name)
        self.set_word(pointers + 2, 0)
        self.set_word(self.stack_pointer, name)
        core.a, core.x = 1, 0

    def word(self, address: int) -> int:
        return int(self.core.memory[address]) | int(self.core.memory[address + 1]) << 8

    def set_word(self, address: int, value: int) -> None:
        self.core.memory[address : address + 2] = [value & 0xFF, value >> 8]


def build(folder: Path, name: str, processor: str, *, moved_bytes: int) -> Path:
    """Compile a program that lies in a folder and link it, most of it moved up by some bytes."""
    program = folder / f"{name}.{processor}"
    padding = folder / "padding.s"
    padding.write_text(f'.segment "LOWCODE"\n.res {moved_bytes}\n')
    target = PROCESSORS[processor]
    subprocess.run(
        ["cl65", "-O", "-t", target, "-o", program, f"{name}.c", padding], cwd=folder, check=True
    )
    return program


@pytest.mark.parametrize("processor", PROCESSORS)
@pytest.mark.parametrize("name", PROGRAMS)
def test_c_program_does_the_same_in_the_same_cycles(
    tmp_path: Path, name: str, processor: str
) -> None:
    # cl65 leaves objects beside the source.
    source = tmp_path / f"{name}.c"
    source.write_bytes((SOURCES / f"{name}.c").read_bytes())
    for moved_bytes in range(16):
        program = build(tmp_path, name, processor, moved_bytes=moved_bytes)
        hosted = HostedCore(processor, program)
        result = hosted.run()
        if not hosted.straddling_branches():
            break
    assert not hosted.straddling_branches()
    assert result.cycles > 100_000
    assert result == run_in_simulator(program)
