"""Write the kernel of a processor: one function an instruction, and the table of them.

To read it: `print(kernel_text("65c02"))`.
"""

from __future__ import annotations

from busplay.core.compiled.instructions import (
    function_name,
    write_call_on_special_stack,
    write_instruction,
)
from busplay.core.compiled.ir import METADATA
from busplay.core.compiled.routines import write_routines
from busplay.core.instructions import Access, instructions_of


def kernel_text(processor: str, *, undocumented: bool = False) -> str:
    """Write the kernel in LLVM's intermediate representation.

    Undocumented instructions make a kernel of their own, since they take longer to compile.

    It has two public names: `void run(ptr base)`, and `table`, 258 pointers: those of the 256
    instructions, and those of the functions that wait for an address and log
    instructions. The caller copies them into the block (`busplay.core.compiled.block`).

    Raises:
        KeyError: no such processor.
    """
    rows = instructions_of(processor, undocumented=undocumented)
    nmos = processor == "6502"
    functions = write_routines(nmos=nmos)
    functions += [write_instruction(row, nmos=nmos) for row in rows.values()]
    functions += [
        write_call_on_special_stack(row) for row in rows.values() if row.access is Access.CALL
    ]
    entries = [
        f"ptr @{function_name(opcode) if opcode in rows else 'undefined'}" for opcode in range(256)
    ]
    entries += ["ptr @watch", "ptr @log"]
    table = f"@table = constant [{len(entries)} x ptr] [{', '.join(entries)}]\n"
    head = f"; Kernel of the {processor}, from busplay.core.instructions by {__name__}\n"
    return "\n".join([head, table, *functions, METADATA])
