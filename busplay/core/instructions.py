"""The instructions of the NMOS 6502 and the W65C02S, as facts.

# Follows: MCS6500 Microcomputer Family Programming Manual (1976), summary of instructions and
#          addressing; W65C02S data sheet, opcode and instruction tables
# Read in: the manuals from memory; every row but WAI and STP agrees with the per-cycle open
#          test set in tests/data/singlestep_65x02, which the tests prove

Undocumented instructions have tables of their own, used only for boards that say
`undocumented = "run"`.

# Follows: NMOS 6502: the open test set SingleStepTests/65x02, with the names that most
#          assemblers have; W65C02S: data sheet, table of reserved opcodes
# Read in: the data sheet from memory; the set as of 2022, 10,000 cases an opcode, all run once:
#          registers, memory, cycles and writes agree except as follows
# Departs: NMOS NOP abs and abs,x read their operand, one cycle more than in those cases, as the
#          set itself has it since its pull request 50; W65C02S $5C takes the data sheet's 8
#          cycles, as a measured chip does (issue 12), not the set's 4, and $DC and $FC read
#          their operand where the set reads the instruction again. NMOS opcodes that lock up
#          the processor, or depend on the chip, have a name and no row

A line is a mnemonic, then `mode opcode cycles` for each of its opcodes. After the cycles:
`+` one more if indexing crosses a page, `b` one more if the branch is taken and another if to
another page, `d` one more in decimal mode; `-` the operand is not read.
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
    """An instruction's memory accesses, besides fetches of itself and of pointers.

    `busplay.core.cycles` makes tables of them.
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
    """BBR and BBS: the read in cycle 3 of 5, then the branch."""


@dataclass(frozen=True, slots=True)
class Instruction:
    """One opcode.

    Attributes:
        cycles: without those of the next three rules.
        page_cycle: one more if indexing crosses a page.
        branch_cycles: one more if taken, another if to another page.
        decimal_cycle: one more if D is set.
        undocumented: not in the maker's tables, or reserved there.
    """

    opcode: int
    mnemonic: str
    mode: Mode
    cycles: int
    access: Access
    page_cycle: bool = False
    branch_cycles: bool = False
    decimal_cycle: bool = False
    undocumented: bool = False


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

# Additions and differences of the W65C02S.
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

# Two documented instructions in one, odd mixtures, or NOPs.
_NMOS_6502_UNDOCUMENTED = """
SLO  zp 07 5 | zp,x 17 6 | abs 0F 6 | abs,x 1F 7 | abs,y 1B 7 | (zp,x) 03 8 | (zp),y 13 8
RLA  zp 27 5 | zp,x 37 6 | abs 2F 6 | abs,x 3F 7 | abs,y 3B 7 | (zp,x) 23 8 | (zp),y 33 8
SRE  zp 47 5 | zp,x 57 6 | abs 4F 6 | abs,x 5F 7 | abs,y 5B 7 | (zp,x) 43 8 | (zp),y 53 8
RRA  zp 67 5 | zp,x 77 6 | abs 6F 6 | abs,x 7F 7 | abs,y 7B 7 | (zp,x) 63 8 | (zp),y 73 8
DCP  zp C7 5 | zp,x D7 6 | abs CF 6 | abs,x DF 7 | abs,y DB 7 | (zp,x) C3 8 | (zp),y D3 8
ISC  zp E7 5 | zp,x F7 6 | abs EF 6 | abs,x FF 7 | abs,y FB 7 | (zp,x) E3 8 | (zp),y F3 8
SAX  zp 87 3 | zp,y 97 4 | abs 8F 4 | (zp,x) 83 6
LAX  zp A7 3 | zp,y B7 4 | abs AF 4 | abs,y BF 4+ | (zp,x) A3 6 | (zp),y B3 5+
ANC  imm 0B 2 | imm 2B 2
ALR  imm 4B 2
ARR  imm 6B 2
SBX  imm CB 2
SBC  imm EB 2
NOP  imp 1A 2 | imp 3A 2 | imp 5A 2 | imp 7A 2 | imp DA 2 | imp FA 2
NOP  imm 80 2 | imm 82 2 | imm 89 2 | imm C2 2 | imm E2 2
NOP  zp 04 3 | zp 44 3 | zp 64 3
NOP  zp,x 14 4 | zp,x 34 4 | zp,x 54 4 | zp,x 74 4 | zp,x D4 4 | zp,x F4 4
NOP  abs 0C 4
NOP  abs,x 1C 4+ | abs,x 3C 4+ | abs,x 5C 4+ | abs,x 7C 4+ | abs,x DC 4+ | abs,x FC 4+
"""

