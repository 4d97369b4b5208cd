"""Disassembly, from the cores' table of instructions."""

from __future__ import annotations

from collections.abc import Set
from dataclasses import dataclass

from busplay.batch import UInt8Column
from busplay.core.instructions import MODE_BYTES, Instruction, Mode, instructions_of

# The operand by mode; `low` is byte 1, `word` bytes 1 and 2, `target` the branch target.
_OPERANDS = {
    Mode.IMPLIED: "",
    Mode.ACCUMULATOR: "a",
    Mode.IMMEDIATE: "#${low:02X}",
    Mode.ZERO_PAGE: "${low:02X}",
    Mode.ZERO_PAGE_X: "${low:02X},x",
    Mode.ZERO_PAGE_Y: "${low:02X},y",
    Mode.ABSOLUTE: "${word:04X}",
    Mode.ABSOLUTE_X: "${word:04X},x",
    Mode.ABSOLUTE_Y: "${word:04X},y",
    Mode.INDIRECT: "(${word:04X})",
    Mode.INDIRECT_ABSOLUTE_X: "(${word:04X},x)",
    Mode.INDIRECT_X: "(${low:02X},x)",
    Mode.INDIRECT_Y: "(${low:02X}),y",
    Mode.ZERO_PAGE_INDIRECT: "(${low:02X})",
    Mode.RELATIVE: "${target:04X}",
    Mode.ZERO_PAGE_RELATIVE: "${low:02X},${target:04X}",
}
_LONGEST_BYTES = 3


@dataclass(frozen=True, slots=True)
class DisassembledLine:
    """One instruction, or a byte that is not one.

    Attributes:
        address: of its first byte.
        data: its bytes.
        text: in assembler syntax: `sta $4000,x`; `.byte $02` if it is not an instruction.
        operand_address: address of its operand or target, without indexing, or None.
    """

    address: int
    data: bytes
    text: str
    operand_address: int | None

    def __str__(self) -> str:
        return f"${self.address:04X}  {self.data.hex(' ').upper():8}  {self.text}"


def disassemble(
    memory: UInt8Column, address: int, *, processor: str, undocumented: bool = False
) -> DisassembledLine:
    """Return the instruction at an address; memory wraps at its end.

    Args:
        memory: uint8[65536].
        processor: as named in board files.
        undocumented: include undocumented instructions.

    >>> import numpy as np
    >>> memory = np.zeros(65536, np.uint8)
    >>> memory[0x0200:0x0203] = 0x9D, 0x00, 0x40
    >>> print(disassemble(memory, 0x0200, processor="6502"))
    $0200  9D 00 40  sta $4000,x
    """
    row = instructions_of(processor, undocumented=undocumented).get(int(memory[address]))
    return _line(memory, address, row)


def disassemble_around(
    memory: UInt8Column,
    address: int,
    *,
    processor: str,
    undocumented: bool = False,
    before: int = 8,
    after: int = 16,
    starts: Set[int] = frozenset(),
) -> tuple[DisassembledLine, ...]:
    """Return the instruction at an address, and those before and after it.

    Lines before it must lead to the address: they begin at the nearest known start that does, else
    where the fewest bytes are not instructions.

    Args:
        before, after: count of lines before and after the address; fewer at $0000 and $FFFF.
        starts: addresses at which instructions are known to begin, such as labels.
    """
    table = instructions_of(processor, undocumented=undocumented)
    lines = _lines_before(memory, address, table, before, starts)
    at = address
    for _ in range(after + 1):
        line = _line(memory, at, table.get(int(memory[at])))
        lines.append(line)
        at += len(line.data)
        if at > 0xFFFF:
            break
    return tuple(lines)


def _lines_before(
    memory: UInt8Column,
    address: int,
    table: dict[int, Instruction],
    count: int,
    starts: Set[int],
) -> list[DisassembledLine]:
    first = max(0, address - _LONGEST_BYTES * count)
    best: list[DisassembledLine] = []
    best_rank = (-1, -1)
    for start in range(first, address):
        lines: list[DisassembledLine] = []
        at = start
        while at < address:
            lines.append(_line(memory, at, table.get(int(memory[at]))))
            at += len(lines[-1].data)
        if at != address:
            continue
        lines = lines[-count:] if count else []
        known = sum(line.address in starts for line in lines)
        instructions = sum(line.text[0] != "." for line in lines)
        if (known, instructions) > best_rank:
            best, best_rank = lines, (known, instructions)
    return best


def _line(memory: UInt8Column, address: int, row: Instruction | None) -> DisassembledLine:
    if row is None:
        byte = int(memory[address])
        return DisassembledLine(address, bytes([byte]), f".byte ${byte:02X}", None)
    data = bytes(int(memory[(address + offset) & 0xFFFF]) for offset in range(MODE_BYTES[row.mode]))
    low = data[1] if len(data) > 1 else 0
    word = low | (data[2] if len(data) > 2 else 0) << 8
    # The offset of a branch is its last byte.
    target = (address + len(data) + (data[-1] ^ 0x80) - 0x80) & 0xFFFF
    operand = _OPERANDS[row.mode].format(low=low, word=word, target=target)
    if row.mode in (Mode.IMPLIED, Mode.ACCUMULATOR, Mode.IMMEDIATE):
        operand_address = None
    elif row.mode in (Mode.RELATIVE, Mode.ZERO_PAGE_RELATIVE):
        operand_address = target
    else:
        operand_address = word
    text = f"{row.mnemonic.lower()} {operand}".rstrip()
    return DisassembledLine(address, data, text, operand_address)
