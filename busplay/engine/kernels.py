"""The road in step: stores or frames to symbols, to words, to display memory, block by block.

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
from llvmlite import ir
from numba import njit, types
from numba.extending import intrinsic
from numpy.typing import NDArray

BLOCK = 2048

# What `carry` returns.
DONE, NOT_PLAIN, NOT_RIGHT, OTHERS_FULL = range(4)

# Places in `info` (int64).
FIRST, AT_EDGE, OTHERS = range(3)
INFO_COUNT = 3

# Places in `numbers` (uint64).
(
    NUMERATOR,
    LEAD_EDGES,
    GRID_EDGES,
    STEP_EDGES,
    FIFO_EDGES,  # depth of the FIFO in edges
    SEQUENCE_MASK,
    IS_STROBE,
    IS_HELD,
    FRAME_SYMBOLS,
    SLOT_SYMBOLS,
    SLOT_LOW_MASK,  # an edge is on the slot grid if these bits are 0 ...
    SLOT_INVERSE,  # ... and this times the edge ...
    SLOT_LIMIT,  # ... is no more than this
    FIXED_MASK,
    FIXED_WORD,
    SPACE_MASK,
    SPACE_COMPARED,
    IDLE_MASK,
    IDLE_WORD,
    EXPECTED_MASK,  # of the sequence number that the receiver keeps
) = range(20)
NUMBERS_COUNT = 20

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
SPACE, UNIT, ADDRESS, DATA = range(4)
SHIFT, MASK, FIXED = range(3)
COUNT_MEMORY = 0
IN_MEMORY = 1

SIGN = np.uint64(1 << 63)
# Edges of a block within which a float tells the slot to one.
EXACT_EDGES = float(1 << 50)


def _count_ones(_: Any, value: Any) -> Any:
    def generate(_: Any, builder: ir.IRBuilder, __: Any, values: Any) -> Any:
        return builder.ctpop(values[0])

    return types.uint64(types.uint64), generate


# Counts the ones of a uint64; parity is its lowest bit.
count_ones: Any = intrinsic(_count_ones)


@njit(types.boolean(types.Array(types.uint64, 1, "C", readonly=True)), cache=True, nogil=True)
def falls(cycle: NDArray[np.uint64]) -> bool:
    """Tell whether a cycle lies before the one before it."""
    signs = np.uint64(0)
    for i in range(1, len(cycle)):
        signs |= cycle[i] - cycle[i - 1]
    return bool(signs & SIGN != np.uint64(0))


def _given(element: Any, dimensions: int = 1) -> Any:
    """Make the type of an array that is only read; arrays that can be written are taken too."""
    return types.Array(element, dimensions, "C", readonly=True)


_U64 = types.uint64[::1]
_TABLE = types.uint64[:, ::1]
# Spelled out, so that columns that may not be written need no second compilation.
_CARRY = types.int64(
    *(types.boolean, types.boolean),
    *(_given(types.uint64), _given(types.uint16), _given(types.uint8)),
    *(_U64, _U64),
    *(types.uint32[::1], _U64, _U64, _TABLE, _U64, _U64),
    *(_U64, _TABLE, _TABLE, _TABLE, _TABLE, _TABLE, _U64),
    *(types.int64[::1], _TABLE, _TABLE, types.int64[::1]),
    *(types.uint8[::1], _U64, _U64, _U64),
    *(_U64, _U64, _U64, types.int64[::1], _U64, _U64),
)


@njit(_CARRY, cache=True, nogil=True, error_model="numpy")
def carry(
    from_stores: bool,
    keeps_frames: bool,
    cycle: NDArray[np.uint64],
    address: NDArray[np.uint16],
    data: NDArray[np.uint8],
    in_edge: NDArray[np.uint64],
    in_word: NDArray[np.uint64],
    outside_before: NDArray[np.uint32],
    address_table: NDArray[np.uint64],
    data_table: NDArray[np.uint64],
    sequence_tables: NDArray[np.uint64],
    carried: NDArray[np.uint64],
    counts: NDArray[np.uint64],
    numbers: NDArray[np.uint64],
    chunks: NDArray[np.uint64],
    steps: NDArray[np.uint64],
    turns: NDArray[np.uint64],
    parities: NDArray[np.uint64],
    watches: NDArray[np.uint64],
    sequence_runs: NDArray[np.uint64],
    registers: NDArray[np.int64],
    fields: NDArray[np.uint64],
    gather_tables: NDArray[np.uint64],
    unit_indexes: NDArray[np.int64],
    memory: NDArray[np.uint8],
    memory_first: NDArray[np.uint64],
    memory_bytes: NDArray[np.uint64],
    bank_counts: NDArray[np.uint64],
    rows: NDArray[np.uint64],
    pieces: NDArray[np.uint64],
    others: NDArray[np.uint64],
    info: NDArray[np.int64],
    out_edge: NDArray[np.uint64],
    out_word: NDArray[np.uint64],
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
        rows, pieces: room: uint64[chunks * BLOCK], [BLOCK].
        others: gets the words that are not for a place in some unit's memory, in order.
        info: int64; first store or frame to take, edge of the wire, how many others there are;
            changed.

    Returns:
        DONE; or why it stopped before the block at `info[FIRST]`.
    """
    one = np.uint64(1)
    zero = np.uint64(0)
    byte_mask = np.uint64(0xFF)
    numerator, lead = numbers[NUMERATOR], numbers[LEAD_EDGES]
    grid = numbers[GRID_EDGES]
    slots_per_edge = 1.0 / np.float64(grid)
    step, fifo = numbers[STEP_EDGES], numbers[FIFO_EDGES]
    sequence_mask = numbers[SEQUENCE_MASK]
    slot, frame_symbols = numbers[SLOT_SYMBOLS], numbers[FRAME_SYMBOLS]
    is_strobe = numbers[IS_STROBE] != zero
    is_held = numbers[IS_HELD] != zero
    is_turned = len(turns) > 0
    slot_low, slot_inverse = numbers[SLOT_LOW_MASK], numbers[SLOT_INVERSE]
    slot_limit = numbers[SLOT_LIMIT]
    fixed_mask, fixed_word = numbers[FIXED_MASK], numbers[FIXED_WORD]
    space_mask, space_compared = numbers[SPACE_MASK], numbers[SPACE_COMPARED]
    idle_mask, idle_word = numbers[IDLE_MASK], numbers[IDLE_WORD]
    expected_mask = numbers[EXPECTED_MASK]
    chunk_count = len(chunks)
    group_0, group_1, group_2 = steps[0, GROUP_BITS], steps[1, GROUP_BITS], steps[2, GROUP_BITS]
    mask_0, mask_1, mask_2 = steps[0, GROUP_MASK], steps[1, GROUP_MASK], steps[2, GROUP_MASK]
    used_0, used_1, used_2 = steps[0, USED_BITS], steps[1, USED_BITS], steps[2, USED_BITS]
    run_count = len(sequence_runs) // 3
    has_sequence = run_count > 0
    address_shift, address_mask = fields[ADDRESS, SHIFT], fields[ADDRESS, MASK]
    data_shift, data_mask = fields[DATA, SHIFT], fields[DATA, MASK]
    place_bits = fields[SPACE, MASK] << fields[SPACE, SHIFT] | (
        fields[UNIT, MASK] << fields[UNIT, SHIFT]
    )
    last_unit = np.uint64(len(unit_indexes) - 1)
    has_gather = len(gather_tables) > 0
    has_place = False
    place_kept = zero
    first_kept = zero
    bytes_kept = zero

    total = len(cycle) if from_stores else len(in_edge)
    while info[FIRST] < total:
        first = info[FIRST]
        n = min(BLOCK, total - first)
        if info[OTHERS] + n > len(others):
            return OTHERS_FULL
        free = zero
        base = first if keeps_frames else 0
        edge = out_edge[base : base + n] if from_stores else in_edge[first : first + n]
        word = out_word[base : base + n]
        at = np.uint64(info[AT_EDGE])

        # -- the sender: start edges, then rows
        if from_stores:
            cycles = cycle[first : first + n]
            addresses = address[first : first + n]
            values = data[first : first + n]
            lowest, highest = addresses[0], addresses[0]
            for i in range(n):
                lowest = min(lowest, addresses[i])
                highest = max(highest, addresses[i])
            if outside_before[np.int64(highest) + 1] != outside_before[lowest]:
                return NOT_PLAIN
            start = lead + (cycles[0] + one) * numerator
            if carried[ANY_SENT] != zero:
                free = carried[LAST_START] + step
            start = max(free, (start + grid - one) // grid * grid)
            signs = zero
            for i in range(n):
                expected = start + np.uint64(i) * step
                earliest = lead + (cycles[i] + one) * numerator
                signs |= expected - earliest
                signs |= earliest + grid + fifo - expected - one
            if signs & SIGN == zero:
                for i in range(n):
                    edge[i] = start + np.uint64(i) * step
            else:
                # Round up to the grid: by a product of floats, which can be one off.
                span_edges = np.float64(cycles[n - 1] - cycles[0]) * np.float64(numerator)
                if span_edges > EXACT_EDGES:
                    return NOT_PLAIN
                origin = (lead + (cycles[0] + one) * numerator + grid - one) // grid * grid
                behind = lead + numerator + grid - one - origin
                for i in range(n):
                    x = cycles[i] * numerator + behind
                    whole = np.uint64(np.float64(x) * slots_per_edge)
                    part = np.int64(x - whole * grid)
                    whole += np.uint64(part >= np.int64(grid)) - np.uint64(part < 0)
                    edge[i] = origin + whole * grid
                signs = edge[0] - start
                for i in range(1, n):
                    signs |= edge[i] - edge[i - 1] - step
                if signs & SIGN != zero:
                    signs = zero
                    before = start - step
                    for i in range(n):
                        earliest = edge[i]
                        before = max(earliest, before + step)
                        edge[i] = before
                        signs |= fifo - (before - earliest)
                    if signs & SIGN != zero:
                        return NOT_PLAIN
            target = rows[:n] if chunk_count == 1 else word
            # Two tables of 256 entries for the address, which stay in the nearest cache, were no
            # faster than one of 65,536, with addresses at random.
            for i in range(n):
                target[i] = address_table[addresses[i]] ^ data_table[values[i]]
            number = carried[SEQUENCE]
            for byte in range(len(sequence_tables)):
                table = sequence_tables[byte]
                shift = np.uint64(8 * byte)
                for i in range(n):
                    target[i] ^= table[
                        ((number + np.uint64(i)) & sequence_mask) >> shift & byte_mask
                    ]
        else:
            # One loop over columns cut to the block: with `edge[first + i]`, whose place might
            # be negative, nothing is vectorized, and copying alone took 2.4 ns a frame.
            signs = edge[0] - at
            strays = zero
            for i in range(1, n):
                signs |= edge[i] - edge[i - 1] - slot
            if not is_strobe:
                for i in range(n):
                    strays |= edge[i] & slot_low
                    strays |= np.uint64(edge[i] * slot_inverse > slot_limit)
            if signs & SIGN != zero or strays != zero:
                return NOT_RIGHT
        if not from_stores or chunk_count > 1:
            sent = word if from_stores else in_word[first : first + n]
            for chunk in range(chunk_count):
                template = chunks[chunk, TEMPLATE]
                right, left = chunks[chunk, PIECE_RIGHT], chunks[chunk, PIECE_LEFT]
                piece_mask = chunks[chunk, PIECE_MASK]
                row = rows[chunk * BLOCK : chunk * BLOCK + n]
                if piece_mask == zero:
                    for i in range(n):
                        row[i] = template
                    continue
                for i in range(n):
                    x = (sent[i] >> right << left) & piece_mask
                    x = (x >> used_2) & mask_2 | (x & mask_2) << group_2
                    x = (x >> used_1) & mask_1 | (x & mask_1) << group_1
                    x = (x >> used_0) & mask_0 | (x & mask_0) << group_0
                    row[i] = x | template
                if is_turned:
                    last = len(turns) - 1
                    for turn in range(last):
                        bits, mask = turns[turn, TURN_BITS], turns[turn, TURN_MASK]
                        for i in range(n):
                            row[i] = (row[i] >> bits) & mask | (row[i] & mask) << bits
                    bits, mask = turns[last, TURN_BITS], turns[last, TURN_MASK]
                    for i in range(n):
                        row[i] = (row[i] >> bits) & mask | template

        # -- the receiver: words from rows, then what makes a block plain
        wrong = zero
        for chunk in range(chunk_count):
            right, left = chunks[chunk, PIECE_RIGHT], chunks[chunk, PIECE_LEFT]
            piece_mask = chunks[chunk, PIECE_MASK]
            row = rows[chunk * BLOCK : chunk * BLOCK + n]
            if is_strobe:
                template, strobe_mask = chunks[chunk, TEMPLATE], chunks[chunk, STROBE_MASK]
                for i in range(n):
                    wrong |= (row[i] ^ template) & strobe_mask
            if piece_mask == zero:
                continue
            if is_turned:
                turned = pieces[:n]
                for i in range(n):
                    turned[i] = row[i]
                last = len(turns) - 1
                for turn in range(last):
                    bits, mask = turns[turn, TURN_BITS], turns[turn, TURN_MASK]
                    for i in range(n):
                        turned[i] = (turned[i] >> bits) & mask | (turned[i] & mask) << bits
                bits, mask = turns[last, TURN_BITS], turns[last, TURN_MASK]
                for i in range(n):
                    turned[i] = (turned[i] >> bits) & mask
                row = turned
            if chunk == 0:
                for i in range(n):
                    x = row[i]
                    x = (x & mask_0) << used_0 | (x >> group_0) & mask_0
                    x = (x & mask_1) << used_1 | (x >> group_1) & mask_1
                    x = (x & mask_2) << used_2 | (x >> group_2) & mask_2
                    word[i] = x >> left << right
            else:
                for i in range(n):
                    x = row[i]
                    x = (x & mask_0) << used_0 | (x >> group_0) & mask_0
                    x = (x & mask_1) << used_1 | (x >> group_1) & mask_1
                    x = (x & mask_2) << used_2 | (x >> group_2) & mask_2
                    word[i] |= x >> left << right
        odd = zero
        for group in range(len(parities) // 4):
            bits_0, bits_1 = parities[4 * group, 0], parities[4 * group + 1, 0]
            bits_2, bits_3 = parities[4 * group + 2, 0], parities[4 * group + 3, 0]
            even_0, even_1 = parities[4 * group, 1], parities[4 * group + 1, 1]
            even_2, even_3 = parities[4 * group + 2, 1], parities[4 * group + 3, 1]
            for i in range(n):
                x = word[i]
                odd |= count_ones(x & bits_0) ^ even_0
                odd |= count_ones(x & bits_1) ^ even_1
                odd |= count_ones(x & bits_2) ^ even_2
                odd |= count_ones(x & bits_3) ^ even_3
        if fixed_mask != zero:
            for i in range(n):
                wrong |= (word[i] ^ fixed_word) & fixed_mask
        quiet = zero
        if space_compared == zero:
            for i in range(n):
                quiet |= np.uint64(word[i] & space_mask == zero)
        if idle_mask != zero:
            for i in range(n):
                quiet |= np.uint64(word[i] == idle_word)
        number = zero
        if has_sequence:
            for run in range(run_count):
                number |= (
                    (word[0] >> sequence_runs[3 * run + 1]) & sequence_runs[3 * run + 2]
                ) << sequence_runs[3 * run]
            if registers[R_EXPECTED] >= 0:
                number = np.uint64(registers[R_EXPECTED])
            for run in range(run_count):
                here, there = sequence_runs[3 * run], sequence_runs[3 * run + 1]
                mask = sequence_runs[3 * run + 2]
                for i in range(n):
                    wrong |= (word[i] >> there ^ (number + np.uint64(i)) >> here) & mask
        for watch in range(len(watches)):
            before_shift, before_mask = watches[watch, BEFORE_SHIFT], watches[watch, BEFORE_MASK]
            shift, mask = watches[watch, AFTER_SHIFT], watches[watch, AFTER_MASK]
            shown = watches[watch, SHOWN]
            x = np.uint64(registers[R_WINDOW]) << before_shift & before_mask
            quiet |= np.uint64((x | word[0] >> shift & mask) == shown)
            for i in range(1, n):
                x = word[i - 1] << before_shift & before_mask | word[i] >> shift & mask
                quiet |= np.uint64(x == shown)
        if is_held and registers[R_IS_ACTIVE] != 0 and edge[0] == at:
            quiet = one
        if wrong != zero or odd & one != zero or quiet != zero:
            return NOT_RIGHT

        # -- the display: most blocks write one unit's memory
        field_word = word
        if has_gather:
            field_word = pieces[:n]
            for i in range(n):
                x = zero
                for byte in range(len(gather_tables)):
                    x ^= gather_tables[byte, word[i] >> np.uint64(8 * byte) & byte_mask]
                field_word[i] = x
        if not has_place or field_word[0] & place_bits != place_kept:
            x = field_word[0]
            space = x >> fields[SPACE, SHIFT] & fields[SPACE, MASK] | fields[SPACE, FIXED]
            unit = x >> fields[UNIT, SHIFT] & fields[UNIT, MASK] | fields[UNIT, FIXED]
            index = unit_indexes[min(unit, last_unit)]
            if space == np.uint64(IN_MEMORY) and index >= 0:
                has_place = True
                place_kept = x & place_bits
                first_kept, bytes_kept = memory_first[index], memory_bytes[index]
        differs = np.uint64(not has_place)
        furthest = zero
        for i in range(n):
            x = field_word[i]
            differs |= (x & place_bits) ^ place_kept
            furthest = max(furthest, x >> address_shift & address_mask)
        memory_count = n
        if differs == zero and furthest < bytes_kept:
            place = memory[first_kept : first_kept + bytes_kept]
            for i in range(n):
                x = field_word[i]
                place[x >> address_shift & address_mask] = np.uint8(x >> data_shift & data_mask)
        else:
            found = info[OTHERS]
            for i in range(n):
                x = field_word[i]
                if not has_place or x & place_bits != place_kept:
                    space = x >> fields[SPACE, SHIFT] & fields[SPACE, MASK] | fields[SPACE, FIXED]
                    unit = x >> fields[UNIT, SHIFT] & fields[UNIT, MASK] | fields[UNIT, FIXED]
                    index = unit_indexes[min(unit, last_unit)]
                    if space != np.uint64(IN_MEMORY) or index < 0:
                        others[found] = word[i]
                        found += 1
                        continue
                    has_place = True
                    place_kept = x & place_bits
                    first_kept, bytes_kept = memory_first[index], memory_bytes[index]
                offset = x >> address_shift & address_mask
                if offset < bytes_kept:
                    memory[first_kept + offset] = np.uint8(x >> data_shift & data_mask)
                else:
                    others[found] = word[i]
                    found += 1
            memory_count -= found - info[OTHERS]
            info[OTHERS] = found

        # -- what the stages would have counted
        bank_counts[COUNT_MEMORY] += np.uint64(memory_count)
        after = edge[n - 1] + slot
        span = after - at
        if is_strobe:
            registers[R_REST] += np.int64(span - np.uint64(n) * frame_symbols)
            registers[R_WINDOW] = 0
        else:
            registers[R_IDLE] += np.int64((span - np.uint64(n) * slot) // slot)
            registers[R_WINDOW] = np.int64(word[n - 1])
        if is_held:
            registers[R_IS_ACTIVE] = 0
        if has_sequence:
            registers[R_EXPECTED] = np.int64((number + np.uint64(n)) & expected_mask)
        registers[R_FED] += np.int64(span)
        registers[R_RECEIVED] += n
        registers[R_WRONG_RUN] = 0
        registers[R_IS_ARMED] = 1
        registers[R_FRAME_EDGE] = np.int64(after)
        if from_stores:
            busy = np.int64(1)
            while busy < n and edge[n - busy] - edge[n - busy - 1] == step:
                busy += np.int64(1)
            if busy == n and carried[ANY_SENT] != zero and edge[0] == free:
                busy += np.int64(carried[BUSY_RUN])
            carried[BUSY_RUN] = np.uint64(busy)
            carried[LAST_START] = edge[n - 1]
            carried[ANY_SENT] = one
            carried[SEQUENCE] = (carried[SEQUENCE] + np.uint64(n)) & sequence_mask
            carried[LAST_CYCLE] = cycles[n - 1]
            counts[OFFERED] += np.uint64(n)
            counts[SENT] += np.uint64(n)
        info[AT_EDGE] = np.int64(after)
        info[FIRST] = first + n
    return DONE
