"""Samples to changes, compiled.

How to think about it: eight samples of a byte are one 64-bit word. The word XOR itself moved by
one sample has a byte that is not zero where a sample differs from the one before. Eight words
give a mask of 64 bits, one a sample; its set bits are found by counting trailing zeros. Where
nothing changes, 64 samples cost a few instructions; where much does, there is one loop, and
one mispredicted branch, for 64 samples.

Times are exact: picosecond = index * `num` / `den`, rounded down, without a division: quotient
and remainder at the group's first sample are carried along. What the 64 places add to them is a
table: for each remainder, where `den` is small, as it is for all rates that analysers have
(24 MHz: 3); else quotients and remainders, with a comparison more.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busplay.batch import UInt64Column
from busplay.jit import kernel
from busplay.jit.bits import trailing_zeros

GROUP = 64
# Places in `state`.
QUOTIENT, REMAINDER, RAW, LEVEL, HAS_ROW = 0, 1, 2, 3, 4
STATE_SIZE = 5

# Bit k of a byte becomes byte k: eight counters in one word, emptied before one can run over.
_SPREAD = np.array(
    [sum((byte >> bit & 1) << (8 * bit) for bit in range(8)) for byte in range(256)], np.uint64
)
_COUNTED_ROWS = 255


@kernel
def find_changes_in_bytes(
    words: UInt64Column,
    samples: NDArray[np.uint8],
    groups: int,
    state: UInt64Column,
    mask: np.uint64,
    levels: UInt64Column,
    places: UInt64Column,
    group_quotient: np.uint64,
    group_remainder: np.uint64,
    counts: UInt64Column,
    row_time: UInt64Column,
    row_level: UInt64Column,
) -> int:
    """Find the changes in samples of one byte; return how many rows were written.

    Args:
        words: uint64[groups * 8]; the samples, eight a word, the first lowest.
        samples: uint8[groups * 64]; the same memory.
        groups: how many times 64 samples there are.
        state: uint64[STATE_SIZE], kept from call to call: time of the next sample (quotient
            and remainder), the last sample, its level, whether there has been a row.
        mask: the wanted bits of a sample, in each byte of the word.
        levels: uint64[256]; level of each sample.
        places: uint64[den, 64]; for each remainder what the samples' places add to the time.
        group_quotient, group_remainder: of 64 samples' time.
        counts: uint64[64]; changes of each signal, added to.
        row_time, row_level: uint64[groups * 64], written from 0 on.
    """
    quotient, remainder = state[QUOTIENT], state[REMAINDER]
    level = state[LEVEL]
    carry = state[RAW] & np.uint64(0xFF)
    den = np.uint64(len(places))
    low_bits, high_bits = np.uint64(0x7F7F7F7F7F7F7F7F), np.uint64(0x8080808080808080)
    gather = np.uint64(0x0102040810204080)
    rows = 0
    counted = 0
    sums = np.uint64(0)
    for group in range(groups):
        changed = np.uint64(0)
        first = group * 8
        for place in range(8):
            word = words[first + place]
            differs = (word ^ (word << np.uint64(8) | carry)) & mask
            carry = word >> np.uint64(56)
            flags = (((differs & low_bits) + low_bits) | differs) & high_bits
            changed |= (((flags >> np.uint64(7)) * gather) >> np.uint64(56)) << np.uint64(8 * place)
        base = group * GROUP
        while changed != np.uint64(0):
            place_in_group = trailing_zeros(changed)
            changed &= changed - np.uint64(1)
            new_level = levels[samples[base + place_in_group]]
            row_time[rows] = quotient + places[remainder, place_in_group]
            row_level[rows] = new_level
            rows += 1
            sums += _SPREAD[(level ^ new_level) & np.uint64(0xFF)]
            level = new_level
        counted += 64
        if counted > _COUNTED_ROWS - 64:
            for bit in range(8):
                counts[bit] += (sums >> np.uint64(8 * bit)) & np.uint64(0xFF)
            sums = np.uint64(0)
            counted = 0
        quotient += group_quotient
        remainder += group_remainder
        if remainder >= den:
            remainder -= den
            quotient += np.uint64(1)
    for bit in range(8):
        counts[bit] += (sums >> np.uint64(8 * bit)) & np.uint64(0xFF)
    state[QUOTIENT], state[REMAINDER] = quotient, remainder
    state[RAW], state[LEVEL] = carry, level
    return rows


@kernel
def find_changes(
    samples: NDArray[np.unsignedinteger],
    count: int,
    state: UInt64Column,
    mask: np.uint64,
    levels: UInt64Column,
    group_quotient: UInt64Column,
    group_remainder: UInt64Column,
    den: np.uint64,
    counts: UInt64Column,
    row_time: UInt64Column,
    row_level: UInt64Column,
) -> int:
    """Find the changes in samples of any width; return how many rows were written.

    Args:
        samples: unsigned[>= count].
        levels: uint64[bytes of a sample, 256]; the part that each byte's value has in the level.
        group_quotient, group_remainder: uint64[65]; of k samples' time, k from 0 to 64.
        den: what remainders are below.
        others: as `find_changes_in_bytes`; the first sample of all gives a row in any case.
    """
    quotient, remainder = state[QUOTIENT], state[REMAINDER]
    last, level = state[RAW], state[LEVEL]
    has_row = state[HAS_ROW] != np.uint64(0)
    rows = 0
    for first in range(0, count, GROUP):
        stop = min(count, first + GROUP)
        for at in range(first, stop):
            raw = np.uint64(samples[at])
            if (raw ^ last) & mask != np.uint64(0) or not has_row:
                new_level = np.uint64(0)
                for byte in range(len(levels)):
                    new_level |= levels[byte, (raw >> np.uint64(8 * byte)) & np.uint64(0xFF)]
                time = quotient + group_quotient[at - first]
                if remainder + group_remainder[at - first] >= den:
                    time += np.uint64(1)
                row_time[rows] = time
                row_level[rows] = new_level
                rows += 1
                differs = level ^ new_level
                if has_row:
                    while differs != np.uint64(0):
                        counts[trailing_zeros(differs)] += np.uint64(1)
                        differs &= differs - np.uint64(1)
                has_row = True
                level = new_level
            last = raw
        quotient += group_quotient[stop - first]
        remainder += group_remainder[stop - first]
        if remainder >= den:
            remainder -= den
            quotient += np.uint64(1)
    state[QUOTIENT], state[REMAINDER] = quotient, remainder
    state[RAW], state[LEVEL] = last, level
    state[HAS_ROW] = np.uint64(has_row)
    return rows
