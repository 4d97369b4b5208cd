"""Compiled loops of the display: frames to memory and registers.

How to think about it. A unit is three arrays: its memory, its palette, and a row of numbers
(the columns named below) with the registers and the counts of writes outside. A bank joins these
arrays of all its units, so that one loop serves any number of units and compiles once.

A page takes effect at a refresh, so the loop is told how many frames came before each refresh, and
then takes over the page that was written.

Frames are applied in order, although memory and registers are independent until a picture is
drawn.

There are no bounds checks here, so every offset is compared before it is used.

Not here: what the fields of a frame are (`fields`), pixels (`drawing`), colours (`display`).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from busplay.batch import SPAN_COPIES, SPAN_COUNT, SPAN_FIRST
from busplay.jit import kernel

# Columns of a unit's row of numbers.
BASE = 0
BASE_LOW = 1
BORDER = 2
BLANK = 3
PALETTE_INDEX = 4
RED = 5
GREEN = 6
OUTSIDE_MEMORY = 7
OUTSIDE_REGISTERS = 8
# A unit without text and pages has those above only.
BITMAP_ROW_NUMBERS = 9
CURSOR = 9
CURSOR_LOW = 10
CURSOR_SHAPE = 11
TEXT_COLOURS = 12
PAGE = 13
PAGE_SHOWN = 14
ROW_NUMBERS = 15

# Columns of a unit's facts, which do not change: colours less one, a bit for each offset that has a
# register, pages.
FACT_COLOUR_MASK = 0
FACT_REGISTERS = 1
FACT_PAGES = 2
UNIT_FACTS = 3

# Shape of the cursor that is a line; 0 is none, those above swap ink and paper.
CURSOR_LINE = 1

# Columns of a bank's counts.
COUNT_MEMORY = 0
COUNT_REGISTERS = 1
COUNT_IDLE = 2
COUNT_RESERVED_SPACE = 3
COUNT_UNKNOWN_UNIT = 4
BANK_COUNTS = 5

# Rows of the table of field positions in a word.
FIELD_SPACE = 0
FIELD_UNIT = 1
FIELD_ADDRESS = 2
FIELD_DATA = 3

UInt8Array = NDArray[np.uint8]
UInt64Array = NDArray[np.uint64]
Int64Array = NDArray[np.int64]


class WriteCounts(NamedTuple):
    """Where a bank counts the writes that it applies: by cell, and in spans of the frames.

    Attributes:
        cells: uint32[cells]; writes to each; added to.
        memory_first, register_first: int64[units]; first cell of each unit's memory, registers.
        shift: a cell of memory is 2**shift bytes.
        stops: int64[spans]; frames applied before the end of each span; none: nothing is counted.
        changed: uint64[spans]; frames that changed a byte of memory; added to.
        offsets, values: uint32[BLOCK_WORDS], uint8[BLOCK_WORDS]; room, overwritten.
    """

    cells: NDArray[np.uint32]
    memory_first: Int64Array
    register_first: Int64Array
    shift: int
    stops: Int64Array
    changed: UInt64Array
    offsets: NDArray[np.uint32]
    values: UInt8Array


# Words of a counted run whose fields are taken out together: at first, and at most.
FIRST_BLOCK = 16
BLOCK_WORDS = 256
_NONE = np.empty(0, np.int64)
NOT_COUNTED = WriteCounts(
    cells=np.empty(0, np.uint32),
    memory_first=_NONE,
    register_first=_NONE,
    shift=0,
    stops=_NONE,
    changed=np.empty(0, np.uint64),
    offsets=np.empty(0, np.uint32),
    values=np.empty(0, np.uint8),
)


@kernel
def has_register(facts: UInt64Array, offset: np.uint64) -> bool:
    """Return whether a unit has a register at an offset."""
    if offset >= np.uint64(64):
        return False
    return bool((facts[FACT_REGISTERS] >> offset) & np.uint64(1))


@kernel
def write_register(
    row: UInt64Array,
    palette: UInt8Array,
    facts: UInt64Array,
    offset: np.uint64,
    data: np.uint8,
) -> None:
    """Write one register; `row`, `palette` and `facts` are the unit's."""
    value = np.uint64(data)
    colour_mask = facts[FACT_COLOUR_MASK]
    if not has_register(facts, offset):
        row[OUTSIDE_REGISTERS] += np.uint64(1)
    elif offset == 0:
        row[BASE_LOW] = value
    elif offset == 1:
        row[BASE] = value << np.uint64(8) | row[BASE_LOW]
    elif offset == 2:
        row[BORDER] = value & colour_mask
    elif offset == 3:
        row[BLANK] = value & np.uint64(1)
    elif offset == 4:
        row[PALETTE_INDEX] = value & colour_mask
    elif offset == 5:
        row[RED] = value
    elif offset == 6:
        row[GREEN] = value
    elif offset == 7:
        index = row[PALETTE_INDEX]
        palette[index, 0] = np.uint8(row[RED])
        palette[index, 1] = np.uint8(row[GREEN])
        palette[index, 2] = np.uint8(value)
        row[PALETTE_INDEX] = (index + np.uint64(1)) & colour_mask
    elif offset == 8:
        row[CURSOR_LOW] = value
    elif offset == 9:
        row[CURSOR] = value << np.uint64(8) | row[CURSOR_LOW]
    elif offset == 10:
        row[CURSOR_SHAPE] = value & np.uint64(3)
    elif offset == 11:
        row[TEXT_COLOURS] = value
    elif offset == 12:
        row[PAGE] = value % facts[FACT_PAGES]


