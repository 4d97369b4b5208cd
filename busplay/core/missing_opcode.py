"""The message for an opcode that the core does not run.

It says whether another board file or another core would help, or only another program.
"""

from __future__ import annotations

from busplay.core.instructions import INSTRUCTIONS, LOCKING, UNDOCUMENTED, UNSTABLE


def missing_opcode(core_kind: str, processor: str, address: int, opcode: int) -> str:
    """Return the reason of a stop, one sentence with address and opcode."""
    reason = _reason(core_kind, processor, address, opcode)
    newer = INSTRUCTIONS["65c02"].get(opcode) if processor == "6502" else None
    if newer is None:
        return reason
    return (
        f"{reason}; it is {newer.mnemonic} on the 65c02, so for a 65c02 program write"
        ' processor = "65c02" in the board file'
    )


def _reason(core_kind: str, processor: str, address: int, opcode: int) -> str:
    at, code = f"${address:04X}", f"opcode ${opcode:02X}"
    if opcode in UNDOCUMENTED[processor]:
        name = UNDOCUMENTED[processor][opcode].mnemonic
        return (
            f"{at}: {code} ({name}) is undocumented and stops the core;"
            ' undocumented = "run" in the board file lets the compiled core run it'
        )
    if opcode in LOCKING[processor]:
        return f"{at}: {code} (JAM) is undocumented and locks up the processor until a reset"
    if opcode in UNSTABLE[processor]:
        name = UNSTABLE[processor][opcode]
        return (
            f"{at}: {code} ({name}) is undocumented and depends on the chip;"
            " the program cannot go on here"
        )
    name = INSTRUCTIONS[processor][opcode].mnemonic
    return (
        f"{at}: {code} ({name}) is not in the {core_kind} core of the {processor};"
        " the program cannot go on here"
    )
