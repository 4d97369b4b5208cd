"""The operation of each mnemonic, written once for all its modes.

A template gets the machine and, if it reads, the operand; addressing and timing are done
elsewhere. By kind:

| table | the template | the rest |
| --- | --- | --- |
| `READS` | uses the operand | the mode reads it |
| `MODIFIES` | returns the byte to write back | the mode reads and writes |
| `WRITES` | returns the byte | the mode writes it |
| `PUSHES` | returns the byte | it is pushed in the last cycle |
| `BRANCHES`, `BIT_BRANCHES` | return the condition | the branch |
| `ALONE` | does all but time and length | |

# Follows: MCS6500 Microcomputer Family Programming Manual (1976); W65C02S data sheet
# Read in: from memory; every template is checked against the open per-cycle test set
# Departs: decimal mode with digits above 9 follows the test set; the manuals do not define it;
#          undocumented instructions are in `undocumented`
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeAlias

from busplay.core.compiled.block import Cell
from busplay.core.compiled.ir import Truth, Value
from busplay.core.compiled.machine import Machine

Read: TypeAlias = Callable[[Machine, Value], None]
Modify: TypeAlias = Callable[[Machine, Value], Value]
Give: TypeAlias = Callable[[Machine], Value]
Alone: TypeAlias = Callable[[Machine], None]
Condition: TypeAlias = Callable[[Machine], Truth]
BitCondition: TypeAlias = Callable[[Value], Truth]

# Loads, logic, comparisons.


def _lda(cpu: Machine, byte: Value) -> None:
    cpu.a = byte
    cpu.set_nz(byte)


def _ldx(cpu: Machine, byte: Value) -> None:
    cpu.x = byte
    cpu.set_nz(byte)


def _ldy(cpu: Machine, byte: Value) -> None:
    cpu.y = byte
    cpu.set_nz(byte)


def _and(cpu: Machine, byte: Value) -> None:
    _lda(cpu, cpu.a & byte)


def _ora(cpu: Machine, byte: Value) -> None:
    _lda(cpu, cpu.a | byte)


def _eor(cpu: Machine, byte: Value) -> None:
    _lda(cpu, cpu.a ^ byte)


def compare(cpu: Machine, register: Value, byte: Value) -> None:
    """Set N, Z and C by a difference that is discarded."""
    cpu.c = byte.above(register).choose(0, 1)
    cpu.set_nz((register - byte) & 0xFF)


def _cmp(cpu: Machine, byte: Value) -> None:
    compare(cpu, cpu.a, byte)


def _cpx(cpu: Machine, byte: Value) -> None:
    compare(cpu, cpu.x, byte)


def _cpy(cpu: Machine, byte: Value) -> None:
    compare(cpu, cpu.y, byte)


def _bit(cpu: Machine, byte: Value) -> None:
    cpu.set_cell(Cell.V, byte << 1)
    # If A and the byte share bit 7, N is set too: the two halves of NZ agree.
    cpu.nz = (byte & 0x80) << 8 | cpu.a & byte


def bit_immediate(cpu: Machine, byte: Value) -> None:
    """BIT #: without an operand in memory, N and V stay."""
    cpu.set_z(cpu.a & byte)


# Arithmetic.


def _adc(cpu: Machine, byte: Value) -> None:
    with cpu.when(cpu.cell(Cell.D).differs(0), unlikely=True):
        cpu.leave_to("adc_decimal", byte=byte)
    add_binary(cpu, byte)


def _sbc(cpu: Machine, byte: Value) -> None:
    with cpu.when(cpu.cell(Cell.D).differs(0), unlikely=True):
        cpu.leave_to("sbc_decimal", byte=byte)
    add_binary(cpu, byte ^ 0xFF)


def add_binary(cpu: Machine, byte: Value) -> None:
    """ADC with D clear; SBC is the same with the byte inverted."""
    total = cpu.a + byte + cpu.c
    cpu.set_cell(Cell.V, (cpu.a ^ total) & (byte ^ total))
    cpu.c = total >> 8
    _lda(cpu, total & 0xFF)


