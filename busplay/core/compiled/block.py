"""The layout of the machine code's data: one block of bytes, one base pointer.

    base - 8192   a copy of the 256 addresses of the instructions' code
    base - 4096   the 256 addresses that instructions jump to, then the cells
    base          the 64 KiB of memory
    base + 65536  a mirror of the first bytes of memory, then each address's action on a write,
                  then each address's device

The base is the address of memory's byte 0, so that a 6502 address is its own offset. Cells are
64-bit numbers below it, the busiest nearest, where a one-byte displacement reaches them.

An instruction at $FFFF has its operand at $0000. To fetch it without testing every address, the
first bytes of memory are mirrored after the last; writes to them are marked to go to both.

Instructions jump by a table so that a log of them needs no code of its own in them: while one is
kept, every entry leads to one function that logs and then jumps by the other table. A wait for an
address is done the same way.
"""

from __future__ import annotations

from enum import IntEnum

MEMORY_BYTES = 0x10000
MIRRORED_BYTES = 2
PLAIN_TABLE_OFFSET = -8192
TABLE_OFFSET = -4096
ACTIONS_OFFSET = MEMORY_BYTES + 64
DEVICE_OF_OFFSET = ACTIONS_OFFSET + MEMORY_BYTES
BLOCK_BYTES = -PLAIN_TABLE_OFFSET + DEVICE_OF_OFFSET + MEMORY_BYTES

MIRRORED = 32
"""In addition to the bits of `Action`: mirrored RAM."""

WATCHED = 64
"""Beside the bits of `Action`: writes stand in the columns of stores, tapped or not."""

NO_ANSWER = -1
PORT_WRITES_MAX = 3
CONSOLE_BYTES_MAX = 4096


class DeviceField(IntEnum):
    """The numbers of a device's record, for those whose accesses are machine code.

    READ, WRITE: addresses of the code, or 0 if the host does the access. SLOTS, RESULTS: of its
    arguments and result. FIRST, MASK: the offset is (address - FIRST) & MASK. LINE: address of the
    cycle from which its interrupt output is active. ON_IRQ: whether that is wired to IRQ.
    """

    READ = 0
    WRITE = 1
    SLOTS = 2
    RESULTS = 3
    FIRST = 4
    MASK = 5
    LINE = 6
    ON_IRQ = 7


DEVICE_RECORD_SHIFT = 6
"""A record has 64 bytes."""
DEVICES_MAX = 255


class Reason(IntEnum):
    """Why the machine code returned."""

    SPENT = 0
    """The cycles are used up, or writes to registers are pending."""
    ASKS = 1
    """A read of a register that needs the host; its instruction has not begun."""
    WAITS = 2
    HALTED = 3
    OPCODE = 4
    """A missing instruction; it has not begun."""
    REACHED = 5
    """The instruction at STOP_PC is next; it has not begun."""


class Cell:
    """The cells by number; cell n is 8 * (n + 1) bytes below the base.

    LIMIT: cycle at which the code returns. LEFT: cycles until then; so the next cycle is
    LIMIT - LEFT.
    V: the overflow flag is bit 7, other bits are ignored. D, I: 8 and 4, or 0.
    NZ: the Z flag is set if the low byte is 0, the N flag if bit 7 or 15 is set. C: 1 or 0.

    Plain numbers, not an enum: the host reads some forty of them after each return, and an enum's
    members took three times as long.
    """

    LIMIT = 0
    V = 1
    D = 2
    I = 3  # noqa: E741 - the flag's name
    IO_FIRST = 4
    """First address of the host port and devices, or an impossible one."""
    IO_SPAN = 5
    """Addresses from there to the last of them; reads of others in between are plain."""
    LOG_COUNT = 6
    LOG_CYCLE = 7
    LOG_ADDRESS = 8
    LOG_DATA = 9
    """Pointers to the columns of stores, and their length."""
    PC = 10
    A = 11
    X = 12
    Y = 13
    S = 14
    NZ = 15
    C = 16
    LEFT = 45
    REASON = 17
    AT = 18
    """Address of the instruction that stopped or wrote to a register; opcode from bit 16."""
    DELAYED = 19
    """1 if the last instruction was CLI, SEI or PLP; OLD_I is then I before it."""
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
    """The byte that the host returned for a read, for the instruction that is run again."""
    ASKED_ADDRESS = 31
    ASKED_CYCLE = 32
    STOP_PC = 33
    """Address to stop at, or an impossible one."""
    CONSOLE_COUNT = 34
    CONSOLE_DATA = 35
    """Pointer to the bytes written to CONSOLE, room for CONSOLE_BYTES_MAX, and their count."""
    PORT_WRITES = 36
    """Count of pending writes to registers; their (cycle, address, data) begin at PORT_WRITE."""
    ENDS_AT_CLEAR_I = 37
    """4 if the code is to return once an instruction has cleared I, else 0."""
    INSTRUCTION_COUNT = 38
    INSTRUCTION_BEGIN = 39
    INSTRUCTION_STATE = 40
    """Pointers to the columns of `InstructionBatch`, and how many stand in them."""
    PORT_FIRST = 41
    """Address of the host port, or an impossible one."""
    DEVICES = 42
    DEVICE_COUNT = 43
    """Pointer to the devices' records, and how many there are."""
    DEVICES_UNTIL = 44
    """Accesses to devices from this cycle on are the host's."""
    TURNS = 46
    """1 if the code goes on by itself when a line can be sampled, up to RUN_STOP."""
    RUN_STOP = 47
    LINE_FROM = 48
    """Cycle from which IRQ is active, as planned when this stretch began."""
    HOST_LINE_FROM = 49
    """The same of what is not in the records."""
    NO_SAMPLE = 50
    """1 at the return if an interrupt sequence ended the run, after which no line is sampled."""
    IN_SEQUENCE = 51
    """1 while an interrupt sequence runs that the code began by itself."""
    INTERRUPTS = 52
    """Count of those."""
    PLACE = 53
    """The record that a loop is at."""
    PORT_WRITE = 54


CELL_COUNT = Cell.PORT_WRITE + 3 * PORT_WRITES_MAX


def cell_offset(number: int) -> int:
    """Return a cell's offset from the base, in bytes."""
    return -8 * (number + 1)
