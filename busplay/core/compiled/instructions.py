"""From a row of the table of instructions to its function.

The row has mode, cycles and access (`busplay.core.instructions`), the template the operation
(`operations`); this module joins the two: the operand's address, the cycle in which it is read or
written, the penalties, and the next PC.
"""

from __future__ import annotations

from busplay.core.compiled.block import Cell
from busplay.core.compiled.ir import Number, Truth, Value
from busplay.core.compiled.machine import Machine
from busplay.core.compiled.operations import (
    ALONE,
    BIT_BRANCHES,
    BRANCHES,
    LATE_FLAGS,
    MODIFIES,
    PUSHES,
    READS,
    WRITES,
    bit_immediate,
)
from busplay.core.compiled.undocumented import (
    UNDOCUMENTED_MODIFIES,
    UNDOCUMENTED_READS,
    UNDOCUMENTED_WRITES,
)
from busplay.core.instructions import MODE_BYTES, Access, Instruction, Mode

# Positions, from the end of the instruction, see `busplay.core.cycles`.
LAST = 1
MODIFY_READ = 3
BIT_BRANCH_READ = 3
CALL_PUSHES = (3, 2)
BREAK_PUSHES = (5, 4, 3)

VECTOR_OF_BREAK = 0xFFFE
CALL_ON_SPECIAL_STACK = "call_on_special_stack"


def write_instruction(row: Instruction, *, nmos: bool) -> str:
    """Return the function of one opcode."""
    cpu = Machine(row.opcode)
    match row.access:
        case Access.READ:
            _write_read(cpu, row)
        case Access.WRITE:
            address = _spend_on_address(cpu, row)
            writes = UNDOCUMENTED_WRITES if row.undocumented else WRITES
            byte = writes[row.mnemonic](cpu)
            cpu.advance(MODE_BYTES[row.mode])
            cpu.write_and_finish(address, byte)
        case Access.MODIFY:
            _write_modify(cpu, row, nmos=nmos)
        case Access.PUSH:
            cpu.spend(row.cycles)
            cpu.advance(1)
            byte, address = PUSHES[row.mnemonic](cpu), cpu.move_stack_down()
            cpu.write_and_finish(address, byte)
        case Access.CALL:
            with cpu.when(cpu.stack_is_special(depth=len(CALL_PUSHES)), unlikely=True):
                cpu.retreat_to(CALL_ON_SPECIAL_STACK)
            _write_call(cpu, row, stack_is_plain=True)
        case Access.BREAK:
            cpu.spend(row.cycles)
            cpu.advance(2)
            write_break(cpu, 0x10, VECTOR_OF_BREAK, clears_decimal=not nmos)
        case Access.BIT_BRANCH:
            cpu.spend(row.cycles)
            byte = cpu.read(cpu.operand(), position=BIT_BRANCH_READ)
            _write_branch(cpu, BIT_BRANCHES[row.mnemonic](byte), row)
        case Access.NONE:
            _write_without_access(cpu, row, nmos=nmos)
    return f"; {row.mnemonic} {row.mode}\n" + cpu.definition(function_name(row.opcode))


def function_name(opcode: int) -> str:
    """Return the name of an opcode's function."""
    return f"op_{opcode:02X}"


def write_break(cpu: Machine, break_bit: int, vector: Number, *, clears_decimal: bool) -> None:
    """Push PC and P and go to the vector, for BRK and interrupts; the cycles are spent."""
    high, low, flags = BREAK_PUSHES
    cpu.push(cpu.pc >> 8, position=high)
    cpu.push(cpu.pc & 0xFF, position=low)
    cpu.push(cpu.flags(break_bit=break_bit), position=flags)
    cpu.set_cell(Cell.I, 0x04)
    if clears_decimal:
        cpu.set_cell(Cell.D, 0)
    cpu.pc = cpu.fetch_word(vector, vector + 1)
    cpu.finish()


# By access.


def _write_read(cpu: Machine, row: Instruction) -> None:
    operation = (UNDOCUMENTED_READS if row.undocumented else READS)[row.mnemonic]
    if row.mode is Mode.IMMEDIATE:
        cpu.spend(row.cycles)
        byte = cpu.operand()
        if row.mnemonic == "BIT":
            operation = bit_immediate
    else:
        byte = cpu.read(_spend_on_address(cpu, row), position=LAST)
    cpu.advance(MODE_BYTES[row.mode])
    operation(cpu, byte)
    cpu.finish()


def _write_modify(cpu: Machine, row: Instruction, *, nmos: bool) -> None:
    operation = (UNDOCUMENTED_MODIFIES if row.undocumented else MODIFIES)[row.mnemonic]
    address = _spend_on_address(cpu, row)
    old = cpu.read(address, position=MODIFY_READ)
    cpu.advance(MODE_BYTES[row.mode])
    byte = operation(cpu, old)
    if nmos:
        cpu.write_twice_and_finish(address, old, byte)
    else:
        cpu.write_and_finish(address, byte)


def _write_call(cpu: Machine, row: Instruction, *, stack_is_plain: bool) -> None:
    # The low byte is read before the pushes, the high one after them.
    cpu.spend(row.cycles)
    low = cpu.operand(1)
    cpu.advance(2)
    for byte, position in zip((cpu.pc >> 8, cpu.pc & 0xFF), CALL_PUSHES, strict=True):
        if stack_is_plain:
            cpu.land(cpu.move_stack_down(), byte)
        else:
            cpu.push(byte, position=position)
    cpu.pc = low | cpu.fetch(cpu.pc) << 8
    cpu.finish()


