"""Disassembly of the instruction table; what assemblers make of it stands in tests/outside."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from busplay.core.disassembly import disassemble, disassemble_around
from busplay.core.instructions import INSTRUCTIONS, MODE_BYTES
from tests.history.programs import programs


def memory_with(address: int, code: str) -> np.ndarray[tuple[int], np.dtype[np.uint8]]:
    memory = np.full(0x10000, 0x02, np.uint8)
    data = bytes.fromhex(code)
    memory[(address + np.arange(len(data))) % 0x10000] = list(data)
    return memory


@pytest.mark.parametrize(
    ("code", "text", "operand_address"),
    [
        ("EA", "nop", None),
        ("0A", "asl a", None),
        ("A942", "lda #$42", None),
        ("A510", "lda $10", 0x10),
        ("9D0040", "sta $4000,x", 0x4000),
        ("6CFCFF", "jmp ($FFFC)", 0xFFFC),
        ("7C0002", "jmp ($0200,x)", 0x0200),
        ("B110", "lda ($10),y", 0x10),
        ("9210", "sta ($10)", 0x10),
        ("D0FE", "bne $0200", 0x0200),
        ("F07F", "beq $0281", 0x0281),
        ("0F10FD", "bbr0 $10,$0200", 0x0200),
        ("02", ".byte $02", None),
    ],
)
def test_each_mode(code: str, text: str, operand_address: int | None) -> None:
    line = disassemble(memory_with(0x0200, code), 0x0200, processor="65c02")
    assert line.text == text
    assert line.data == bytes.fromhex(code)
    assert line.operand_address == operand_address


def test_an_instruction_goes_round_at_the_end_of_memory() -> None:
    line = disassemble(memory_with(0xFFFF, "8D0040"), 0xFFFF, processor="6502")
    assert str(line) == "$FFFF  8D 00 40  sta $4000"
    assert disassemble_around(memory_with(0xFFFF, "8D0040"), 0xFFFF, processor="6502")[-1] == line


def test_undocumented_instructions_are_known_if_wanted() -> None:
    memory = memory_with(0x0200, "A710")
    assert disassemble(memory, 0x0200, processor="6502").text == ".byte $A7"
    assert disassemble(memory, 0x0200, processor="6502", undocumented=True).text == "lax $10"


def test_lines_before_begin_where_they_lead_to_the_address() -> None:
    # LDA #$A9, STA $A920, NOP: read from the second byte it would be LDA #$8D, JSR.
    memory = memory_with(0x0200, "A9A9 8D20A9 EA C8")
    lines = disassemble_around(memory, 0x0205, processor="6502", before=2, after=1)
    assert [line.text for line in lines] == ["lda #$A9", "sta $A920", "nop", "iny"]
    known = disassemble_around(
        memory, 0x0205, processor="6502", before=2, after=0, starts={0x0204}
    )  # fmt: skip
    assert known[-1].address == 0x0205


@given(st.data(), st.integers(0, 12), st.integers(0, 12))
def test_lines_follow_each_other_and_hold_the_memory(
    drawn: st.DataObject, before: int, after: int
) -> None:
    memory = np.zeros(0x10000, np.uint8)
    memory[0xC000:] = list(drawn.draw(programs("65c02")))
    address = drawn.draw(st.integers(0, 0xFFFF))
    lines = disassemble_around(memory, address, processor="65c02", before=before, after=after)
    at = lines[0].address
    assert at <= address
    assert address in [line.address for line in lines]
    assert sum(line.address < address for line in lines) <= before
    for line in lines:
        assert line.address == at
        assert bytes(memory[np.arange(at, at + len(line.data)) % 0x10000]) == line.data
        row = INSTRUCTIONS["65c02"].get(line.data[0])
        assert len(line.data) == (1 if row is None else MODE_BYTES[row.mode])
        at += len(line.data)
