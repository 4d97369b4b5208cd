"""The pipeline in sync: stores or frames to symbols, to words, to display memory, block by block.

How to think about it. The stages, one after the other, spend most of their time on moving
columns through memory. Here some thousand frames at a time go the whole way while they stay in
the cache, in short loops that the compiler turns into vector instructions. A block is taken
only if all of it is *plain*; anything else is left, untouched, to the stages. So nothing here
decides what becomes of a frame that is not right.

A block of stores is plain if all addresses lie in windows, no store finds the FIFO full, and
the clocks' ratio is whole. Start edges come from the cheapest rule that fits the block: one
slot after another (a busy link), each at its own earliest edge (an idle one), or the later of
the two, which is the only loop here that must go frame by frame.

On the wire a slot is one row of 64-bit chunks, the first symbol lowest, kept chunk by chunk
(`rows[chunk * BLOCK + frame]`), so that all frames' first chunks lie side by side. A word is
unfolded to symbols and folded back by halves: 8 symbols are 2 groups of 4, 4 of 2, 8 of 1, and
each step moves all groups at once. Where the lowest lane carries a symbol's first bit, all
symbols are turned round first.

A block of frames is plain if the strobe stands where it should, every check bit's parity is
even, every constant in its place, no frame is idle, sequence numbers follow each other, and no
two neighbours show a marker between them. Then the receiver's and the bank's counters move by
what the stages would have counted.

Invariants: before and after each block the receiver is in SYNC between two frames at edge
`info[AT_EDGE]`; nothing is changed by a block that is not plain.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from busplay.jit import kernel
from busplay.jit.bits import count_ones

BLOCK = 2048

UInt64Array = NDArray[np.uint64]
UInt64Table = NDArray[np.uint64]

# What `carry` returns.
DONE, NOT_PLAIN, NOT_RIGHT, OTHERS_FULL = range(4)
# How the frames of a block of stores follow each other: without a gap or not, or NOT_PLAIN.
A_ROW, APART = 4, 5
# Places in `kept` (uint64): the unit's memory that was written last.
IS_KEPT, PLACE_BITS, PLACE_FIRST, PLACE_BYTES, KEPT_COUNT = range(5)

# Places in `info` (int64).
FIRST, AT_EDGE, OTHERS, HIT, LOGGED = range(5)
INFO_COUNT = 5

# Places in `numbers` (uint64). FIFO_EDGES: the FIFO's depth in edges; an edge is on the slot grid
# if its SLOT_LOW_MASK bits are 0 and SLOT_INVERSE times it is no more than SLOT_LIMIT;
# EXPECTED_MASK: of the sequence number that the receiver keeps.
NUMERATOR, LEAD_EDGES, GRID_EDGES, STEP_EDGES, FIFO_EDGES, SEQUENCE_MASK = range(6)
IS_STROBE, IS_HELD, FRAME_SYMBOLS, SLOT_SYMBOLS = range(6, 10)
SLOT_LOW_MASK, SLOT_INVERSE, SLOT_LIMIT, FIXED_MASK, FIXED_WORD = range(10, 15)
SPACE_MASK, SPACE_COMPARED, IDLE_MASK, IDLE_WORD, EXPECTED_MASK = range(15, 20)
RELEASE_FRAMES, NUMBERS_COUNT = range(20, 22)

# Columns of `chunks` (uint64).
TEMPLATE, STROBE_MASK, PIECE_RIGHT, PIECE_LEFT, PIECE_MASK = range(5)
# Columns of `watches` (uint64): a marker may stand between two words if
# (before << BEFORE_SHIFT & BEFORE_MASK | word >> AFTER_SHIFT & AFTER_MASK) == SHOWN.
BEFORE_SHIFT, BEFORE_MASK, AFTER_SHIFT, AFTER_MASK, SHOWN = range(5)
# Columns of `steps` (uint64), for groups of 8, 16 and 32 bits.
GROUP_BITS, GROUP_MASK, USED_BITS = range(3)
# Columns of `turns` (uint64); the last row is the shift that brings turned lanes down again,
# and all lanes.
TURN_BITS, TURN_MASK = range(2)

# Places in the encoder's `carried` and `counts`, the receiver's registers and the bank's
# arrays; a test holds them against the stages' own.
LAST_START, ANY_SENT, SEQUENCE, LAST_CYCLE, BUSY_RUN = range(5)
OFFERED, SENT = 0, 1
R_WINDOW, R_RIGHT_RUN, R_WRONG_RUN, R_IS_ARMED, R_EXPECTED, R_IS_ACTIVE = 1, 4, 5, 6, 7, 8
R_FRAME_EDGE, R_FED, R_REST, R_RECEIVED, R_IDLE = 9, 10, 12, 13, 14
R_FAILED, R_MISSED = 15, 18
LOG_FAILED, LOG_COLUMNS = 0, 4
SPACE, UNIT, ADDRESS, DATA = range(4)
SHIFT, MASK, FIXED = range(3)
COUNT_MEMORY = 0
IN_MEMORY = 1

SIGN = np.uint64(1 << 63)
# Edges of a block within which a float tells the slot to one.
EXACT_EDGES = float(1 << 50)


@kernel
def falls(cycle: UInt64Array) -> bool:
    """Tell whether a cycle lies before the one before it."""
    signs = np.uint64(0)
    for i in range(1, len(cycle)):
        signs |= cycle[i] - cycle[i - 1]
    return bool(signs & SIGN != np.uint64(0))


@kernel
def _start_edges(cycles: UInt64Array, numbers: UInt64Array, free: np.uint64, edge: Any) -> int:
    """Work out where the frames of a block of stores start; give NOT_PLAIN, A_ROW or APART.

    Args:
        free: first edge at which the link is free.
        edge: gets the edges; of a row, the first and the last only.
    """
    numerator, lead = numbers[NUMERATOR], numbers[LEAD_EDGES]
    grid, step, fifo = numbers[GRID_EDGES], numbers[STEP_EDGES], numbers[FIFO_EDGES]
    one, count = np.uint64(1), len(cycles)
    origin = (lead + (cycles[0] + one) * numerator + grid - one) // grid * grid
    start = max(free, origin)
    # How much later than at its earliest edge each frame would start in a row without gaps:
    # not less than 0, and not so late that the FIFO would have been full.
    ahead = start - lead - numerator
    latest = grid + fifo - one
    signs = np.uint64(0)
    for i in range(count):
        x = ahead + np.uint64(i) * step - cycles[i] * numerator
        signs |= x | (latest - x)
    if signs & SIGN == np.uint64(0):
        edge[0] = start
        edge[count - 1] = start + np.uint64(count - 1) * step
        return A_ROW
    # Round up to the grid: by a product of floats, which can be one off.
    span_edges = np.float64(cycles[count - 1] - cycles[0]) * np.float64(numerator)
    if span_edges > EXACT_EDGES:
        return NOT_PLAIN
    slots_per_edge = 1.0 / np.float64(grid)
    behind = lead + numerator + grid - one - origin
    for i in range(count):
        x = cycles[i] * numerator + behind
        whole = np.uint64(np.float64(x) * slots_per_edge)
        part = np.int64(x - whole * grid)
        whole += np.uint64(part >= np.int64(grid)) - np.uint64(part < 0)
        edge[i] = origin + whole * grid
    signs = edge[0] - start
    for i in range(1, count):
        signs |= edge[i] - edge[i - 1] - step
    if signs & SIGN != np.uint64(0):
        signs = np.uint64(0)
        before = start - step
        for i in range(count):
            earliest = edge[i]
            before = max(earliest, before + step)
            edge[i] = before
            signs |= fifo - (before - earliest)
        if signs & SIGN != np.uint64(0):
            return NOT_PLAIN
    return APART


@kernel
def _look_up(
    addresses: NDArray[np.uint16],
    values: NDArray[np.uint8],
    number: np.uint64,
    sequence_mask: np.uint64,
    address_table: UInt64Array,
    data_table: UInt64Array,
    sequence_tables: UInt64Table,
    target: UInt64Array,
) -> None:
    """Return the row or word of each store; `number` is the first one's sequence number."""
    # Two tables of 256 entries for the address, which stay in the nearest cache, were no
    # faster than one of 65,536, with addresses at random.
    byte_mask = np.uint64(0xFF)
    if len(sequence_tables) == 0:
        for i in range(len(target)):
            target[i] = address_table[addresses[i]] ^ data_table[values[i]]
        return
    table = sequence_tables[0]
    for i in range(len(target)):
        low = (number + np.uint64(i)) & sequence_mask & byte_mask
        target[i] = address_table[addresses[i]] ^ data_table[values[i]] ^ table[low]
    for byte in range(1, len(sequence_tables)):
        table = sequence_tables[byte]
        shift = np.uint64(8 * byte)
        for i in range(len(target)):
            target[i] ^= table[((number + np.uint64(i)) & sequence_mask) >> shift & byte_mask]


