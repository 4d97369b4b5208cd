"""Where everything lies that the machine code works on: one block of bytes, one base pointer.

    base - 8192   the 256 addresses of the instructions' code once more
    base - 4096   the 256 addresses that instructions jump by, then the cells
    base          the 64 KiB of memory
    base + 65536  the first bytes of memory once more, then what a write to each address does

The base is the address of memory's byte 0, so that a 6502 address is its own offset. Cells are
64-bit numbers below it, the busiest nearest, where machine code reaches them with one byte.

An instruction at $FFFF has its operand at $0000. To fetch it without a look at every address,
the first bytes of memory stand behind the last ones too; writes to them are marked so that
they go both ways.

Instructions jump by a table so that a profile needs no code of its own in them: while one is
taken, every entry leads to one function that counts and then jumps by the other table. A wait for
an address is done the same way.
"""

from __future__ import annotations

from enum import IntEnum

MEMORY_BYTES = 0x10000
MIRRORED_BYTES = 2
PROFILED_TABLE_OFFSET = -8192
TABLE_OFFSET = -4096
ACTIONS_OFFSET = MEMORY_BYTES + 64
BLOCK_BYTES = -PROFILED_TABLE_OFFSET + ACTIONS_OFFSET + MEMORY_BYTES

MIRRORED = 32
"""Beside the bits of `Action`: RAM that stands behind the last address too."""

PROFILED = 64
"""Beside the bits of `Action`: stores are counted for a profile."""

WATCHED = 128
"""Beside the bits of `Action`: writes stand in the columns of stores, tapped or not."""

CANNOT_REPEAT = 0x8000
"""In the column PROFILE_LAST: writing the same byte once more does something."""

NO_ANSWER = -1
PORT_WRITES_MAX = 3
CONSOLE_BYTES_MAX = 4096


class Reason(IntEnum):
    """Why the machine code came back."""

    SPENT = 0
    """The cycles are used up, or a write to the host port waits to be done."""
    ASKS = 1
    """A host-port read that needs the host; its instruction has not begun."""
    WAITS = 2
    HALTED = 3
    OPCODE = 4
    """An instruction that is not there; it has not begun."""
    REACHED = 5
    """The instruction at STOP_PC is next; it has not begun."""


class Cell:
    """The cells by number; cell n lies 8 * (n + 1) bytes below the base.

    LIMIT: cycle at which the code comes back. LEFT: cycles until then; so the next cycle is
    LIMIT - LEFT.
    V: the overflow flag is bit 7, the rest is of no account. D, I: 8 and 4, or 0.
    NZ: the Z flag is set if the low byte is 0, the N flag if bit 7 or 15 is set. C: 1 or 0.

    Plain numbers, not an enum: the host looks at some forty of them each time that the code
    comes back, and a member of an enum took it three times as long.
    """

    LIMIT = 0
    V = 1
    D = 2
    I = 3  # noqa: E741 - the flag's name
    PORT_FIRST = 4
    """Address of the host port, or one that nothing can have."""
    LOG_COUNT = 5
    LOG_CYCLE = 6
    LOG_ADDRESS = 7
    LOG_DATA = 8
    """Pointers to the columns of stores, and how many stand in them."""
    PC = 9
    A = 10
    X = 11
    Y = 12
    S = 13
    NZ = 14
    C = 15
    LEFT = 16
    REASON = 17
    AT = 18
    """Address of the instruction that stopped or wrote to the host port; opcode from bit 16."""
    DELAYED = 19
    """1 if the last instruction was CLI, SEI or PLP; OLD_I is then I as it was before."""
    OLD_I = 20
    VECTOR = 21
    """Vector of an interrupt sequence to run first, or 0."""
    ROM_WRITES = 22
    UNMAPPED_WRITES = 23
    RANDOM = 24
    KEPT_TICK = 25
    REFRESH_FROM = 26
    REFRESH_ENABLED = 27
    KEY_READY = 28
    """What KEY_READY reads before the cycle KEY_UNTIL; later the host must be asked."""
    KEY_UNTIL = 29
    ANSWER = 30
    """The byte that the host gave to a read, for the instruction that is run again."""
    ASKED_OFFSET = 31
    ASKED_CYCLE = 32
    PROFILE_PC = 33
    """Instruction under way, while a profile is taken; PROFILE_LEFT is LEFT as it began."""
    PROFILE_LEFT = 34
    PROFILE_CYCLES = 35
    PROFILE_STORES = 36
    PROFILE_UNCHANGED = 37
    PROFILE_LAST = 38
    """Pointers to the columns of a profile, see `ProfileCounts`."""
    STOP_PC = 39
    """Address that is waited for, or one that nothing can have."""
    CONSOLE_COUNT = 40
    CONSOLE_DATA = 41
    """Pointer to the bytes that were written to CONSOLE, room for CONSOLE_BYTES_MAX, and how many
    they are."""
    PORT_WRITES = 42
    """How many writes to the host port wait to be done; (cycle, offset, data) of each stand from
    PORT_WRITE on."""
    ENDS_AT_CLEAR_I = 43
    """4 if the code is to come back once an instruction has cleared I, else 0."""
    INSTRUCTION_COUNT = 44
    INSTRUCTION_BEGIN = 45
    INSTRUCTION_STATE = 46
    """Pointers to the columns of `InstructionBatch`, and how many stand in them."""
    PORT_WRITE = 47


CELL_COUNT = Cell.PORT_WRITE + 3 * PORT_WRITES_MAX


def cell_offset(number: int) -> int:
    """Return a cell's place, in bytes from the base."""
    return -8 * (number + 1)