@kernel
def write_registers(
    offsets: UInt64Array,
    data: UInt8Array,
    row: UInt64Array,
    palette: UInt8Array,
    facts: UInt64Array,
) -> None:
    """Write registers in order; both columns have the same length."""
    for i in range(len(offsets)):
        write_register(row, palette, facts, offsets[i], data[i])


@kernel
def write_memory(
    offsets: UInt64Array, data: UInt8Array, memory: UInt8Array, row: UInt64Array
) -> None:
    """Write bytes in order; both columns have the same length."""
    size = np.uint64(len(memory))
    outside = 0
    for i in range(len(offsets)):
        if offsets[i] < size:
            memory[offsets[i]] = data[i]
        else:
            outside += 1
    row[OUTSIDE_MEMORY] += np.uint64(outside)


@kernel
def show_pages(rows: UInt64Array) -> None:
    """Show the pages that were written, as at a refresh; uint64[units, ROW_NUMBERS]."""
    for unit in range(len(rows)):
        rows[unit, PAGE_SHOWN] = rows[unit, PAGE]


@kernel
def gather_words(words: UInt64Array, tables: UInt64Array, gathered: UInt64Array) -> None:
    """Gather scattered fields: XOR of `tables[i, byte i of the word]`."""
    byte_count = len(tables)
    for i in range(len(words)):
        word = words[i]
        value = np.uint64(0)
        for byte in range(byte_count):
            value ^= tables[byte, word & np.uint64(0xFF)]
            word >>= np.uint64(8)
        gathered[i] = value


@kernel
def _store_run(
    words: UInt64Array,
    at: int,
    stop: int,
    place_bits: np.uint64,
    place: np.uint64,
    fields: UInt64Array,
    memory: UInt8Array,
    first: np.uint64,
    size: np.uint64,
) -> int:
    """Store words from `at` on in a unit's memory; return the first of another place or outside."""
    address_shift, address_mask = fields[FIELD_ADDRESS, 0], fields[FIELD_ADDRESS, 1]
    data_shift, data_mask = fields[FIELD_DATA, 0], fields[FIELD_DATA, 1]
    here = words[at:stop]
    for i in range(len(here)):
        word = here[i]
        offset = (word >> address_shift) & address_mask
        if word & place_bits != place or offset >= size:
            return at + i
        memory[first + offset] = np.uint8((word >> data_shift) & data_mask)
    return stop


@kernel
def _store_counted_run(
    words: UInt64Array,
    at: int,
    stop: int,
    place_bits: np.uint64,
    place: np.uint64,
    fields: UInt64Array,
    memory: UInt8Array,
    first: np.uint64,
    size: np.uint64,
    writes: WriteCounts,
    first_cell: np.uint64,
    span: int,
) -> int:
    """Do as `_store_run`, and count the writes of a span.

    Address and data of a block of words are taken out first, which compiles to vector
    instructions; in one loop with the counting they need more registers than there are: 1.5 ns a
    frame against 1.2. Blocks grow, since a run may end with its second word.
    """
    address_shift, address_mask = fields[FIELD_ADDRESS, 0], fields[FIELD_ADDRESS, 1]
    data_shift, data_mask = fields[FIELD_DATA, 0], fields[FIELD_DATA, 1]
    offsets, values, cell_shift = writes.offsets, writes.values, np.uint64(writes.shift)
    one = np.uint32(1)
    # Added without a branch, since nothing predicts whether a byte changes.
    changes = np.uint64(0)
    most = FIRST_BLOCK
    while at < stop:
        count = min(most, stop - at)
        here = words[at : at + count]
        elsewhere = np.uint64(0)
        for i in range(count):
            word = here[i]
            offset = (word >> address_shift) & address_mask
            elsewhere |= (word & place_bits) ^ place | np.uint64(offset >= size)
            offsets[i] = np.uint32(offset)
            values[i] = np.uint8((word >> data_shift) & data_mask)
        if elsewhere != np.uint64(0):
            count = 0
            while (
                here[count] & place_bits == place
                and (here[count] >> address_shift) & address_mask < size
            ):
                count += 1
        for i in range(count):
            offset = np.uint64(offsets[i])
            cell = first_cell + (offset >> cell_shift)
            writes.cells[cell] += one
            changes += np.uint64(memory[first + offset] != values[i])
            memory[first + offset] = values[i]
        at += count
        if elsewhere != np.uint64(0):
            break
        most = min(2 * most, BLOCK_WORDS)
    writes.changed[span] += changes
    return at