def write_call_on_special_stack(row: Instruction) -> str:
    """Return the function of JSR for a stack that is not plain RAM."""
    cpu = Machine(row.opcode)
    _write_call(cpu, row, stack_is_plain=False)
    return cpu.definition(CALL_ON_SPECIAL_STACK)


def _write_without_access(cpu: Machine, row: Instruction, *, nmos: bool) -> None:
    name = row.mnemonic
    cpu.spend(row.cycles)
    if row.mode is Mode.ACCUMULATOR:
        cpu.a = MODIFIES[name](cpu, cpu.a)
        cpu.advance(1)
    elif name in BRANCHES:
        _write_branch(cpu, BRANCHES[name](cpu), row)
        return
    elif name == "BRA":
        _take_branch(cpu, row)
        return
    elif name == "JMP":
        _set_jump_target(cpu, row.mode, nmos=nmos)
    elif name == "RTS":
        low = cpu.pull()
        cpu.pc = ((low | cpu.pull() << 8) + 1) & 0xFFFF
    elif name == "RTI":
        cpu.set_flags(cpu.pull())
        low = cpu.pull()
        cpu.pc = low | cpu.pull() << 8
        cpu.end_at_clear_i()
    elif name in ("WAI", "STP"):
        cpu.note_instruction()
        cpu.advance(1)
        cpu.leave_to("wait" if name == "WAI" else "halt")
        return
    elif name in LATE_FLAGS:
        cpu.set_cell(Cell.OLD_I, cpu.cell(Cell.I))
        LATE_FLAGS[name](cpu)
        cpu.advance(1)
        cpu.end_at_clear_i()
        with cpu.when(cpu.left.used_up(), unlikely=True):
            cpu.leave_to("leave_delayed")
        cpu.dispatch()
        return
    else:
        ALONE[name](cpu)
        cpu.advance(MODE_BYTES[row.mode])
    cpu.finish()


# The operand's address.


def _spend_on_address(cpu: Machine, row: Instruction) -> Value:
    """Return the operand's address; spend the instruction's cycles and those of indexing."""
    match row.mode:
        case Mode.ZERO_PAGE:
            address, unindexed = cpu.operand(), None
        case Mode.ZERO_PAGE_X:
            address, unindexed = (cpu.operand() + cpu.x) & 0xFF, None
        case Mode.ZERO_PAGE_Y:
            address, unindexed = (cpu.operand() + cpu.y) & 0xFF, None
        case Mode.ABSOLUTE:
            address, unindexed = cpu.operand_word(), None
        case Mode.ABSOLUTE_X:
            unindexed = cpu.operand_word()
            address = (unindexed + cpu.x) & 0xFFFF
        case Mode.ABSOLUTE_Y:
            unindexed = cpu.operand_word()
            address = (unindexed + cpu.y) & 0xFFFF
        case Mode.INDIRECT_X:
            pointer = (cpu.operand() + cpu.x) & 0xFF
            address, unindexed = cpu.fetch_word(pointer, (pointer + 1) & 0xFF), None
        case Mode.INDIRECT_Y:
            pointer = cpu.operand()
            unindexed = cpu.fetch_word(pointer, (pointer + 1) & 0xFF)
            address = (unindexed + cpu.y) & 0xFFFF
        case Mode.ZERO_PAGE_INDIRECT:
            pointer = cpu.operand()
            address, unindexed = cpu.fetch_word(pointer, (pointer + 1) & 0xFF), None
        case _:
            raise ValueError(f"{row.mnemonic} {row.mode} has no operand in memory")
    cpu.spend(row.cycles)
    if row.page_cycle and unindexed is not None:
        # An index moves the high byte by 1 at most.
        cpu.spend((unindexed ^ address) >> 8 & 1)
    return address


# The next PC.


def _write_branch(cpu: Machine, condition: Truth, row: Instruction) -> None:
    with cpu.when(condition):
        _take_branch(cpu, row)
    cpu.advance(MODE_BYTES[row.mode])
    cpu.finish()


def _take_branch(cpu: Machine, row: Instruction) -> None:
    length = MODE_BYTES[row.mode]
    offset = cpu.signed_operand(length - 1)
    cpu.advance(length)
    behind = cpu.pc
    cpu.pc = (behind + offset) & 0xFFFF
    cpu.spend(((behind ^ cpu.pc) & 0xFF00).differs(0).choose(2, 1))
    cpu.finish()


def _set_jump_target(cpu: Machine, mode: Mode, *, nmos: bool) -> None:
    word = cpu.operand_word()
    if mode is Mode.ABSOLUTE:
        cpu.pc = word
        return
    pointer = word
    if mode is Mode.INDIRECT_ABSOLUTE_X:
        pointer = (word + cpu.x) & 0xFFFF
    high_pointer = (pointer + 1) & 0xFFFF
    if nmos:
        # No carry into the page: ($12FF) takes its high byte from $1200.
        high_pointer = pointer & 0xFF00 | high_pointer & 0xFF
    cpu.pc = cpu.fetch_word(pointer, high_pointer)
