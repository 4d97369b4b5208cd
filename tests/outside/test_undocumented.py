"""Undocumented instructions against other sources: encodings, lengths, cycles."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

from busplay.core.instructions import MODE_BYTES, UNDOCUMENTED
from busplay.core.make import make_core

# How an assembler writes an operand of each mode.
OPERANDS = {
    "imm": "#$12",
    "zp": "$12",
    "zp,x": "$12,x",
    "zp,y": "$12,y",
    "abs": "$1234",
    "abs,x": "$1234,x",
    "abs,y": "$1234,y",
    "(zp,x)": "($12,x)",
    "(zp),y": "($12),y",
}
# The assembler's name where it is not ours.
THEIR_NAMES = {"SBX": "axs"}


@pytest.mark.source("ca65 (cc65)", part="instruction set 6502X", kind="library")
@pytest.mark.skipif(
    not (shutil.which("ca65") and shutil.which("ld65")),
    reason="cc65 is not installed (Debian: apt install cc65)",
)
def test_assembler_writes_our_opcodes(tmp_path: Path) -> None:
    """It has one opcode for each name and mode; ours may be several, and then it is one of them.

    SBC is left out: it means the documented one; so are NOPs without operand.
    """
    forms = sorted(
        {
            (row.mnemonic, str(row.mode))
            for row in UNDOCUMENTED["6502"].values()
            if row.mnemonic != "SBC" and str(row.mode) in OPERANDS
        }
    )
    assert len(forms) == 6 * 7 + 4 + 6 + 4 + 5
    lines = [
        f"{THEIR_NAMES.get(name, name).lower()} {OPERANDS[mode]}\n .res 3, $EA"
        for name, mode in forms
    ]
    source = tmp_path / "forms.s"
    source.write_text('.setcpu "6502X"\n' + "\n".join(lines) + "\n", encoding="ascii")
    for command in (
        ["ca65", "forms.s", "-o", "forms.o"],
        ["ld65", "-t", "none", "forms.o", "-o", "forms.bin"],
    ):
        subprocess.run(command, cwd=tmp_path, check=True)
    code, at = (tmp_path / "forms.bin").read_bytes(), 0
    for name, mode in forms:
        row = UNDOCUMENTED["6502"][code[at]]
        assert (row.mnemonic, str(row.mode)) == (name, mode)
        length = MODE_BYTES[row.mode]
        assert code[at + 1 : at + length] == (b"\x12" if length == 2 else b"\x34\x12")
        at += length
        assert code[at : at + 3] == b"\xea\xea\xea"
        at += 3
    assert at == len(code)


# Opcodes; bytes, cycles.
RESERVED = {
    "column 2, even rows but LDX": (
        [0x02, 0x22, 0x42, 0x62, 0x82, 0xC2, 0xE2],
        (2, 2),
    ),
    "column 3": ([*range(0x03, 0x100, 0x10)], (1, 1)),
    "column B but for WAI and STP": (
        [opcode for opcode in range(0x0B, 0x100, 0x10) if opcode not in (0xCB, 0xDB)],
        (1, 1),
    ),
    "$44": ([0x44], (2, 3)),
    "$54, $D4, $F4": ([0x54, 0xD4, 0xF4], (2, 4)),
    "$5C": ([0x5C], (3, 8)),
    "$DC, $FC": ([0xDC, 0xFC], (3, 4)),
}


@pytest.mark.source(
    "W65C02S data sheet", part="reserved opcodes: bytes and cycles", kind="from memory"
)
@pytest.mark.parametrize("which", RESERVED)
def test_reserved_opcodes_of_the_w65c02s_take_their_bytes_and_cycles(which: str) -> None:
    opcodes, (length, cycles) = RESERVED[which]
    core = make_core("compiled", "65c02", undocumented="run")
    for opcode in opcodes:
        core.memory[0x0200] = opcode
        core.pc = 0x0200
        assert core.step() == cycles, hex(opcode)
        assert core.pc == 0x0200 + length, hex(opcode)


@pytest.mark.source(
    "W65C02S data sheet", part="reserved opcodes: which there are", kind="from memory"
)
def test_reserved_opcodes_of_the_w65c02s_are_all_there() -> None:
    named = [opcode for opcodes, _ in RESERVED.values() for opcode in opcodes]
    assert sorted(named) == sorted(UNDOCUMENTED["65c02"])


@pytest.mark.source(
    "SingleStepTests/ProcessorTests",
    part="issue 46, pull request 50: NMOS NOP abs takes 4 cycles, abs,x 4 or 5",
    kind="open data",
)
@pytest.mark.parametrize("opcode", [0x0C, 0x1C, 0x3C, 0x5C, 0x7C, 0xDC, 0xFC])
def test_nops_with_a_whole_address_read_their_operand(opcode: int) -> None:
    core = make_core("compiled", "6502", undocumented="run")
    core.memory[0x0200:0x0203] = [opcode, 0xF0, 0x12]
    core.x = 0x0F
    core.pc = 0x0200
    assert core.step() == 4
    core.pc, core.x = 0x0200, 0x10
    assert core.step() == (4 if opcode == 0x0C else 5)


@pytest.mark.source(
    "SingleStepTests/65x02", part="issue 12: $5C measured on a chip", kind="open data"
)
def test_5c_takes_the_eight_cycles_that_were_measured() -> None:
    core = make_core("compiled", "65c02", undocumented="run")
    core.memory[0x0200:0x0203] = [0x5C, 0x34, 0x12]
    core.pc = 0x0200
    assert core.step() == 8
