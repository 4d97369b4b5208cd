"""Where everything lies that the machine code works on: one block of bytes, one base pointer.

    base - 8192   the 256 addresses of the instructions' code, for a profile
    base - 4096   the 256 addresses that instructions jump by, then the cells
    base          the 64 KiB of memory
    base + 65536  the first bytes of memory once more, then what a write to each address does

The base is the address of memory's byte 0, so that a 6502 address is its own offset. Cells are
64-bit numbers below it, the busiest nearest, where machine code reaches them with one byte.

An instruction at $FFFF has its operand at $0000. To fetch it without a look at every address,
the first bytes of memory stand behind the last ones too; writes to them are marked so that
they go both ways.

Instructions jump by a table so that a profile needs no code of its own in them: while one is
taken, every entry leads to one function that counts and then jumps by the other table.
"""

from __future__ import annotations

from enum import IntEnum, auto

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

CANNOT_REPEAT = 0x8000
"""In the column PROFILE_LAST: writing the same byte once more does something."""

NO_ANSWER = -1
PORT_WRITES_MAX = 3


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


class Cell(IntEnum):
    """The cells by number; cell n lies 8 * (n + 1) bytes below the base.

    LIMIT: cycle at which the code comes back. LEFT: cycles until then; so the next cycle is
    LIMIT - LEFT.
    V: the overflow flag is bit 7, the rest is of no account. D, I: 8 and 4, or 0.
    NZ: the Z flag is set if the low byte is 0, the N flag if bit 7 or 15 is set. C: 1 or 0.
    """

    LIMIT = 0
    V = auto()
    D = auto()
    I = auto()  # noqa: E741 - the flag's name
    PORT_FIRST = auto()
    """Address of the host port, or one that nothing can have."""
    LOG_COUNT = auto()
    LOG_CYCLE = auto()
    LOG_ADDRESS = auto()
    LOG_DATA = auto()
    """Pointers to the columns of stores, and how many stand in them."""
    PC = auto()
    A = auto()
    X = auto()
    Y = auto()
    S = auto()
    NZ = auto()
    C = auto()
    LEFT = auto()
    REASON = auto()
    AT = auto()
    """Address of the instruction that stopped or wrote to the host port; opcode from bit 16."""
    DELAYED = auto()
    """1 if the last instruction was CLI, SEI or PLP; OLD_I is then I as it was before."""
    OLD_I = auto()
    VECTOR = auto()
    """Vector of an interrupt sequence to run first, or 0."""
    ROM_WRITES = auto()
    UNMAPPED_WRITES = auto()
    RANDOM = auto()
    KEPT_TICK = auto()
    REFRESH_FROM = auto()
    REFRESH_ENABLED = auto()
    KEY_READY = auto()
    """What KEY_READY reads before the cycle KEY_UNTIL; later the host must be asked."""
    KEY_UNTIL = auto()
    ANSWER = auto()
    """The byte that the host gave to a read, for the instruction that is run again."""
    ASKED_OFFSET = auto()
    ASKED_CYCLE = auto()
    PROFILE_PC = auto()
    """Instruction under way, while a profile is taken; PROFILE_LEFT is LEFT as it began."""
    PROFILE_LEFT = auto()
    PROFILE_CYCLES = auto()
    PROFILE_STORES = auto()
    PROFILE_UNCHANGED = auto()
    PROFILE_LAST = auto()
    """Pointers to the columns of a profile, see `ProfileCounts`."""
    PORT_WRITES = auto()
    """How many writes to the host port wait to be done; (cycle, offset, data) of each follow."""
    PORT_WRITE = auto()


CELL_COUNT = Cell.PORT_WRITE + 3 * PORT_WRITES_MAX


def cell_offset(number: int) -> int:
    """Give a cell's place, in bytes from the base."""
    return -8 * (number + 1)
