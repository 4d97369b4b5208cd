"""Lengths and write cycles as the makers' manuals state them, on programs of one instruction."""

from __future__ import annotations

import pytest

from busplay.core.make import make_core

MANUAL = "MCS6500 Microcomputer Family Programming Manual (1976)"
SHEET = "W65C02S data sheet"
ROCKWELL = "Rockwell data booklet 29651N52 (1984)"

PROCESSORS = ("6502", "65c02")


def written(processor: str, code: bytes, *, p: int = 0x34) -> tuple[int, list[int]]:
    """Run one instruction; return its cycles and the numbers of its write cycles, from 1."""
    core = make_core("reference", processor)
    core.memory[:] = 0x11
    core.memory[0x0200 : 0x0200 + len(code)] = list(code)
    core.memory[0x0040:0x0042] = [0xF0, 0x30]
    core.pc, core.s, core.p = 0x0200, 0xFF, p
    core.x = core.y = 0x20
    cycles = core.step()
    return cycles, [int(cycle) + 1 for cycle in core.take_stores().cycle]


STORES = [
    ("STA zp", "85 40", 3),
    ("STX zp", "86 40", 3),
    ("STY zp", "84 40", 3),
    ("STA zp,X", "95 40", 4),
    ("STX zp,Y", "96 40", 4),
    ("STY zp,X", "94 40", 4),
    ("STA abs", "8D 00 40", 4),
    ("STX abs", "8E 00 40", 4),
    ("STY abs", "8C 00 40", 4),
    ("STA abs,X", "9D 00 40", 5),
    ("STA abs,X over a page", "9D F0 40", 5),
    ("STA abs,Y", "99 00 40", 5),
    ("STA abs,Y over a page", "99 F0 40", 5),
    ("STA (zp,X)", "81 20", 6),
    ("STA (zp),Y over a page", "91 40", 6),
    ("PHA", "48", 3),
    ("PHP", "08", 3),
]


@pytest.mark.source(MANUAL, part="summary of instructions: stores and pushes", kind="from memory")
@pytest.mark.source(SHEET, part="opcode table: stores and pushes", kind="from memory")
@pytest.mark.parametrize("processor", PROCESSORS)
@pytest.mark.parametrize(("name", "code", "cycles"), STORES)
def test_store_takes_its_cycles_and_writes_in_the_last(
    processor: str, name: str, code: str, cycles: int
) -> None:
    assert written(processor, bytes.fromhex(code)) == (cycles, [cycles]), name


ADDED = [
    ("STA (zp)", "92 40", 5),
    ("STZ zp", "64 40", 3),
    ("STZ zp,X", "74 40", 4),
    ("STZ abs", "9C 00 40", 4),
    ("STZ abs,X", "9E 00 40", 5),
    ("STZ abs,X over a page", "9E F0 40", 5),
    ("PHX", "DA", 3),
    ("PHY", "5A", 3),
    ("TSB zp", "04 40", 5),
    ("TSB abs", "0C 00 40", 6),
    ("TRB zp", "14 40", 5),
    ("TRB abs", "1C 00 40", 6),
    ("RMB0 zp", "07 40", 5),
    ("SMB7 zp", "F7 40", 5),
]


@pytest.mark.source(SHEET, part="opcode table: instructions added", kind="from memory")
@pytest.mark.parametrize(("name", "code", "cycles"), ADDED)
def test_added_instruction_of_the_65c02_writes_once_in_its_last_cycle(
    name: str, code: str, cycles: int
) -> None:
    assert written("65c02", bytes.fromhex(code)) == (cycles, [cycles]), name


@pytest.mark.source(SHEET, part="opcode table: BRA", kind="from memory")
@pytest.mark.parametrize(("code", "cycles"), [("80 10", 3), ("80 F0", 4)])
def test_bra_takes_three_cycles_and_four_over_a_page(code: str, cycles: int) -> None:
    assert written("65c02", bytes.fromhex(code)) == (cycles, [])


@pytest.mark.source(MANUAL, part="JSR and BRK, cycle by cycle", kind="from memory")
@pytest.mark.parametrize("processor", PROCESSORS)
def test_jsr_and_brk_push_in_their_middle_cycles(processor: str) -> None:
    assert written(processor, bytes.fromhex("20 00 40")) == (6, [4, 5])
    assert written(processor, bytes.fromhex("00 00")) == (7, [3, 4, 5])


