"""Timing tables by opcode, made from the table of instructions; shared by all cores and hooks.

Positions are counted back from the last cycle (1), since cycles added by indexing come before the
accesses: an instruction that begins in cycle c and takes n cycles, page cycle included, has its
position i in cycle c + n - i. Cycles added by a taken branch or decimal mode come after and are
not counted.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from busplay.core.instructions import Access, Instruction, instructions_of

RESET_CYCLES = 7
INTERRUPT_CYCLES = 7
# An interrupt sequence has the cycles and pushes of BRK.
INTERRUPT_OPCODE = 0x00

_WRITES = {
    Access.WRITE: (1,),
    Access.MODIFY: (1,),
    Access.PUSH: (1,),
    Access.CALL: (3, 2),
    Access.BREAK: (5, 4, 3),
}
_READS = {Access.READ: 1, Access.MODIFY: 3, Access.BIT_BRANCH: 3}


@dataclass(frozen=True, slots=True)
class InstructionTiming:
    """Timing of one processor; every tuple has 256 entries, one an opcode.

    Attributes:
        mnemonics: `???` if the opcode is not in the table.
        base_cycles: 0 if the opcode is not in the table.
        page_cycle, branch_cycles, decimal_cycle: the rules of `Instruction`.
        write_positions: of each write, in order.
        read_position: of the operand read; 0: there is none.
        writes_old_value: whether the old value is written in the cycle before the write.
        delays_interrupt: whether interrupts are sampled with the I flag from before.
    """

    mnemonics: tuple[str, ...]
    base_cycles: tuple[int, ...]
    page_cycle: tuple[bool, ...]
    branch_cycles: tuple[bool, ...]
    decimal_cycle: tuple[bool, ...]
    write_positions: tuple[tuple[int, ...], ...]
    read_position: tuple[int, ...]
    writes_old_value: tuple[bool, ...]
    delays_interrupt: tuple[bool, ...]


@cache
def timing_of(processor: str, *, undocumented: bool = False) -> InstructionTiming:
    """Return the tables of a processor, with its undocumented instructions if wanted.

    Raises:
        KeyError: no such processor.
    """
    table = instructions_of(processor, undocumented=undocumented)
    rows = [table.get(opcode) for opcode in range(256)]
    nmos = processor == "6502"
    return InstructionTiming(
        mnemonics=tuple(row.mnemonic if row else "???" for row in rows),
        base_cycles=tuple(row.cycles if row else 0 for row in rows),
        page_cycle=tuple(bool(row and row.page_cycle) for row in rows),
        branch_cycles=tuple(bool(row and row.branch_cycles) for row in rows),
        decimal_cycle=tuple(bool(row and row.decimal_cycle) for row in rows),
        write_positions=tuple(_write_positions(row, nmos=nmos) for row in rows),
        read_position=tuple(_READS.get(row.access, 0) if row else 0 for row in rows),
        writes_old_value=tuple(bool(nmos and row and row.access is Access.MODIFY) for row in rows),
        delays_interrupt=tuple(bool(row and row.mnemonic in ("CLI", "SEI", "PLP")) for row in rows),
    )


def _write_positions(row: Instruction | None, *, nmos: bool) -> tuple[int, ...]:
    if row is None:
        return ()
    if nmos and row.access is Access.MODIFY:
        return (2, 1)
    return _WRITES.get(row.access, ())
