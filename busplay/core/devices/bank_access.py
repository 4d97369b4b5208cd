"""What a store to a latch does to banked memory, as a function of both cores; see `via_access`.

The page that is shown lies in the processor's 64 KiB, so that reads and instructions need no test.
To change it, its bytes are exchanged: 8 KiB take a fraction of a microsecond.
"""

from __future__ import annotations

from typing import NamedTuple

from busplay.batch import Int64Column, UInt8Column
from busplay.core.devices.via_state import READ, WRITE
from busplay.jit import kernel, shared_kernel

(
    FIRST,
    BYTES,
    PAGES,
    STORED_AT,
    IS_RAM,
    IS_OVERLAY,
    PAGE,
    SHOWN,
    PROTECTED,
    ROW,
) = range(10)
"""Numbers of a bank: its range; its count of pages, and where page 0 is stored; the page that the
bits choose, and the one that is in the processor's memory, -1 before the first; whether stores are
ignored; the row of the actions that holds."""
BANK_NUMBERS = 10

BANK, PLACE, LATCH, LATCH_BIT, LEVEL = range(5)
"""Numbers of a bit: whose it is; its place in the page's number, or `PROTECT_PLACE`; the latch,
-1 for a pin, and the latch's bit; its level."""
BIT_NUMBERS = 5
PROTECT_PLACE = -1

LATCH_PLACE, ADDRESS, LINE = range(3)
"""Numbers of a latch: its place among the latches, its address, and the interrupt line that it
has not."""
LATCH_NUMBERS = 3

COUNT = 0
"""Of the log's first row: changes in it. Others: from which cycle on, the bank, the page."""
LOG_ROWS = 4096

WRITABLE, IGNORED, NOTHING, OVERLAID = range(4)
"""Rows of the actions: what a write does in a bank that takes stores, ignores them, has no such
page, or is an overlay; then the same for each page that windows are bound to."""
ACTION_ROWS = 4

ASKS_THE_HOST = 0x200
OVERLAY_PAGE, BELOW_PAGE = 0, 1


class PagedMemory(NamedTuple):
    """The memory of a board with banks.

    Attributes:
        banks, bits: numbers of each, see above.
        log: changes of pages, see above.
        stored: the pages of all banks.
        memory: uint8[65536] of the core, or more: the first bytes again.
        actions: uint8[65536]; what the core does at a write.
        action_rows: uint8[rows * 65536]; see above.
        variants: uint8[65536]; of each page, how many groups of rows come before its own.
        unmapped_read: what is read where there is no page.
    """

    banks: Int64Column
    bits: Int64Column
    log: Int64Column
    stored: UInt8Column
    memory: UInt8Column
    actions: UInt8Column
    action_rows: UInt8Column
    variants: UInt8Column
    unmapped_read: int


@shared_kernel
def copy_bytes(source: UInt8Column, target: UInt8Column) -> None:
    """Copy all of one array to another of the same length."""
    for place in range(len(target)):
        target[place] = source[place]


@shared_kernel
def show_page(
    bank: int,
    paged: PagedMemory,
) -> int:
    """Bring the page that a bank's bits choose into memory, and what writes do there.

    Returns:
        1 if another page is shown now.
    """
    banks, stored, memory = paged.banks, paged.stored, paged.memory
    here = bank * BANK_NUMBERS
    first, span, last = banks[here + FIRST], banks[here + BYTES], banks[here + PAGES] - 1
    page, shown = banks[here + PAGE], banks[here + SHOWN]
    at = banks[here + STORED_AT]
    changed = 0
    if page != shown:
        changed = 1
        keeps = banks[here + IS_RAM] != 0 or (banks[here + IS_OVERLAY] != 0 and shown == BELOW_PAGE)
        if keeps and 0 <= shown <= last:
            begin = at + shown * span
            copy_bytes(memory[first : first + span], stored[begin : begin + span])
        if page <= last:
            begin = at + page * span
            copy_bytes(stored[begin : begin + span], memory[first : first + span])
        else:
            for offset in range(span):
                memory[first + offset] = paged.unmapped_read
        # The first bytes again, behind the last; see the compiled core's block.
        for address in range(first, len(memory) - 0x10000):
            memory[0x10000 + address] = memory[address]
        banks[here + SHOWN] = page
    row = WRITABLE
    if banks[here + IS_OVERLAY] != 0:
        if page == OVERLAY_PAGE:
            row = OVERLAID
    elif page > last:
        row = NOTHING
    elif banks[here + PROTECTED] != 0:
        row = IGNORED
    if banks[here + IS_OVERLAY] == 0:
        row += ACTION_ROWS * paged.variants[page]
    begin = row * 0x10000 + first
    if row != banks[here + ROW]:
        banks[here + ROW] = row
        copy_bytes(paged.action_rows[begin : begin + span], paged.actions[first : first + span])
    return changed


@shared_kernel
def choose_page(bank: int, banks: Int64Column, bits: Int64Column) -> int:
    """Work out from its bits what a bank should show; return 1 if that is something new."""
    page = 0
    protected = 0
    for row in range(0, len(bits), BIT_NUMBERS):
        if bits[row + BANK] == bank and bits[row + LEVEL] != 0:
            if bits[row + PLACE] == PROTECT_PLACE:
                protected = 1
            else:
                page |= 1 << bits[row + PLACE]
    here = bank * BANK_NUMBERS
    changed = banks[here + PAGE] != page or banks[here + PROTECTED] != protected
    banks[here + PAGE] = page
    banks[here + PROTECTED] = protected
    return 1 if changed else 0


@shared_kernel
def has_room(paged: PagedMemory) -> int:
    """Return whether the log has room for a change of every bank."""
    count = len(paged.banks) // BANK_NUMBERS
    return 1 if 3 * (paged.log[COUNT] + count + 1) < len(paged.log) else 0


@shared_kernel
def show_chosen(cycle: int, paged: PagedMemory) -> None:
    """Show from a cycle on what the bits choose, and log what changes; there is room."""
    banks, log = paged.banks, paged.log
    for bank in range(len(banks) // BANK_NUMBERS):
        if banks[bank * BANK_NUMBERS + IS_OVERLAY] != 0:
            continue
        if choose_page(bank, banks, paged.bits) and show_page(bank, paged):
            log[COUNT] += 1
            row = 3 * log[COUNT]
            log[row] = cycle
            log[row + 1] = bank
            log[row + 2] = banks[bank * BANK_NUMBERS + SHOWN]


@shared_kernel
def latch_access(
    latch: Int64Column,
    operation: int,
    offset: int,
    data: int,
    cycle: int,
    paged: PagedMemory,
) -> int:
    """Access a latch: a read sees the memory there; a write chooses pages from the next cycle on.

    Returns:
        The byte read, or 0; or `ASKS_THE_HOST` if the log has no room.
    """
    if operation == READ:
        return int(paged.memory[latch[ADDRESS]])
    if not has_room(paged):
        return ASKS_THE_HOST
    bits = paged.bits
    for row in range(0, len(bits), BIT_NUMBERS):
        if bits[row + LATCH] == latch[LATCH_PLACE]:
            bits[row + LEVEL] = data >> bits[row + LATCH_BIT] & 1
    show_chosen(cycle + 1, paged)
    return 0


@kernel
def write_latch(latch: Int64Column, data: int, cycle: int, paged: PagedMemory) -> int:
    """Write to a latch as `latch_access` does, for Python code."""
    return latch_access(latch, WRITE, 0, data, cycle, paged)


@kernel
def show(bank: int, paged: PagedMemory) -> int:
    """Do `show_page` for Python code."""
    return show_page(bank, paged)
