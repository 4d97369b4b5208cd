"""Loops that programs fill display memory with, and the fastest stores: timed on the core.

How to think about it. Each loop is assembled here, byte by byte, into plain RAM and run there;
its cycles and the cycle of each store are the core's. Lengths and pages come from the
number of bytes to fill; no branch that is taken leaves its page, as a careful programmer has it.

A loop's own bookkeeping is in its count: setting up, and the steps between pages. What it
stores is one value; a copy needs a load more for each byte.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from busplay.analysis.budget_queue import StorePattern
from busplay.batch import UInt64Column
from busplay.description.board import Processor

CODE_ADDRESS = 0x0200
POINTER = 0xF0
END_MARK = 0x01FF
# Where the bytes to fill lie: behind the longest code, up to the end of memory.
FILL_STOP = 0x10000
STRAIGHT_STORES_MAX = 0x2000
BYTES_A_RUN = {"straight": STRAIGHT_STORES_MAX}
BYTES_A_RUN_MAX = 0xE000
_PIECE_CYCLES = 50_000

LDA_IMMEDIATE, LDX_IMMEDIATE, LDY_IMMEDIATE = 0xA9, 0xA2, 0xA0
STA_ZERO_PAGE, STA_ABSOLUTE, STA_ABSOLUTE_X, STA_INDIRECT_Y = 0x85, 0x8D, 0x9D, 0x91
INX, INY, DEX, BNE, JMP = 0xE8, 0xC8, 0xCA, 0xD0, 0x4C
INC_ZERO_PAGE, INC_ABSOLUTE = 0xE6, 0xEE
BRK_VECTOR = 0xFFFE


@dataclass(frozen=True, slots=True)
class FillLoop:
    """One way to fill memory.

    Attributes:
        name: for options and tables.
        meaning: its instructions, in a line.
        assemble: returns the code for `bytes` bytes from `first_address` on.
    """

    name: str
    meaning: str
    assemble: Callable[[int, int], bytes]


@dataclass(frozen=True, slots=True, eq=False)
class LoopRun:
    """A loop that was run.

    Attributes:
        loop: which.
        filled_bytes: stores into the memory to fill; each byte once.
        cycles: from its first instruction to the end of its last.
        code_bytes: of the code that was run.
        store_cycle: uint64[filled_bytes], rising; 0 is its first instruction's first cycle.
    """

    loop: FillLoop
    filled_bytes: int
    cycles: int
    code_bytes: int
    store_cycle: UInt64Column


@dataclass(frozen=True, slots=True)
class FastStore:
    """An instruction that stores fast when it stands many times in a row.

    Attributes:
        name: for tables.
        code: its bytes.
        reaches: `any` address, or only the `zero page` or the `stack` page.
    """

    name: str
    code: bytes
    reaches: str


FAST_STORES = (
    FastStore("STA absolute", bytes([STA_ABSOLUTE, 0x00, 0x40]), "any"),
    FastStore("INC absolute", bytes([INC_ABSOLUTE, 0x00, 0x40]), "any"),
    FastStore("STA zero page", bytes([STA_ZERO_PAGE, 0x40]), "zero page"),
    FastStore("INC zero page", bytes([INC_ZERO_PAGE, 0x40]), "zero page"),
    FastStore("PHA", bytes([0x48]), "stack"),
    FastStore("JSR", bytes([0x20]), "stack"),
    FastStore("BRK", bytes([0x00]), "stack"),
)


def fast_store_pattern(store: FastStore, processor: Processor) -> StorePattern:
    """Run an instruction several times in a row and return when its writes fall.

    BRK goes to its vector, which here leads back to it; interrupts push as fast, but not as often.
    """
    from busplay.core.make import make_core

    core = make_core("compiled", processor)
    core.s = 0xFF
    core.pc = at = CODE_ADDRESS
    times = 3
    core.memory[BRK_VECTOR : BRK_VECTOR + 2] = list(CODE_ADDRESS.to_bytes(2, "little"))
    for _ in range(times):
        code = store.code
        if store.name == "JSR":
            code += (at + 3).to_bytes(2, "little")
        core.memory[at : at + len(code)] = list(code)
        at += len(code)
    begins = [core.cycle]
    for _ in range(times):
        core.step()
        begins.append(core.cycle)
    cycle = core.take_stores().cycle.astype(np.int64)
    writes = len(cycle) // times
    first, second = cycle[:writes], cycle[writes : 2 * writes]
    return StorePattern(int(second[0] - first[0]), tuple(int(one) for one in first - first[0]))


# -- the loops


def _low_high(address: int) -> bytes:
    return (address & 0xFFFF).to_bytes(2, "little")


def _byte_loop(first_address: int, count: int) -> bytes:
    # The end is a page's end, so that Y counts up to 0 in every page, the first one too.
    pages, first_y = -(-count // 256), -count % 256
    pointer = first_address - first_y
    return (
        bytes([LDA_IMMEDIATE, pointer & 0xFF, STA_ZERO_PAGE, POINTER])
        + bytes([LDA_IMMEDIATE, pointer >> 8, STA_ZERO_PAGE, POINTER + 1])
        + bytes([LDX_IMMEDIATE, pages & 0xFF, LDY_IMMEDIATE, first_y])
        + bytes([STA_INDIRECT_Y, POINTER, INY, BNE, 0x100 - 5])
        + bytes([INC_ZERO_PAGE, POINTER + 1, DEX, BNE, 0x100 - 10])
    )


def _unrolled_loop(first_address: int, count: int) -> bytes:
    code = bytearray()
    at = first_address
    while count >= 8:
        run = min(256, count // 8)
        first_x = 256 - run
        stores = b"".join(
            bytes([STA_ABSOLUTE_X]) + _low_high(at + each * run - first_x) for each in range(8)
        )
        block = bytes([LDX_IMMEDIATE, first_x & 0xFF]) + stores + bytes([INX, BNE, 0x100 - 27])
        here = CODE_ADDRESS + len(code)
        if here // 256 != (here + len(block)) // 256:
            # A taken branch over the end of a page costs a cycle each time; a jump once three.
            start = -(-(here + 3) // 256) * 256
            code += (bytes([JMP]) + _low_high(start)).ljust(start - here, b"\xea")
        code += block
        at += 8 * run
        count -= 8 * run
    return bytes(code) + _straight_stores(at, count)


def _self_modifying_loop(first_address: int, count: int) -> bytes:
    # The low byte of the store's operand counts; it ends at a page's end.
    pages = -(-count // 256)
    store = CODE_ADDRESS + 2
    return (
        bytes([LDX_IMMEDIATE, pages & 0xFF])
        + bytes([STA_ABSOLUTE])
        + _low_high(first_address)
        + bytes([INC_ABSOLUTE])
        + _low_high(store + 1)
        + bytes([BNE, 0x100 - 8, INC_ABSOLUTE])
        + _low_high(store + 2)
        + bytes([DEX, BNE, 0x100 - 14])
    )


def _straight_stores(first_address: int, count: int) -> bytes:
    return b"".join(
        bytes([STA_ABSOLUTE]) + _low_high(first_address + each) for each in range(count)
    )


FILL_LOOPS = (
    FillLoop("byte", "STA (zp),Y, INY, BNE", _byte_loop),
    FillLoop("self-modifying", "STA abs, INC op, BNE", _self_modifying_loop),
    FillLoop("unrolled", "8 STA abs,X, INX, BNE", _unrolled_loop),
    FillLoop("straight", "STA abs for each", _straight_stores),
)
LOOP_NAMES = tuple(one.name for one in FILL_LOOPS)


def run_loop(loop: FillLoop, *, filled_bytes: int, processor: Processor) -> LoopRun:
    """Fill bytes with a loop on the core and return when each store fell.

    What 64 KiB cannot hold beside the code is filled in several runs, one behind the other.
    """
    if filled_bytes < 1:
        raise ValueError(f"filled_bytes is {filled_bytes}; a loop fills 1 byte or more")
    cycles = code_bytes = done = 0
    columns: list[UInt64Column] = []
    largest = BYTES_A_RUN.get(loop.name, BYTES_A_RUN_MAX)
    while done < filled_bytes:
        count = min(largest, filled_bytes - done)
        column, run_cycles, run_code_bytes = _run(loop, count, processor)
        columns.append(column + np.uint64(cycles))
        cycles += run_cycles
        code_bytes += run_code_bytes
        done += count
    return LoopRun(loop, filled_bytes, cycles, code_bytes, np.concatenate(columns))


def _run(loop: FillLoop, count: int, processor: Processor) -> tuple[UInt64Column, int, int]:
    from busplay.core.make import make_core

    first_address = FILL_STOP - count
    code = loop.assemble(first_address, count)
    core = make_core("compiled", processor)
    end = CODE_ADDRESS + len(code)
    # A store to the mark shows when the loop ended; then the program stands still.
    mark = bytes([STA_ABSOLUTE]) + _low_high(END_MARK) + bytes([JMP]) + _low_high(end + 3)
    if end + len(mark) > first_address:
        raise ValueError(f"{count} bytes and the {loop.name} loop for them do not fit in 64 KiB")
    core.memory[CODE_ADDRESS : end + len(mark)] = np.frombuffer(code + mark, np.uint8)
    core.pc = CODE_ADDRESS
    began = core.cycle
    addresses, cycles = [], []
    while True:
        core.run(_PIECE_CYCLES)
        stores = core.take_stores()
        addresses.append(stores.address)
        cycles.append(stores.cycle)
        if END_MARK in stores.address:
            break
    address, cycle = np.concatenate(addresses), np.concatenate(cycles)
    # The mark's store is the last of its 4 cycles.
    ended = int(cycle[address == END_MARK][0]) - 3
    filled = cycle[(address >= first_address) & (cycle < ended)]
    return filled - np.uint64(began), ended - began, len(code)