@kernel
def _turn(row: UInt64Array, turns: UInt64Table) -> None:
    """Turn the lanes of all symbols round."""
    last = len(turns) - 1
    for turn in range(last):
        bits, mask = turns[turn, TURN_BITS], turns[turn, TURN_MASK]
        for i in range(len(row)):
            row[i] = (row[i] >> bits) & mask | (row[i] & mask) << bits
    bits, mask = turns[last, TURN_BITS], turns[last, TURN_MASK]
    for i in range(len(row)):
        row[i] = (row[i] >> bits) & mask


@kernel
def _unfold(
    word: UInt64Array, chunk: UInt64Array, steps: UInt64Table, turns: UInt64Table, row: Any
) -> None:
    """Spell one chunk of each word's slot out."""
    group_0, group_1, group_2 = steps[0, GROUP_BITS], steps[1, GROUP_BITS], steps[2, GROUP_BITS]
    mask_0, mask_1, mask_2 = steps[0, GROUP_MASK], steps[1, GROUP_MASK], steps[2, GROUP_MASK]
    used_0, used_1, used_2 = steps[0, USED_BITS], steps[1, USED_BITS], steps[2, USED_BITS]
    right, left, piece_mask = chunk[PIECE_RIGHT], chunk[PIECE_LEFT], chunk[PIECE_MASK]
    template = chunk[TEMPLATE]
    if piece_mask != np.uint64(0):
        for i in range(len(row)):
            x = (word[i] >> right << left) & piece_mask
            x = (x >> used_2) & mask_2 | (x & mask_2) << group_2
            x = (x >> used_1) & mask_1 | (x & mask_1) << group_1
            row[i] = (x >> used_0) & mask_0 | (x & mask_0) << group_0
        if len(turns) > 0:
            _turn(row, turns)
        if template != np.uint64(0):
            for i in range(len(row)):
                row[i] |= template
    else:
        for i in range(len(row)):
            row[i] = template