def adc_decimal(cpu: Machine, byte: Value, *, nmos: bool) -> None:
    """ADC with D set. V is of the sum before the high digit is adjusted."""
    a = cpu.a
    low = (a & 0x0F) + (byte & 0x0F) + cpu.c
    low = low.above(9).choose(((low + 6) & 0x0F) + 0x10, low)
    total = (a & 0xF0) + (byte & 0xF0) + low
    cpu.set_cell(Cell.V, ~(a ^ byte) & (a ^ total))
    right = total.above(0x9F).choose(total + 0x60, total)
    if nmos:
        # N is of the same sum, Z of the binary one.
        cpu.set_n_and_z(total, (a + byte + cpu.c) & 0xFF)
    cpu.c = right.above(0xFF).as_number()
    cpu.a = right & 0xFF
    if not nmos:
        cpu.set_nz(cpu.a)
        cpu.spend(1)


def sbc_decimal(cpu: Machine, byte: Value, *, nmos: bool) -> None:
    """SBC with D set. C and V are of the binary difference, on the NMOS 6502 N and Z too."""
    a = cpu.a
    difference = a - byte - (cpu.c ^ 1)
    low = (a & 0x0F) - (byte & 0x0F) - (cpu.c ^ 1)
    cpu.set_cell(Cell.V, (a ^ byte) & (a ^ difference))
    cpu.c = difference.negative().choose(0, 1)
    if nmos:
        cpu.set_nz(difference & 0xFF)
        digit = low.negative().choose(((low - 6) & 0x0F) - 0x10, low)
        total = (a & 0xF0) - (byte & 0xF0) + digit
        cpu.a = total.negative().choose(total - 0x60, total) & 0xFF
        return
    right = difference.negative().choose(difference - 0x60, difference)
    _lda(cpu, low.negative().choose(right - 0x06, right) & 0xFF)
    cpu.spend(1)


READS: dict[str, Read] = {
    "ADC": _adc,
    "AND": _and,
    "BIT": _bit,
    "CMP": _cmp,
    "CPX": _cpx,
    "CPY": _cpy,
    "EOR": _eor,
    "LDA": _lda,
    "LDX": _ldx,
    "LDY": _ldy,
    "ORA": _ora,
    "SBC": _sbc,
}

# Shifts, counts, bits: a byte in, a byte out.


def _shift_left(cpu: Machine, byte: Value, *, low_bit: Value | None = None) -> Value:
    cpu.c = byte >> 7
    result = byte << 1 & 0xFF
    if low_bit is not None:
        result = result | low_bit
    cpu.set_nz(result)
    return result


def _shift_right(cpu: Machine, byte: Value, *, high_bit: Value | None = None) -> Value:
    cpu.c = byte & 1
    result = byte >> 1
    if high_bit is not None:
        result = result | high_bit << 7
    cpu.set_nz(result)
    return result


def _asl(cpu: Machine, byte: Value) -> Value:
    return _shift_left(cpu, byte)


def _rol(cpu: Machine, byte: Value) -> Value:
    return _shift_left(cpu, byte, low_bit=cpu.c)


def _lsr(cpu: Machine, byte: Value) -> Value:
    return _shift_right(cpu, byte)


def _ror(cpu: Machine, byte: Value) -> Value:
    return _shift_right(cpu, byte, high_bit=cpu.c)


def _inc(cpu: Machine, byte: Value) -> Value:
    result = byte + 1 & 0xFF
    cpu.set_nz(result)
    return result


def _dec(cpu: Machine, byte: Value) -> Value:
    result = byte - 1 & 0xFF
    cpu.set_nz(result)
    return result


def _tsb(cpu: Machine, byte: Value) -> Value:
    cpu.set_z(cpu.a & byte)
    return byte | cpu.a


def _trb(cpu: Machine, byte: Value) -> Value:
    cpu.set_z(cpu.a & byte)
    return byte & (cpu.a ^ 0xFF)


def _reset_bit(number: int) -> Modify:
    return lambda _, byte: byte & (0xFF ^ 1 << number)


def _set_bit(number: int) -> Modify:
    return lambda _, byte: byte | 1 << number