MODIFY = {"ASL": "06", "LSR": "46", "ROL": "26", "ROR": "66", "INC": "E6", "DEC": "C6"}


def modify_code(name: str, mode: str) -> bytes:
    """Make the instruction from its zero-page opcode, as the opcodes are laid out."""
    opcode = int(MODIFY[name], 16)
    return {
        "zp": bytes([opcode, 0x40]),
        "zp,X": bytes([opcode + 0x10, 0x40]),
        "abs": bytes([opcode + 0x08, 0x00, 0x40]),
        "abs,X": bytes([opcode + 0x18, 0x00, 0x40]),
        "abs,X over a page": bytes([opcode + 0x18, 0xF0, 0x40]),
    }[mode]


@pytest.mark.source(
    ROCKWELL, part="differences: NMOS read-modify-write, one read, two writes", kind="data sheet"
)
@pytest.mark.parametrize("name", MODIFY)
@pytest.mark.parametrize(
    ("mode", "cycles"),
    [("zp", 5), ("zp,X", 6), ("abs", 6), ("abs,X", 7), ("abs,X over a page", 7)],
)
def test_nmos_read_modify_write_writes_in_its_last_two_cycles(
    name: str, mode: str, cycles: int
) -> None:
    assert written("6502", modify_code(name, mode)) == (cycles, [cycles - 1, cycles])


@pytest.mark.source(
    ROCKWELL, part="differences: CMOS read-modify-write, two reads, one write", kind="data sheet"
)
@pytest.mark.parametrize("name", MODIFY)
def test_cmos_read_modify_write_writes_in_its_last_cycle(name: str) -> None:
    within = 7 if name in ("INC", "DEC") else 6
    lengths = {"zp": 5, "zp,X": 6, "abs": 6, "abs,X": within, "abs,X over a page": 7}
    for mode, cycles in lengths.items():
        assert written("65c02", modify_code(name, mode)) == (cycles, [cycles]), mode


@pytest.mark.source(
    ROCKWELL, part="differences: NMOS read-modify-write, first the old value", kind="data sheet"
)
def test_nmos_read_modify_write_puts_the_old_value_back_first() -> None:
    core = make_core("reference", "6502")
    core.memory[0x0200:0x0203] = [0xEE, 0x00, 0x40]
    core.memory[0x4000] = 0x41
    core.pc = 0x0200
    core.step()
    stores = core.take_stores()
    assert stores.address.tolist() == [0x4000, 0x4000]
    assert stores.data.tolist() == [0x41, 0x42]


@pytest.mark.source(ROCKWELL, part="differences: decimal ADC and SBC", kind="data sheet")
@pytest.mark.parametrize("code", ["69 01", "E9 01"])
def test_decimal_mode_costs_a_cycle_on_the_65c02_only(code: str) -> None:
    decimal = 0x3C
    assert written("6502", bytes.fromhex(code), p=decimal)[0] == 2
    assert written("65c02", bytes.fromhex(code), p=decimal)[0] == 3
    assert written("65c02", bytes.fromhex(code))[0] == 2


@pytest.mark.source(MANUAL, part="indexed reads over a page", kind="from memory")
@pytest.mark.parametrize("processor", PROCESSORS)
@pytest.mark.parametrize(
    ("code", "cycles"),
    [("BD 00 40", 4), ("BD F0 40", 5), ("B9 00 40", 4), ("B9 F0 40", 5), ("B1 40", 6)],
)
def test_indexed_read_takes_one_more_cycle_over_a_page(
    processor: str, code: str, cycles: int
) -> None:
    assert written(processor, bytes.fromhex(code)) == (cycles, [])


@pytest.mark.source(
    MANUAL, part="reset sequence: seven cycles, vector at $FFFC", kind="from memory"
)
@pytest.mark.source(SHEET, part="reset: I set, D clear", kind="from memory")
@pytest.mark.parametrize("processor", PROCESSORS)
def test_reset_takes_seven_cycles_and_goes_to_its_vector(processor: str) -> None:
    core = make_core("reference", processor)
    core.memory[0xFFFC:0xFFFE] = [0x34, 0x12]
    core.p = 0x38
    assert core.reset() == core.cycle == 7
    assert core.pc == 0x1234
    assert core.s == 0xFD
    assert core.p == (0x3C if processor == "6502" else 0x34)
    assert len(core.take_stores()) == 0
