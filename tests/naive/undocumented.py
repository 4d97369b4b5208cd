"""Undocumented NMOS instructions from their descriptions alone.

An opcode is read as three bits that name the operation, three that name the mode, and two
that name the family. The family 3 does what families 1 and 2 do at once: so most of its
instructions are a documented one that changes memory and then one that uses what is there now.
"""

from __future__ import annotations

from dataclasses import dataclass

PAIRS = {
    "SLO": ("ASL", "ORA"),
    "RLA": ("ROL", "AND"),
    "SRE": ("LSR", "EOR"),
    "RRA": ("ROR", "ADC"),
    "DCP": ("DEC", "CMP"),
    "ISC": ("INC", "SBC"),
}
"""What each is made of, in this order."""

NAMES = ("SLO", "RLA", "SRE", "RRA", "SAX", "LAX", "DCP", "ISC")
IMMEDIATE_NAMES = ("ANC", "ANC", "ALR", "ARR", "ANE", "LXA", "SBX", "SBC")
MODES = ("(zp,x)", "zp", "imm", "abs", "(zp),y", "zp,x", "abs,y", "abs,x")
# They differ from chip to chip, or with what else is on the bus.
UNSTABLE = {0x8B, 0xAB, 0x93, 0x9B, 0x9C, 0x9E, 0x9F, 0xBB}

MODIFY_CYCLES = {"zp": 5, "zp,x": 6, "abs": 6, "abs,x": 7, "abs,y": 7, "(zp,x)": 8, "(zp),y": 8}
READ_CYCLES = {
    "imp": 2, "imm": 2, "zp": 3, "zp,x": 4, "zp,y": 4, "abs": 4, "abs,x": 4, "abs,y": 4,
    "(zp,x)": 6, "(zp),y": 5,
}  # fmt: skip


@dataclass(frozen=True)
class Row:
    name: str
    mode: str


def rows(documented: set[int]) -> dict[int, Row]:
    """Read every opcode that is not documented; `JAM` and unstable ones included."""
    return {opcode: _row(opcode) for opcode in range(256) if opcode not in documented}


def _row(opcode: int) -> Row:
    operation, mode, family = opcode >> 5, MODES[opcode >> 2 & 7], opcode & 3
    if opcode in UNSTABLE:
        return Row("unstable", mode)
    if family == 3:
        if mode == "imm":
            return Row(IMMEDIATE_NAMES[operation], mode)
        # What keeps or loads X cannot be indexed by it.
        if NAMES[operation] in ("SAX", "LAX") and mode in ("zp,x", "abs,x"):
            mode = mode.replace("x", "y")
        return Row(NAMES[operation], mode)
    if family == 2:
        # Columns 02 and 12 stop the processor, but for the column's immediate loads; column 1A
        # does nothing.
        if opcode in (0x82, 0xC2, 0xE2):
            return Row("NOP", "imm")
        return Row("NOP" if opcode & 0x1F == 0x1A else "JAM", "imp")
    if opcode in (0x80, 0x89):
        return Row("NOP", "imm")
    return Row("NOP", mode)


def address_of(mode: str, operand: bytes, *, x: int, y: int, memory: bytes) -> tuple[int, bool]:
    """Return the operand's address, and whether indexing left the page of the address before."""
    zero_page, word = operand[0], operand[0] | operand[1] << 8

    def pointer(at: int) -> int:
        return memory[at & 0xFF] | memory[at + 1 & 0xFF] << 8

    match mode:
        case "zp":
            return zero_page, False
        case "zp,x":
            return zero_page + x & 0xFF, False
        case "zp,y":
            return zero_page + y & 0xFF, False
        case "(zp,x)":
            return pointer(zero_page + x), False
        case "abs":
            return word, False
    base, index = {
        "abs,x": (word, x),
        "abs,y": (word, y),
        "(zp),y": (pointer(zero_page), y),
    }[mode]
    address = base + index & 0xFFFF
    return address, address >> 8 != base >> 8


def cycles_of(row: Row, *, page_crossed: bool) -> int:
    """Return the time: that of a documented instruction of the same kind in the same mode.

    Those that change memory by (zp),y or (zp,x), which no documented one does, take the two
    cycles more that the others take over a read; they wait for the page in any case.
    """
    if row.name in PAIRS:
        return MODIFY_CYCLES[row.mode]
    if row.name == "SAX":
        return READ_CYCLES[row.mode]
    return READ_CYCLES[row.mode] + page_crossed


@dataclass(frozen=True)
class Flagged:
    """A byte and the flags that go with it."""

    byte: int
    n: bool
    z: bool
    c: bool
    v: bool


def arr(a: int, byte: int, *, carry: bool, decimal: bool) -> Flagged:
    """AND, ROR; then C and V as if what was there before had been added to itself."""
    anded = a & byte
    rotated = (anded + 256 * carry) // 2
    n, z = rotated >= 128, rotated == 0
    overflow = bool((anded ^ rotated) & 0x40)
    if not decimal:
        return Flagged(rotated, n, z, bool(rotated & 0x40), overflow)
    low, high = rotated % 16, rotated // 16
    if anded % 16 + anded % 2 > 5:
        low = (low + 6) % 16
    adjust_high = anded // 16 + anded // 16 % 2 > 5
    if adjust_high:
        high = (high + 6) % 16
    return Flagged(16 * high + low, n, z, adjust_high, overflow)