MODIFIES: dict[str, Modify] = {
    "ASL": _asl,
    "DEC": _dec,
    "INC": _inc,
    "LSR": _lsr,
    "ROL": _rol,
    "ROR": _ror,
    "TRB": _trb,
    "TSB": _tsb,
    **{f"RMB{number}": _reset_bit(number) for number in range(8)},
    **{f"SMB{number}": _set_bit(number) for number in range(8)},
}

# Stores and pushes.

WRITES: dict[str, Give] = {
    "STA": lambda cpu: cpu.a,
    "STX": lambda cpu: cpu.x,
    "STY": lambda cpu: cpu.y,
    "STZ": lambda cpu: cpu.a ^ cpu.a,
}

PUSHES: dict[str, Give] = {
    "PHA": lambda cpu: cpu.a,
    "PHX": lambda cpu: cpu.x,
    "PHY": lambda cpu: cpu.y,
    "PHP": lambda cpu: cpu.flags(break_bit=0x10),
}

# Branches.

BRANCHES: dict[str, Condition] = {
    "BCC": lambda cpu: cpu.c.equals(0),
    "BCS": lambda cpu: cpu.c.differs(0),
    "BEQ": lambda cpu: (cpu.nz & 0xFF).equals(0),
    "BNE": lambda cpu: cpu.nz.has(0xFF),
    "BMI": lambda cpu: cpu.nz.has(0x8080),
    "BPL": lambda cpu: (cpu.nz & 0x8080).equals(0),
    "BVS": lambda cpu: cpu.cell(Cell.V).has(0x80),
    "BVC": lambda cpu: (cpu.cell(Cell.V) & 0x80).equals(0),
}


def _bit_is_clear(number: int) -> BitCondition:
    return lambda byte: (byte & 1 << number).equals(0)


def _bit_is_set(number: int) -> BitCondition:
    return lambda byte: byte.has(1 << number)


BIT_BRANCHES: dict[str, BitCondition] = {
    **{f"BBR{number}": _bit_is_clear(number) for number in range(8)},
    **{f"BBS{number}": _bit_is_set(number) for number in range(8)},
}

# Registers only.


def _clc(cpu: Machine) -> None:
    cpu.c = cpu.c ^ cpu.c


def _sec(cpu: Machine) -> None:
    cpu.c = (cpu.c ^ cpu.c) | 1


def _dex(cpu: Machine) -> None:
    _ldx(cpu, _dec(cpu, cpu.x))


def _dey(cpu: Machine) -> None:
    _ldy(cpu, _dec(cpu, cpu.y))


def _inx(cpu: Machine) -> None:
    _ldx(cpu, _inc(cpu, cpu.x))


def _iny(cpu: Machine) -> None:
    _ldy(cpu, _inc(cpu, cpu.y))


def _txs(cpu: Machine) -> None:
    cpu.s = cpu.x


ALONE: dict[str, Alone] = {
    "CLC": _clc,
    "SEC": _sec,
    "CLD": lambda cpu: cpu.set_cell(Cell.D, 0),
    "SED": lambda cpu: cpu.set_cell(Cell.D, 0x08),
    "CLV": lambda cpu: cpu.set_cell(Cell.V, 0),
    "DEX": _dex,
    "DEY": _dey,
    "INX": _inx,
    "INY": _iny,
    "NOP": lambda cpu: None,
    "PLA": lambda cpu: _lda(cpu, cpu.pull()),
    "PLX": lambda cpu: _ldx(cpu, cpu.pull()),
    "PLY": lambda cpu: _ldy(cpu, cpu.pull()),
    "TAX": lambda cpu: _ldx(cpu, cpu.a),
    "TAY": lambda cpu: _ldy(cpu, cpu.a),
    "TSX": lambda cpu: _ldx(cpu, cpu.s),
    "TXA": lambda cpu: _lda(cpu, cpu.x),
    "TXS": _txs,
    "TYA": lambda cpu: _lda(cpu, cpu.y),
}

# I is sampled as it was before these.

LATE_FLAGS: dict[str, Alone] = {
    "CLI": lambda cpu: cpu.set_cell(Cell.I, 0),
    "SEI": lambda cpu: cpu.set_cell(Cell.I, 0x04),
    "PLP": lambda cpu: cpu.set_flags(cpu.pull()),
}
