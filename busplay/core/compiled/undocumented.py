"""Operations of the undocumented instructions of the NMOS 6502, in the form of `operations`.

Most are two documented instructions on one operand: the read-modify-write one yields the byte
written, and the other one uses it.

# Follows: the open test set SingleStepTests/65x02
# Read in: its cases; the rules are from memory and agree with all 10,000 of each opcode
# Departs: NOPs, see `busplay.core.instructions`
"""

from __future__ import annotations

from busplay.core.compiled.block import Cell
from busplay.core.compiled.ir import Value
from busplay.core.compiled.machine import Machine
from busplay.core.compiled.operations import (
    MODIFIES,
    READS,
    Give,
    Modify,
    Read,
    adc_decimal,
    add_binary,
    compare,
    sbc_decimal,
)


def _then(modify: str, read: Read) -> Modify:
    """Return the template of a read-modify-write whose result feeds a read."""

    def both(cpu: Machine, byte: Value) -> Value:
        result = MODIFIES[modify](cpu, byte)
        read(cpu, result)
        return result

    return both


# The documented templates jump away for decimal mode; here a write must follow.


def _adc(cpu: Machine, byte: Value) -> None:
    a, c = cpu.a, cpu.c
    add_binary(cpu, byte)
    with cpu.when(cpu.cell(Cell.D).differs(0), unlikely=True):
        cpu.a, cpu.c = a, c
        adc_decimal(cpu, byte, nmos=True)


def _sbc(cpu: Machine, byte: Value) -> None:
    a, c = cpu.a, cpu.c
    add_binary(cpu, byte ^ 0xFF)
    with cpu.when(cpu.cell(Cell.D).differs(0), unlikely=True):
        cpu.a, cpu.c = a, c
        sbc_decimal(cpu, byte, nmos=True)


def _lax(cpu: Machine, byte: Value) -> None:
    READS["LDX"](cpu, byte)
    READS["LDA"](cpu, byte)


# Immediate ones.


def _anc(cpu: Machine, byte: Value) -> None:
    READS["AND"](cpu, byte)
    cpu.c = cpu.a >> 7


def _alr(cpu: Machine, byte: Value) -> None:
    cpu.a = MODIFIES["LSR"](cpu, cpu.a & byte)


def _arr(cpu: Machine, byte: Value) -> None:
    """AND, then ROR, with C and V as of an addition."""
    both = cpu.a & byte
    rotated = both >> 1 | cpu.c << 7
    # N is the old C in both modes, since it is bit 7 now.
    cpu.set_nz(rotated)
    cpu.set_cell(Cell.V, (both ^ rotated) << 1)
    cpu.a, cpu.c = rotated, rotated >> 6 & 1
    with cpu.when(cpu.cell(Cell.D).differs(0), unlikely=True):
        _adjust_digits(cpu, both, rotated)


def _adjust_digits(cpu: Machine, both: Value, rotated: Value) -> None:
    """Adjust both digits as after a decimal addition, each by its old value."""
    low, high = both & 0x0F, both >> 4
    adjusted = rotated & 0xF0 | rotated + 6 & 0x0F
    result = (low + (low & 1)).above(5).choose(adjusted, rotated)
    carry = (high + (high & 1)).above(5)
    cpu.c = carry.as_number()
    cpu.a = carry.choose(result + 0x60, result) & 0xFF


def _sbx(cpu: Machine, byte: Value) -> None:
    both = cpu.a & cpu.x
    compare(cpu, both, byte)
    cpu.x = (both - byte) & 0xFF


UNDOCUMENTED_READS: dict[str, Read] = {
    "ALR": _alr,
    "ANC": _anc,
    "ARR": _arr,
    "LAX": _lax,
    "NOP": lambda cpu, byte: None,
    "SBC": READS["SBC"],
    "SBX": _sbx,
}

UNDOCUMENTED_MODIFIES: dict[str, Modify] = {
    "DCP": _then("DEC", READS["CMP"]),
    "ISC": _then("INC", _sbc),
    "RLA": _then("ROL", READS["AND"]),
    "RRA": _then("ROR", _adc),
    "SLO": _then("ASL", READS["ORA"]),
    "SRE": _then("LSR", READS["EOR"]),
}

UNDOCUMENTED_WRITES: dict[str, Give] = {"SAX": lambda cpu: cpu.a & cpu.x}
