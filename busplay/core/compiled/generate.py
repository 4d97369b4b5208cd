"""Write the kernel of a processor: one function an instruction, and the table of them."""

from __future__ import annotations

from busplay.core.compiled.instructions import function_name, write_instruction
from busplay.core.compiled.ir import METADATA
from busplay.core.compiled.routines import write_routines
from busplay.core.instructions import INSTRUCTIONS


def kernel_text(processor: str) -> str:
    """Write the kernel in LLVM's intermediate representation.

    It has two public names: `void run(ptr base)`, and `table`, 256 pointers that the caller
    copies into the block (`busplay.core.compiled.block`).

    Raises:
        KeyError: no such processor.
    """
    rows = INSTRUCTIONS[processor]
    nmos = processor == "6502"
    functions = write_routines(nmos=nmos)
    functions += [write_instruction(row, nmos=nmos) for row in rows.values()]
    entries = [
        f"ptr @{function_name(opcode) if opcode in rows else 'undefined'}" for opcode in range(256)
    ]
    table = f"@table = constant [256 x ptr] [{', '.join(entries)}]\n"
    return "\n".join([table, *functions, METADATA])
