"""The instructions of the NMOS 6502 and the W65C02S, as facts.

# Follows: MCS6500 Microcomputer Family Programming Manual (1976), summary of instructions and
#          addressing; W65C02S data sheet, opcode and instruction tables
# Read in: the manuals from memory; every row but WAI and STP agrees with the per-cycle open
#          test set in tests/data/singlestep_65x02, which the tests prove
# Departs: undocumented NMOS opcodes and the W65C02S's undefined ones (NOPs) have no row

A line is a mnemonic, then `mode opcode cycles` for each of its opcodes. After the cycles:
`+` one cycle more if indexing crosses a page, `b` one more if the branch is taken and yet one
if it lands in another page, `d` one more in decimal mode.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Mode(StrEnum):
    """Addressing modes, as assemblers write them."""

    IMPLIED = "imp"
    ACCUMULATOR = "a"
    IMMEDIATE = "imm"
    ZERO_PAGE = "zp"
    ZERO_PAGE_X = "zp,x"
    ZERO_PAGE_Y = "zp,y"
    ABSOLUTE = "abs"
    ABSOLUTE_X = "abs,x"
    ABSOLUTE_Y = "abs,y"
    INDIRECT = "(abs)"
    INDIRECT_ABSOLUTE_X = "(abs,x)"
    INDIRECT_X = "(zp,x)"
    INDIRECT_Y = "(zp),y"
    ZERO_PAGE_INDIRECT = "(zp)"
    RELATIVE = "rel"
    ZERO_PAGE_RELATIVE = "zp,rel"


class Access(StrEnum):
    """What an instruction does with memory besides fetching itself and pointers.

    The cycles are counted from the instruction's last, without what a branch or decimal mode
    adds behind; `busplay.core.cycles` turns them into tables.
    """

    NONE = "none"
    READ = "read"
    """One read, in the last cycle."""
    WRITE = "write"
    """One write, in the last cycle."""
    MODIFY = "modify"
    """A read in the last cycle but two; the NMOS 6502 then writes twice, first the old value;
    the 65C02 reads once more and writes once, in the last cycle."""
    PUSH = "push"
    """One write to the stack, in the last cycle."""
    CALL = "call"
    """JSR: writes in cycles 4 and 5 of 6."""
    BREAK = "break"
    """BRK and the interrupt sequence: writes in cycles 3, 4 and 5 of 7."""
    BIT_BRANCH = "bit branch"
    """BBR and BBS: the read in cycle 3 of 5, the branch behind it."""


@dataclass(frozen=True, slots=True)
class Instruction:
    """One opcode.

    Attributes:
        cycles: without the cycles that the three rules add.
        page_cycle: one cycle more if indexing crosses a page.
        branch_cycles: one cycle more if taken, yet one if taken to another page.
        decimal_cycle: one cycle more if D is set.
    """

    opcode: int
    mnemonic: str
    mode: Mode
    cycles: int
    access: Access
    page_cycle: bool = False
    branch_cycles: bool = False
    decimal_cycle: bool = False


MODE_BYTES = {
    Mode.IMPLIED: 1,
    Mode.ACCUMULATOR: 1,
    Mode.IMMEDIATE: 2,
    Mode.ZERO_PAGE: 2,
    Mode.ZERO_PAGE_X: 2,
    Mode.ZERO_PAGE_Y: 2,
    Mode.ABSOLUTE: 3,
    Mode.ABSOLUTE_X: 3,
    Mode.ABSOLUTE_Y: 3,
    Mode.INDIRECT: 3,
    Mode.INDIRECT_ABSOLUTE_X: 3,
    Mode.INDIRECT_X: 2,
    Mode.INDIRECT_Y: 2,
    Mode.ZERO_PAGE_INDIRECT: 2,
    Mode.RELATIVE: 2,
    Mode.ZERO_PAGE_RELATIVE: 3,
}
"""Length of an instruction of each mode; BRK is followed by a byte that it skips."""

# fmt: off
_NMOS_6502 = """
ADC  imm 69 2 | zp 65 3 | zp,x 75 4 | abs 6D 4
ADC  abs,x 7D 4+ | abs,y 79 4+ | (zp,x) 61 6 | (zp),y 71 5+
AND  imm 29 2 | zp 25 3 | zp,x 35 4 | abs 2D 4
AND  abs,x 3D 4+ | abs,y 39 4+ | (zp,x) 21 6 | (zp),y 31 5+
CMP  imm C9 2 | zp C5 3 | zp,x D5 4 | abs CD 4
CMP  abs,x DD 4+ | abs,y D9 4+ | (zp,x) C1 6 | (zp),y D1 5+
EOR  imm 49 2 | zp 45 3 | zp,x 55 4 | abs 4D 4
EOR  abs,x 5D 4+ | abs,y 59 4+ | (zp,x) 41 6 | (zp),y 51 5+
LDA  imm A9 2 | zp A5 3 | zp,x B5 4 | abs AD 4
LDA  abs,x BD 4+ | abs,y B9 4+ | (zp,x) A1 6 | (zp),y B1 5+
ORA  imm 09 2 | zp 05 3 | zp,x 15 4 | abs 0D 4
ORA  abs,x 1D 4+ | abs,y 19 4+ | (zp,x) 01 6 | (zp),y 11 5+
SBC  imm E9 2 | zp E5 3 | zp,x F5 4 | abs ED 4
SBC  abs,x FD 4+ | abs,y F9 4+ | (zp,x) E1 6 | (zp),y F1 5+
BIT  zp 24 3   | abs 2C 4
CPX  imm E0 2  | zp E4 3 | abs EC 4
CPY  imm C0 2  | zp C4 3 | abs CC 4
LDX  imm A2 2  | zp A6 3 | zp,y B6 4 | abs AE 4 | abs,y BE 4+
LDY  imm A0 2  | zp A4 3 | zp,x B4 4 | abs AC 4 | abs,x BC 4+
STA  zp 85 3   | zp,x 95 4 | abs 8D 4 | abs,x 9D 5 | abs,y 99 5 | (zp,x) 81 6 | (zp),y 91 6
STX  zp 86 3   | zp,y 96 4 | abs 8E 4
STY  zp 84 3   | zp,x 94 4 | abs 8C 4
ASL  a 0A 2    | zp 06 5 | zp,x 16 6 | abs 0E 6 | abs,x 1E 7
LSR  a 4A 2    | zp 46 5 | zp,x 56 6 | abs 4E 6 | abs,x 5E 7
ROL  a 2A 2    | zp 26 5 | zp,x 36 6 | abs 2E 6 | abs,x 3E 7
ROR  a 6A 2    | zp 66 5 | zp,x 76 6 | abs 6E 6 | abs,x 7E 7
DEC  zp C6 5   | zp,x D6 6 | abs CE 6 | abs,x DE 7
INC  zp E6 5   | zp,x F6 6 | abs EE 6 | abs,x FE 7
BCC  rel 90 2b
BCS  rel B0 2b
BEQ  rel F0 2b
BMI  rel 30 2b
BNE  rel D0 2b
BPL  rel 10 2b
BVC  rel 50 2b
BVS  rel 70 2b
JMP  abs 4C 3  | (abs) 6C 5
JSR  abs 20 6
RTS  imp 60 6
RTI  imp 40 6
BRK  imp 00 7
PHA  imp 48 3
PHP  imp 08 3
PLA  imp 68 4
PLP  imp 28 4
CLC  imp 18 2
CLD  imp D8 2
CLI  imp 58 2
CLV  imp B8 2
SEC  imp 38 2
SED  imp F8 2
SEI  imp 78 2
DEX  imp CA 2
DEY  imp 88 2
INX  imp E8 2
INY  imp C8 2
TAX  imp AA 2
TAY  imp A8 2
TSX  imp BA 2
TXA  imp 8A 2
TXS  imp 9A 2
TYA  imp 98 2
NOP  imp EA 2
"""

# What the W65C02S has on top of the NMOS 6502, or does otherwise.
_W65C02S = """
ADC  imm 69 2d | zp 65 3d | zp,x 75 4d | abs 6D 4d
ADC  abs,x 7D 4+d | abs,y 79 4+d | (zp,x) 61 6d | (zp),y 71 5+d | (zp) 72 5d
SBC  imm E9 2d | zp E5 3d | zp,x F5 4d | abs ED 4d
SBC  abs,x FD 4+d | abs,y F9 4+d | (zp,x) E1 6d | (zp),y F1 5+d | (zp) F2 5d
AND  (zp) 32 5
CMP  (zp) D2 5
EOR  (zp) 52 5
LDA  (zp) B2 5
ORA  (zp) 12 5
STA  (zp) 92 5
BIT  imm 89 2  | zp,x 34 4 | abs,x 3C 4+
STZ  zp 64 3   | zp,x 74 4 | abs 9C 4 | abs,x 9E 5
ASL  abs,x 1E 6+
LSR  abs,x 5E 6+
ROL  abs,x 3E 6+
ROR  abs,x 7E 6+
DEC  a 3A 2
INC  a 1A 2
TRB  zp 14 5   | abs 1C 6
TSB  zp 04 5   | abs 0C 6
BRA  rel 80 2b
JMP  (abs) 6C 6 | (abs,x) 7C 6
PHX  imp DA 3
PHY  imp 5A 3
PLX  imp FA 4
PLY  imp 7A 4
WAI  imp CB 3
STP  imp DB 3
RMB0 zp 07 5
RMB1 zp 17 5
RMB2 zp 27 5
RMB3 zp 37 5
RMB4 zp 47 5
RMB5 zp 57 5
RMB6 zp 67 5
RMB7 zp 77 5
SMB0 zp 87 5
SMB1 zp 97 5
SMB2 zp A7 5
SMB3 zp B7 5
SMB4 zp C7 5
SMB5 zp D7 5
SMB6 zp E7 5
SMB7 zp F7 5
BBR0 zp,rel 0F 5b
BBR1 zp,rel 1F 5b
BBR2 zp,rel 2F 5b
BBR3 zp,rel 3F 5b
BBR4 zp,rel 4F 5b
BBR5 zp,rel 5F 5b
BBR6 zp,rel 6F 5b
BBR7 zp,rel 7F 5b
BBS0 zp,rel 8F 5b
BBS1 zp,rel 9F 5b
BBS2 zp,rel AF 5b
BBS3 zp,rel BF 5b
BBS4 zp,rel CF 5b
BBS5 zp,rel DF 5b
BBS6 zp,rel EF 5b
BBS7 zp,rel FF 5b
"""
# fmt: on

_MNEMONICS_OF_ACCESS = {
    Access.READ: "ADC AND BIT CMP CPX CPY EOR LDA LDX LDY ORA SBC",
    Access.WRITE: "STA STX STY STZ",
    Access.MODIFY: "ASL DEC INC LSR ROL ROR TRB TSB"
    " RMB0 RMB1 RMB2 RMB3 RMB4 RMB5 RMB6 RMB7 SMB0 SMB1 SMB2 SMB3 SMB4 SMB5 SMB6 SMB7",
    Access.PUSH: "PHA PHP PHX PHY",
    Access.CALL: "JSR",
    Access.BREAK: "BRK",
    Access.BIT_BRANCH: "BBR0 BBR1 BBR2 BBR3 BBR4 BBR5 BBR6 BBR7"
    " BBS0 BBS1 BBS2 BBS3 BBS4 BBS5 BBS6 BBS7",
}
_ACCESS_OF_MNEMONIC = {
    mnemonic: access for access, names in _MNEMONICS_OF_ACCESS.items() for mnemonic in names.split()
}


def _rows(text: str) -> dict[int, Instruction]:
    table = {}
    for line in text.split("\n"):
        mnemonic, _, entries = line.partition(" ")
        for entry in entries.split("|") if mnemonic else ():
            mode, opcode, cycles = entry.split()
            access = _ACCESS_OF_MNEMONIC.get(mnemonic, Access.NONE)
            if mode == Mode.ACCUMULATOR:
                access = Access.NONE
            table[int(opcode, 16)] = Instruction(
                int(opcode, 16),
                mnemonic,
                Mode(mode),
                int(cycles[0]),
                access,
                page_cycle="+" in cycles,
                branch_cycles="b" in cycles,
                decimal_cycle="d" in cycles,
            )
    return table


NMOS_6502: dict[int, Instruction] = _rows(_NMOS_6502)
"""The 151 documented opcodes."""

W65C02S: dict[int, Instruction] = NMOS_6502 | _rows(_W65C02S)
"""The 212 defined opcodes."""

INSTRUCTIONS: dict[str, dict[int, Instruction]] = {"6502": NMOS_6502, "65c02": W65C02S}
"""The tables by processor, as board files name them."""