@kernel
def apply_frames(
    sent: UInt64Array,
    copies: UInt64Array,
    spans: Int64Array,
    fields: UInt64Array,
    unit_indexes: Int64Array,
    memory: UInt8Array,
    memory_first: UInt64Array,
    memory_bytes: UInt64Array,
    rows: UInt64Array,
    palettes: UInt8Array,
    facts: UInt64Array,
    refreshes: Int64Array,
    counts: UInt64Array,
    writes: WriteCounts,
) -> None:
    """Apply frames to the memories and registers of a bank's units, in order.

    Args:
        sent, copies, spans: words as in `DeliveredFrames`.
        fields: uint64[4, 3]; for space, unit, address, data: shift, mask, and a value to OR in
            (for a field that the link lacks).
        unit_indexes: int64[numbers]; index of each number's unit or -1; the last entry stands for
            every number from there on.
        memory: uint8; the units' memories, concatenated.
        memory_first, memory_bytes: uint64[units].
        rows: uint64[units, ROW_NUMBERS].
        palettes: uint8[units, 256, 3].
        facts: uint64[units, UNIT_FACTS].
        refreshes: int64[refreshes]; frames applied before each; none if no unit has pages.
        counts: uint64[BANK_COUNTS]; added to.
        writes: where to count writes.
    """
    space_shift, space_mask, space_fixed = fields[0]
    unit_shift, unit_mask, unit_fixed = fields[1]
    address_shift, address_mask = fields[2, 0], fields[2, 1]
    data_shift, data_mask = fields[3, 0], fields[3, 1]
    last = np.uint64(len(unit_indexes) - 1)
    idle, in_memory, in_registers = np.uint64(0), np.uint64(1), np.uint64(2)
    registers_count = 0
    idle_count = 0
    reserved_count = 0
    unknown_count = 0
    # Programs write the same memory many times in a row, so it is looked up only if space or unit
    # changes: 0.9 ns a frame, against 5 where every word is for another unit than the last.
    place_bits = space_mask << space_shift | unit_mask << unit_shift
    place = ~np.uint64(0)
    first_kept = size_kept = cell_kept = np.uint64(0)
    is_counted = len(writes.stops) > 0
    last_span = len(writes.stops) - 1
    counted_span = 0
    refresh = 0
    done = total = 0
    for piece in range(2 * len(spans) + 1):
        span = piece // 2
        if piece % 2:
            first = spans[span, SPAN_FIRST]
            words = sent[first : first + spans[span, SPAN_COUNT]]
        else:
            end = spans[span, SPAN_COPIES] if span < len(spans) else len(copies)
            words = copies[done:end]
            done = end
        at = 0
        while at < len(words):
            stop = len(words)
            while refresh < len(refreshes) and refreshes[refresh] <= total + at:
                show_pages(rows)
                refresh += 1
            if refresh < len(refreshes):
                stop = min(stop, refreshes[refresh] - total)
            if is_counted:
                while counted_span < last_span and writes.stops[counted_span] <= total + at:
                    counted_span += 1
                if counted_span < last_span:
                    stop = min(stop, writes.stops[counted_span] - total)
                at = _store_counted_run(
                    words,
                    at,
                    stop,
                    place_bits,
                    place,
                    fields,
                    memory,
                    first_kept,
                    size_kept,
                    writes,
                    cell_kept,
                    counted_span,
                )
            else:
                at = _store_run(
                    words, at, stop, place_bits, place, fields, memory, first_kept, size_kept
                )
            if at == stop:
                continue
            word = words[at]
            offset = (word >> address_shift) & address_mask
            space = (word >> space_shift) & space_mask | space_fixed
            number = (word >> unit_shift) & unit_mask | unit_fixed
            unit = unit_indexes[min(number, last)]
            if space == in_memory and unit >= 0:
                if offset < memory_bytes[unit]:
                    # A run in this memory begins with this word.
                    place = word & place_bits
                    first_kept, size_kept = memory_first[unit], memory_bytes[unit]
                    if is_counted:
                        cell_kept = np.uint64(writes.memory_first[unit])
                    continue
                rows[unit, OUTSIDE_MEMORY] += np.uint64(1)
            elif space == idle:
                idle_count += 1
            elif space > in_registers:
                reserved_count += 1
            elif unit < 0:
                unknown_count += 1
            else:
                registers_count += 1
                data = np.uint8((word >> data_shift) & data_mask)
                write_register(rows[unit], palettes[unit], facts[unit], offset, data)
                if is_counted and has_register(facts[unit], offset):
                    writes.cells[np.uint64(writes.register_first[unit]) + offset] += np.uint32(1)
            at += 1
        total += len(words)
    if refresh < len(refreshes):
        show_pages(rows)
    others = registers_count + idle_count + reserved_count + unknown_count
    counts[COUNT_MEMORY] += np.uint64(total - others)
    counts[COUNT_REGISTERS] += np.uint64(registers_count)
    counts[COUNT_IDLE] += np.uint64(idle_count)
    counts[COUNT_RESERVED_SPACE] += np.uint64(reserved_count)
    counts[COUNT_UNKNOWN_UNIT] += np.uint64(unknown_count)