_W65C02S_UNDOCUMENTED = """
NOP  imp 03 1 | imp 13 1 | imp 23 1 | imp 33 1 | imp 43 1 | imp 53 1 | imp 63 1 | imp 73 1
NOP  imp 83 1 | imp 93 1 | imp A3 1 | imp B3 1 | imp C3 1 | imp D3 1 | imp E3 1 | imp F3 1
NOP  imp 0B 1 | imp 1B 1 | imp 2B 1 | imp 3B 1 | imp 4B 1 | imp 5B 1 | imp 6B 1 | imp 7B 1
NOP  imp 8B 1 | imp 9B 1 | imp AB 1 | imp BB 1 | imp EB 1 | imp FB 1
NOP  imm 02 2 | imm 22 2 | imm 42 2 | imm 62 2 | imm 82 2 | imm C2 2 | imm E2 2
NOP  zp 44 3
NOP  zp,x 54 4 | zp,x D4 4 | zp,x F4 4
NOP  abs 5C 8- | abs DC 4 | abs FC 4
"""
# fmt: on

_MNEMONICS_OF_ACCESS = {
    Access.READ: "ADC ALR ANC AND ARR BIT CMP CPX CPY EOR LAX LDA LDX LDY NOP ORA SBC SBX",
    Access.WRITE: "SAX STA STX STY STZ",
    Access.MODIFY: "ASL DCP DEC INC ISC LSR RLA ROL ROR RRA SLO SRE TRB TSB"
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

_OPERAND_ACCESSES = (Access.READ, Access.MODIFY)


def _rows(text: str, *, undocumented: bool = False) -> dict[int, Instruction]:
    table = {}
    for line in text.split("\n"):
        mnemonic, _, entries = line.partition(" ")
        for entry in entries.split("|") if mnemonic else ():
            mode, opcode, cycles = entry.split()
            access = _ACCESS_OF_MNEMONIC.get(mnemonic, Access.NONE)
            if mode in (Mode.ACCUMULATOR, Mode.IMPLIED) and access in _OPERAND_ACCESSES:
                access = Access.NONE
            if "-" in cycles:
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
                undocumented=undocumented,
            )
    return table


NMOS_6502: dict[int, Instruction] = _rows(_NMOS_6502)
"""The 151 documented opcodes."""

W65C02S: dict[int, Instruction] = NMOS_6502 | _rows(_W65C02S)
"""The 212 defined opcodes."""

INSTRUCTIONS: dict[str, dict[int, Instruction]] = {"6502": NMOS_6502, "65c02": W65C02S}
"""Tables by processor, as named in board files."""

UNDOCUMENTED: dict[str, dict[int, Instruction]] = {
    "6502": _rows(_NMOS_6502_UNDOCUMENTED, undocumented=True),
    "65c02": _rows(_W65C02S_UNDOCUMENTED, undocumented=True),
}
"""Stable undocumented opcodes: 85 of the NMOS 6502, 44 of the W65C02S."""

LOCKING: dict[str, frozenset[int]] = {
    "6502": frozenset(range(0x02, 0x80, 0x10)) | {0x92, 0xB2, 0xD2, 0xF2},
    "65c02": frozenset(),
}
"""Undocumented opcodes that lock up the processor until a reset, called JAM or KIL."""

UNSTABLE: dict[str, dict[int, str]] = {
    "6502": {
        0x8B: "ANE", 0xAB: "LXA", 0x93: "SHA", 0x9F: "SHA", 0x9E: "SHX", 0x9C: "SHY",
        0x9B: "TAS", 0xBB: "LAS",
    },
    "65c02": {},
}  # fmt: skip
"""Unstable undocumented opcodes, which depend on chip, temperature or bus; names by opcode."""


def instructions_of(processor: str, *, undocumented: bool = False) -> dict[int, Instruction]:
    """Return the table of a processor, with its undocumented instructions if wanted.

    Raises:
        KeyError: no such processor.
    """
    documented = INSTRUCTIONS[processor]
    return documented | UNDOCUMENTED[processor] if undocumented else documented