@kernel
def _fold(
    row: UInt64Array, chunk: UInt64Array, steps: UInt64Table, is_first: bool, word: UInt64Array
) -> None:
    """Join the symbols of one chunk to the piece of each word that they carry."""
    group_0, group_1, group_2 = steps[0, GROUP_BITS], steps[1, GROUP_BITS], steps[2, GROUP_BITS]
    mask_0, mask_1, mask_2 = steps[0, GROUP_MASK], steps[1, GROUP_MASK], steps[2, GROUP_MASK]
    used_0, used_1, used_2 = steps[0, USED_BITS], steps[1, USED_BITS], steps[2, USED_BITS]
    right, left = chunk[PIECE_RIGHT], chunk[PIECE_LEFT]
    if is_first:
        for i in range(len(row)):
            x = row[i]
            x = (x & mask_0) << used_0 | (x >> group_0) & mask_0
            x = (x & mask_1) << used_1 | (x >> group_1) & mask_1
            x = (x & mask_2) << used_2 | (x >> group_2) & mask_2
            word[i] = x >> left << right
    else:
        for i in range(len(row)):
            x = row[i]
            x = (x & mask_0) << used_0 | (x >> group_0) & mask_0
            x = (x & mask_1) << used_1 | (x >> group_1) & mask_1
            x = (x & mask_2) << used_2 | (x >> group_2) & mask_2
            word[i] |= x >> left << right


@kernel
def _is_wrong(word: UInt64Array, numbers: UInt64Array, parities: UInt64Table) -> bool:
    """Tell whether a check does not hold or a constant is not in its place."""
    odd = np.uint64(0)
    for group in range(len(parities) // 4):
        bits_0, bits_1 = parities[4 * group, 0], parities[4 * group + 1, 0]
        bits_2, bits_3 = parities[4 * group + 2, 0], parities[4 * group + 3, 0]
        even_0, even_1 = parities[4 * group, 1], parities[4 * group + 1, 1]
        even_2, even_3 = parities[4 * group + 2, 1], parities[4 * group + 3, 1]
        for i in range(len(word)):
            x = word[i]
            odd |= np.uint64(count_ones(x & bits_0)) ^ even_0
            odd |= np.uint64(count_ones(x & bits_1)) ^ even_1
            odd |= np.uint64(count_ones(x & bits_2)) ^ even_2
            odd |= np.uint64(count_ones(x & bits_3)) ^ even_3
    wrong = odd & np.uint64(1)
    fixed_mask, fixed_word = numbers[FIXED_MASK], numbers[FIXED_WORD]
    if fixed_mask != np.uint64(0):
        for i in range(len(word)):
            wrong |= (word[i] ^ fixed_word) & fixed_mask
    return bool(wrong != np.uint64(0))


@kernel
def _misses(word: UInt64Array, number: np.uint64, runs: UInt64Array) -> bool:
    """Tell whether the sequence numbers do not follow each other from `number` on."""
    wrong = np.uint64(0)
    for run in range(len(runs) // 3):
        here, there, mask = runs[3 * run], runs[3 * run + 1], runs[3 * run + 2]
        for i in range(len(word)):
            wrong |= (word[i] >> there ^ (number + np.uint64(i)) >> here) & mask
    return bool(wrong != np.uint64(0))


@kernel
def _shows_marker(word: UInt64Array, window: np.uint64, watches: UInt64Table) -> bool:
    """Tell whether a marker may stand between two frames; `window` came before the first."""
    shows = np.uint64(0)
    for watch in range(len(watches)):
        before_shift, before_mask = watches[watch, BEFORE_SHIFT], watches[watch, BEFORE_MASK]
        shift, mask = watches[watch, AFTER_SHIFT], watches[watch, AFTER_MASK]
        shown = watches[watch, SHOWN]
        x = window << before_shift & before_mask | word[0] >> shift & mask
        shows |= np.uint64(x == shown)
        for i in range(1, len(word)):
            x = word[i - 1] << before_shift & before_mask | word[i] >> shift & mask
            shows |= np.uint64(x == shown)
    return bool(shows != np.uint64(0))


@kernel
def _find_place(
    word: np.uint64,
    fields: UInt64Table,
    unit_indexes: NDArray[np.int64],
    memory_first: UInt64Array,
    memory_bytes: UInt64Array,
    kept: UInt64Array,
) -> bool:
    """Keep where the memory of the frame's unit lies; give False if it is for no memory."""
    space = word >> fields[SPACE, SHIFT] & fields[SPACE, MASK] | fields[SPACE, FIXED]
    unit = word >> fields[UNIT, SHIFT] & fields[UNIT, MASK] | fields[UNIT, FIXED]
    index = unit_indexes[min(unit, np.uint64(len(unit_indexes) - 1))]
    if space != np.uint64(IN_MEMORY) or index < 0:
        return False
    kept[IS_KEPT] = np.uint64(1)
    kept[PLACE_BITS] = word & (
        fields[SPACE, MASK] << fields[SPACE, SHIFT] | fields[UNIT, MASK] << fields[UNIT, SHIFT]
    )
    kept[PLACE_FIRST], kept[PLACE_BYTES] = memory_first[index], memory_bytes[index]
    return True


@kernel
def _fail(
    word: np.uint64,
    edge: np.uint64,
    numbers: UInt64Array,
    registers: NDArray[np.int64],
    info: NDArray[np.int64],
    log: NDArray[np.int64],
) -> bool:
    """Count a wrong frame behind idle ones as the receiver does; False: it would lose step."""
    at = info[AT_EDGE]
    start = np.int64(edge)
    slot, frame = np.int64(numbers[SLOT_SYMBOLS]), np.int64(numbers[FRAME_SYMBOLS])
    release = np.int64(numbers[RELEASE_FRAMES])
    is_strobe = numbers[IS_STROBE] != np.uint64(0)
    is_held = numbers[IS_HELD] != np.uint64(0)
    if is_held and registers[R_IS_ACTIVE] != 0 and start == at:
        return False
    run = np.int64(0) if start > at and not is_strobe else registers[R_WRONG_RUN]
    if release > 0 and run + 1 >= release:
        return False
    ordinal = registers[R_FED] + start - at
    entry = info[LOGGED]
    log[entry, 0] = LOG_FAILED
    log[entry, 1] = start + frame
    log[entry, 2] = ordinal
    log[entry, 3] = ordinal + frame
    info[LOGGED] = entry + 1
    after = start + slot
    if is_strobe:
        registers[R_REST] += after - at - frame
        registers[R_WINDOW] = 0
    else:
        registers[R_IDLE] += (start - at) // slot
        registers[R_WINDOW] = np.int64(word)
    if is_held:
        registers[R_IS_ACTIVE] = 0
    registers[R_FED] += after - at
    registers[R_FAILED] += 1
    registers[R_WRONG_RUN] = run + 1 if release > 0 else registers[R_WRONG_RUN]
    registers[R_IS_ARMED] = 0
    registers[R_FRAME_EDGE] = after
    info[AT_EDGE] = after
    info[FIRST] += 1
    info[HIT] += 1
    return True


@kernel
def carry(
    from_stores: bool,
    keeps_frames: bool,
    cycle: UInt64Array,
    address: NDArray[np.uint16],
    data: NDArray[np.uint8],
    in_edge: UInt64Array,
    in_word: UInt64Array,
    outside_before: NDArray[np.uint32],
    address_table: UInt64Array,
    data_table: UInt64Array,
    sequence_tables: UInt64Table,
    carried: UInt64Array,
    counts: UInt64Array,
    numbers: UInt64Array,
    chunks: UInt64Table,
    steps: UInt64Table,
    turns: UInt64Table,
    parities: UInt64Table,
    watches: UInt64Table,
    sequence_runs: UInt64Array,
    registers: NDArray[np.int64],
    fields: UInt64Table,
    gather_tables: UInt64Table,
    unit_indexes: NDArray[np.int64],
    memory: NDArray[np.uint8],
    memory_first: UInt64Array,
    memory_bytes: UInt64Array,
    bank_counts: UInt64Array,
    rows: UInt64Array,
    pieces: UInt64Array,
    kept: UInt64Array,
    others: UInt64Array,
    info: NDArray[np.int64],
    out_edge: UInt64Array,
    out_word: UInt64Array,
    hit_frame: NDArray[np.int64],
    hit_error: UInt64Array,
    log: NDArray[np.int64],
) -> int:
    """Carry stores or frames to display memory, as far as they are plain.

    Args:
        from_stores: take `cycle`, `address`, `data`; else `in_edge`, `in_word`.
        keeps_frames: `out_edge` and `out_word` get every frame; else they are room for a block.
        outside_before: uint32[65537]; how many addresses before each lie outside windows.
        address_table, data_table, sequence_tables: uint64[65536], [256], [bytes, 256]; their
            XOR is a slot's chunk where it has one, else the word.
        carried, counts: the encoder's, changed.
        numbers, chunks, steps, turns: see the names above.
        parities: uint64[4 * groups, 2]; bits of the word whose parity is to equal the second.
        watches: uint64[watches, 5]; see the names above.
        sequence_runs: uint64[runs * 3]; shift in the number, shift in the word, mask.
        registers: the receiver's, changed.
        fields ... bank_counts: the bank's arrays; memory and counts are changed.
        rows, pieces, kept: room: uint64[chunks * BLOCK], [BLOCK], [KEPT_COUNT].
        others: gets the words that are not for a place in some unit's memory, in order.
        info: int64; first store or frame to take, edge of the wire, how many others there are,
            first hit to come, entries of the log; changed.
        hit_frame, hit_error: int64[hits], uint64[hits]; frames of `in_word` that are damaged on
            the wire, in order, and which bits of theirs are flipped.
        log: int64[entries, 4]; room for the receiver's log of frames that fail; one a hit.

    Returns:
        DONE; or why it stopped before the block at `info[FIRST]`.
    """
    zero, one = np.uint64(0), np.uint64(1)
    step, slot = numbers[STEP_EDGES], numbers[SLOT_SYMBOLS]
    is_strobe = numbers[IS_STROBE] != zero
    is_held = numbers[IS_HELD] != zero
    has_sequence = len(sequence_runs) > 0
    address_shift, address_mask = fields[ADDRESS, SHIFT], fields[ADDRESS, MASK]
    data_shift, data_mask = fields[DATA, SHIFT], fields[DATA, MASK]
    place_bits = fields[SPACE, MASK] << fields[SPACE, SHIFT]
    place_bits |= fields[UNIT, MASK] << fields[UNIT, SHIFT]
    kept[IS_KEPT] = zero
    after_gap = False
    total = len(cycle) if from_stores else len(in_edge)
    while info[FIRST] < total:
        first = info[FIRST]
        n = min(BLOCK, total - first)
        is_hit = False
        if info[HIT] < len(hit_frame):
            is_hit = hit_frame[info[HIT]] == first
            n = 1 if is_hit else min(n, hit_frame[info[HIT]] - first)
        if info[OTHERS] + n > len(others):
            return OTHERS_FULL
        base = first if keeps_frames else 0
        # Columns are cut to the block: with `column[first + i]`, whose place might be negative,
        # nothing is vectorized, and copying frames alone took 2.4 ns each.
        edge = out_edge[base : base + n] if from_stores else in_edge[first : first + n]
        word = out_word[base : base + n]
        at = np.uint64(info[AT_EDGE])
        free = zero
        pace = APART

        # -- the sender: start edges, then rows
        if from_stores:
            addresses = address[first : first + n]
            lowest, highest = addresses[0], addresses[0]
            for i in range(n):
                lowest = min(lowest, addresses[i])
                highest = max(highest, addresses[i])
            if outside_before[np.int64(highest) + 1] != outside_before[lowest]:
                return NOT_PLAIN
            if carried[ANY_SENT] != zero:
                free = carried[LAST_START] + step
            pace = _start_edges(cycle[first : first + n], numbers, free, edge)
            if pace == NOT_PLAIN:
                return NOT_PLAIN
            if pace == A_ROW and keeps_frames:
                start = edge[0]
                for i in range(n):
                    edge[i] = start + np.uint64(i) * step
            _look_up(
                addresses,
                data[first : first + n],
                carried[SEQUENCE],
                numbers[SEQUENCE_MASK],
                address_table,
                data_table,
                sequence_tables,
                rows[:n] if len(chunks) == 1 else word,
            )
        else:
            signs = edge[0] - at
            strays = zero
            for i in range(1, n):
                signs |= edge[i] - edge[i - 1] - slot
            if not is_strobe:
                slot_low, slot_inverse = numbers[SLOT_LOW_MASK], numbers[SLOT_INVERSE]
                slot_limit = numbers[SLOT_LIMIT]
                for i in range(n):
                    strays |= edge[i] & slot_low
                    strays |= np.uint64(edge[i] * slot_inverse > slot_limit)
            if signs & SIGN != zero or strays != zero:
                return NOT_RIGHT
        if not from_stores or len(chunks) > 1:
            sent = word if from_stores else in_word[first : first + n]
            if is_hit:
                word[0] = in_word[first] ^ hit_error[info[HIT]]
                sent = word
            for chunk in range(len(chunks)):
                row = rows[chunk * BLOCK : chunk * BLOCK + n]
                _unfold(sent, chunks[chunk], steps, turns, row)

        # -- the receiver: words from rows, then what makes a block plain
        wrong = zero
        for chunk in range(len(chunks)):
            row = rows[chunk * BLOCK : chunk * BLOCK + n]
            if is_strobe:
                template, strobe_mask = chunks[chunk, TEMPLATE], chunks[chunk, STROBE_MASK]
                for i in range(n):
                    wrong |= (row[i] ^ template) & strobe_mask
            if chunks[chunk, PIECE_MASK] != zero:
                if len(turns) > 0:
                    turned = pieces[:n]
                    for i in range(n):
                        turned[i] = row[i]
                    _turn(turned, turns)
                    row = turned
                _fold(row, chunks[chunk], steps, chunk == 0, word)
        if is_hit:
            # One that passes, or that could show a marker, is for the machine.
            if wrong != zero or len(watches) > 0 or not _is_wrong(word, numbers, parities):
                return NOT_RIGHT
            if not _fail(word[0], edge[0], numbers, registers, info, log):
                return NOT_RIGHT
            after_gap = True
            continue
        if wrong != zero or _is_wrong(word, numbers, parities):
            return NOT_RIGHT
        number = np.uint64(registers[R_EXPECTED])
        if has_sequence:
            # Behind a frame that failed the count goes on where it is, as the machine takes it.
            if registers[R_EXPECTED] < 0 or after_gap:
                number = zero
                for run in range(len(sequence_runs) // 3):
                    there, mask = sequence_runs[3 * run + 1], sequence_runs[3 * run + 2]
                    number |= (word[0] >> there & mask) << sequence_runs[3 * run]
            if _misses(word, number, sequence_runs):
                return NOT_RIGHT
        if len(watches) > 0 and _shows_marker(word, np.uint64(registers[R_WINDOW]), watches):
            return NOT_RIGHT
        if is_held and registers[R_IS_ACTIVE] != 0 and edge[0] == at:
            return NOT_RIGHT
        field_word = word
        if len(gather_tables) > 0:
            field_word = pieces[:n]
            for i in range(n):
                x = zero
                for byte in range(len(gather_tables)):
                    x ^= gather_tables[byte, word[i] >> np.uint64(8 * byte) & np.uint64(0xFF)]
                field_word[i] = x
        if kept[IS_KEPT] == zero or field_word[0] & place_bits != kept[PLACE_BITS]:
            _find_place(field_word[0], fields, unit_indexes, memory_first, memory_bytes, kept)
        differs = one - kept[IS_KEPT]
        furthest = zero
        place = kept[PLACE_BITS]
        for i in range(n):
            x = field_word[i]
            differs |= (x & place_bits) ^ place
            furthest = max(furthest, x >> address_shift & address_mask)
        quiet = zero
        # Frames that all write the memory of one unit have no space of 0.
        if numbers[SPACE_COMPARED] == zero and differs != zero:
            space_mask = numbers[SPACE_MASK]
            for i in range(n):
                quiet |= np.uint64(word[i] & space_mask == zero)
        if numbers[IDLE_MASK] != zero:
            idle_word = numbers[IDLE_WORD]
            for i in range(n):
                quiet |= np.uint64(word[i] == idle_word)
        if quiet != zero:
            return NOT_RIGHT

        # -- the display: most blocks write one unit's memory
        found = info[OTHERS]
        if differs == zero and furthest < kept[PLACE_BYTES]:
            stop = kept[PLACE_FIRST] + kept[PLACE_BYTES]
            unit_memory = memory[kept[PLACE_FIRST] : stop]
            for i in range(n):
                x = field_word[i]
                value = np.uint8(x >> data_shift & data_mask)
                unit_memory[x >> address_shift & address_mask] = value
        else:
            for i in range(n):
                x = field_word[i]
                is_here = kept[IS_KEPT] != zero and x & place_bits == kept[PLACE_BITS]
                if not is_here:
                    is_here = _find_place(x, fields, unit_indexes, memory_first, memory_bytes, kept)
                offset = x >> address_shift & address_mask
                if is_here and offset < kept[PLACE_BYTES]:
                    value = np.uint8(x >> data_shift & data_mask)
                    memory[kept[PLACE_FIRST] + offset] = value
                else:
                    others[found] = word[i]
                    found += 1
        bank_counts[COUNT_MEMORY] += np.uint64(n - (found - info[OTHERS]))
        info[OTHERS] = found

        # -- what the stages would have counted
        after = edge[n - 1] + slot
        span = after - at
        if is_strobe:
            registers[R_REST] += np.int64(span - np.uint64(n) * numbers[FRAME_SYMBOLS])
            registers[R_WINDOW] = 0
        else:
            registers[R_IDLE] += np.int64((span - np.uint64(n) * slot) // slot)
            registers[R_WINDOW] = np.int64(word[n - 1])
        if is_held:
            registers[R_IS_ACTIVE] = 0
        if has_sequence:
            if after_gap and registers[R_EXPECTED] >= 0:
                gap = (number - np.uint64(registers[R_EXPECTED])) & numbers[EXPECTED_MASK]
                registers[R_MISSED] += np.int64(gap)
            number = (number + np.uint64(n)) & numbers[EXPECTED_MASK]
            registers[R_EXPECTED] = np.int64(number)
        registers[R_FED] += np.int64(span)
        registers[R_RECEIVED] += n
        registers[R_WRONG_RUN] = 0
        registers[R_IS_ARMED] = 1
        registers[R_FRAME_EDGE] = np.int64(after)
        after_gap = False
        if from_stores:
            busy = np.int64(n if pace == A_ROW else 1)
            while busy < n and edge[n - busy] - edge[n - busy - 1] == step:
                busy += np.int64(1)
            if busy == n and carried[ANY_SENT] != zero and edge[0] == free:
                busy += np.int64(carried[BUSY_RUN])
            carried[BUSY_RUN] = np.uint64(busy)
            carried[LAST_START] = edge[n - 1]
            carried[ANY_SENT] = one
            sequence = carried[SEQUENCE] + np.uint64(n)
            carried[SEQUENCE] = sequence & numbers[SEQUENCE_MASK]
            carried[LAST_CYCLE] = cycle[first + n - 1]
            counts[OFFERED] += np.uint64(n)
            counts[SENT] += np.uint64(n)
        info[AT_EDGE] = np.int64(after)
        info[FIRST] = first + n
    return DONE
