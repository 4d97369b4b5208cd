"""The parser of a value change dump's body, compiled.

How to think about it: the reader hands over a block of bytes that ends with white space, so every
token in it is whole and no loop needs to look for the block's end: it meets the space. An item of
several tokens (`b1010 id`) may still lack its last one; then the kernel says that it took the
block only up to the item's first byte, and the reader brings the rest again with the next block.

Times are picoseconds from the first: ticks * `scale_num` / `scale_den`, rounded down.

Ids are looked up in a table of 65,536 places when they have one or two characters, as nearly
all have, else in a hash table of their 64-bit keys.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busplay.batch import UInt8Column, UInt64Column
from busplay.formats.text_reader import row_state
from busplay.jit import kernel

STATE = row_state("skipping", "in_dump", "reals", "texts", "dumps_off")

# Values of `fault` in the state.
FINE, BAD_BYTE, BAD_TIME, TIME_BACK, TIME_LONG, NO_ID, BAD_ID, BAD_DIGIT = 0, 1, 2, 3, 4, 5, 6, 7

_UNKNOWN, _NO_VALUE = 2, 255
_SCALAR, _VECTOR, _PORT, _REAL, _TEXT = 0, 1, 2, 3, 4


def _table(low: bytes, high: bytes, unknown: bytes) -> UInt8Column:
    table = np.full(256, _NO_VALUE, np.uint8)
    for value, characters in enumerate((low, high, unknown)):
        table[list(characters)] = value
    return table


# IEEE 1364: 0 1 x z; IEEE 1164 (VHDL) adds u w - (no level) and the weak levels l h.
VALUE = _table(b"0lL", b"1hH", b"xXzZuUwW-")
# Extended VCD: what a port's state means, whoever drives it.
PORT_VALUE = _table(b"0DdLl", b"1UuHh", b"?NZXTFAaBbCcf")


@kernel
def long_key(text: UInt8Column, first: int, stop: int) -> np.uint64:
    """Make the key of an id of three or more characters; never 0."""
    # Up to seven characters are their own key; of longer ones it is a hash (FNV-1a) with the
    # top bit set. `IdTable` makes sure that no two declared ids share a key.
    key = np.uint64(0)
    if stop - first <= 7:
        for at in range(first, stop):
            key = (key << np.uint64(8)) | np.uint64(text[at])
        return key
    key = np.uint64(0xCBF29CE484222325)
    for at in range(first, stop):
        key = (key ^ np.uint64(text[at])) * np.uint64(0x100000001B3)
    return key | np.uint64(1 << 63)


@kernel
def add_long(key: np.uint64, place: int, keys: UInt64Column, places: NDArray[np.int32]) -> None:
    """Enter an id's key in the hash table, which must not be full."""
    mask = len(keys) - 1
    at = np.int64((key * np.uint64(0x9E3779B97F4A7C15)) >> np.uint64(32)) & mask
    while keys[at] != np.uint64(0):
        at = (at + 1) & mask
    keys[at] = key
    places[at] = place


@kernel
def find_long(
    text: UInt8Column, first: int, stop: int, keys: UInt64Column, places: NDArray[np.int32]
) -> int:
    """Look an id of three or more characters up; -1 if it is not declared."""
    key = long_key(text, first, stop)
    mask = len(keys) - 1
    at = np.int64((key * np.uint64(0x9E3779B97F4A7C15)) >> np.uint64(32)) & mask
    while keys[at] != np.uint64(0):
        if keys[at] == key:
            return int(places[at])
        at = (at + 1) & mask
    return -1


@kernel
def find_later(
    text: UInt8Column,
    at: int,
    length: int,
    short_ids: NDArray[np.int32],
    long_keys: UInt64Column,
    long_places: NDArray[np.int32],
) -> tuple[int, int]:
    """Find the first declared id in the rest of a line; return its variable, or -1, and its end."""
    while True:
        while at < length and (text[at] == 32 or text[at] == 9):
            at += 1
        if at >= length or text[at] <= 32:
            return -1, at
        first = at
        while text[at] > 32:
            at += 1
        if at - first == 1:
            place = int(short_ids[int(text[first])])
        elif at - first == 2:
            place = int(short_ids[int(text[first]) | int(text[first + 1]) << 8])
        else:
            place = find_long(text, first, at, long_keys, long_places)
        if place >= 0:
            return place, at


@kernel
def any_set(counts: UInt64Column) -> bool:
    """Return whether any count is not 0."""
    for count in counts:  # noqa: SIM110, a loop is what compiles
        if count != np.uint64(0):
            return True
    return False


@kernel
def is_end(text: UInt8Column, first: int, stop: int) -> bool:
    """Return whether a token is `$end`."""
    return (
        stop - first == 4
        and text[first] == 36
        and text[first + 1] == 101
        and text[first + 2] == 110
        and text[first + 3] == 100
    )


@kernel
def parse_changes(
    text: UInt8Column,
    length: int,
    state: NDArray[np.void],
    wires: NDArray[np.int32],
    short_ids: NDArray[np.int32],
    long_keys: UInt64Column,
    long_places: NDArray[np.int32],
    widths: NDArray[np.int64],
    masks: UInt64Column,
    read_bits: NDArray[np.int64],
    first_bits: NDArray[np.int64],
    bit_masks: UInt64Column,
    counts: UInt64Column,
    scale_num: np.uint64,
    scale_den: np.uint64,
    last_tick: np.uint64,
    zero_ticks: np.uint64,
    row_time: UInt64Column,
    row_level: UInt64Column,
    row_unknown: UInt64Column,
) -> int:
    """Parse a block of a dump's body; return how many bytes were taken.

    Args:
        text: uint8[>= length]; `text[length - 1]` is white space.
        state: STATE[1], kept from block to block; `rows` is how many rows were written now, `fault`
            is not 0 if the byte at `fault_at` is wrong.
        wires: int32[65536]; as `short_ids`, but of variables of one bit only.
        short_ids: int32[65536]; variable of an id of one or two characters, first character
            low; -1 if there is none.
        long_keys, long_places: hash table of longer ids; its length is a power of two.
        widths: int64[variables]; bits of each; 0: a real number or text.
        masks: uint64[variables]; the bit of `level` that a one-bit variable has, or 0.
        read_bits: int64[variables]; how many of them, from the lowest, are looked at.
        first_bits: int64[variables]; where a variable's bits stand in `bit_masks`, lowest
            first; -1 if none of them is wanted.
        bit_masks: uint64[...]; the bit of `level` that each bit has, or 0.
        counts: uint64[variables]; values recorded, added to.
        scale_num, scale_den: a tick in picoseconds, as a fraction.
        last_tick: highest time that still fits 64 bits of picoseconds.
        zero_ticks: how far below 0 the first time is.
        row_time, row_level, row_unknown: uint64[>= length / 2], written from 0 on.
    """
    kept = state[0]
    time = kept.time
    has_time = kept.has_time != np.uint64(0)
    level, unknown = kept.level, kept.unknown
    last_level, last_unknown = kept.row_level, kept.row_unknown
    has_row = kept.has_row != np.uint64(0)
    skipping = kept.skipping != np.uint64(0)
    rows = 0
    at = 0
    taken = 0
    fault = FINE
    while at < length:
        byte = text[at]
        if byte <= 32:
            if byte == 0:
                fault = BAD_BYTE
                break
            at += 1
            continue
        taken = at
        # Nearly every byte of a capture is here or in a time: 0 or 1, an id of one or two
        # characters, white space. Without this short cut the parser has 0.7 of its speed.
        if (byte == 48 or byte == 49) and not skipping and text[at + 1] > 32:
            place = -1
            if text[at + 2] <= 32:
                place = int(wires[text[at + 1]])
                end = at + 3
            elif text[at + 3] <= 32:
                place = int(wires[int(text[at + 1]) | int(text[at + 2]) << 8])
                end = at + 4
            if place >= 0:
                at = end
                counts[place] += np.uint64(1)
                mask = masks[place]
                unknown &= ~mask
                level = level & ~mask | mask * np.uint64(byte & 1)
                continue
        if skipping:
            end = at
            while text[end] > 32:
                end += 1
            skipping = not is_end(text, at, end)
            at = end
            continue

        value = VALUE[byte]
        digits = at
        digits_end = at + 1
        if value != _NO_VALUE:
            kind = _SCALAR
            at += 1
            # The standard has no blank here; some writers do.
            while text[at] == 32 or text[at] == 9:
                at += 1
            if at >= length:
                break
            if text[at] <= 32:
                fault = NO_ID
                at = taken
                break
        elif byte == 35:  # '#'
            at += 1
            below = text[at] == 45  # '-'
            if below:
                at += 1
            first = at
            ticks = np.uint64(0)
            while 48 <= text[at] <= 57:
                ticks = ticks * np.uint64(10) + np.uint64(text[at] - 48)
                at += 1
            if at - first > 19:  # leading zeros apart, that is too long
                while text[first] == 48 and text[first + 1] > 32:
                    first += 1
            if below:
                if ticks > zero_ticks:
                    fault = TIME_BACK
                    at = taken
                    break
                ticks = zero_ticks - ticks
            else:
                ticks += zero_ticks
            if at - first > 19 or ticks > last_tick:
                fault = TIME_LONG
                at = taken
                break
            new_time = ticks * scale_num
            if scale_den != np.uint64(1):
                new_time //= scale_den
            if text[at] == 46 and at > first and not below:  # '.': not in the standard, but seen
                at += 1
                part, parts = np.uint64(0), np.uint64(1)
                while 48 <= text[at] <= 57:
                    if parts * scale_num < np.uint64(10**17):
                        part = part * np.uint64(10) + np.uint64(text[at] - 48)
                        parts *= np.uint64(10)
                    at += 1
                over = ticks * scale_num - new_time * scale_den
                new_time += (over * parts + part * scale_num) // (scale_den * parts)
            if text[at] > 32 or at == first:
                fault = BAD_TIME
                at = taken
                break
            if not has_time:
                has_time = True
                # Values before the first time, if there are any, are those of time 0.
                time = np.uint64(0)
                if new_time != time and not any_set(counts):
                    time = new_time
                kept.first_time = time
            if new_time != time:
                if new_time < time:
                    fault = TIME_BACK
                    at = taken
                    break
                if level != last_level or unknown != last_unknown or not has_row:
                    row_time[rows] = time
                    row_level[rows] = level
                    row_unknown[rows] = unknown
                    rows += 1
                    last_level, last_unknown = level, unknown
                    has_row = True
                time = new_time
                kept.in_dump = np.uint64(0)
            continue
        elif byte == 36:  # '$'
            end = at
            while text[end] > 32:
                end += 1
            if end - at == 1:
                # An id alone, of a variable that its writer cannot show.
                if short_ids[36] < 0 or widths[short_ids[36]] != 0:
                    fault = BAD_BYTE
                    break
                counts[short_ids[36]] += np.uint64(1)
            elif is_end(text, at, end):
                kept.in_dump = np.uint64(0)
            elif (
                end - at >= 7
                and text[at + 1] == 100
                and text[at + 2] == 117
                and text[at + 3] == 109
                and text[at + 4] == 112
            ):  # $dumpvars, $dumpoff, $dumpportson, ...: values follow, up to $end
                kept.in_dump = np.uint64(1)
                if text[end - 3] == 111 and text[end - 2] == 102:
                    kept.dumps_off += np.uint64(1)
            else:
                skipping = True
            at = end
            continue
        elif byte == 98 or byte == 66 or byte == 112:  # 'b', 'B', 'p'
            kind = _PORT if byte == 112 else _VECTOR
            digits += 1
            if text[at + 1] == 48 and text[at + 2] == 98:  # some writers put 0b after the b
                digits += 2
                digits_end += 2
            while text[digits_end] > 32:
                value = PORT_VALUE[text[digits_end]] if kind == _PORT else VALUE[text[digits_end]]
                if value == _NO_VALUE:
                    fault = BAD_DIGIT
                    break
                digits_end += 1
            at = digits_end
            if fault != FINE:
                break
            if kind == _PORT:  # two strengths stand before the id
                for _ in range(2):
                    while at < length and text[at] <= 32:
                        at += 1
                    while at < length and text[at] > 32:
                        at += 1
            while at < length and text[at] <= 32:
                at += 1
            if at >= length:
                break
        elif byte == 114 or byte == 82 or byte == 115 or byte == 83:  # 'r', 'R', 's', 'S'
            kind = _REAL if byte == 114 or byte == 82 else _TEXT
            while text[at] > 32:
                at += 1
            while at < length and text[at] <= 32:
                at += 1
            if at >= length:
                break
        else:
            fault = BAD_BYTE
            break

        first = at
        short = int(text[at])
        at += 1
        if text[at] > 32:
            short |= int(text[at]) << 8
            at += 1
        if text[at] <= 32:
            place = int(short_ids[short])
        else:
            while text[at] > 32:
                at += 1
            place = find_long(text, first, at, long_keys, long_places)
        if place < 0 and kind == _TEXT:
            # A text with spaces in it: the id is the first declared one later in the line.
            place, at = find_later(text, at, length, short_ids, long_keys, long_places)
            if at >= length:
                break
        if place < 0:
            at = first
            fault = BAD_ID
            break
        counts[place] += np.uint64(1)

        width = widths[place]
        if kind == _REAL:
            kept.reals += np.uint64(1)
        elif kind == _TEXT:
            kept.texts += np.uint64(1)
        elif width == 1 and digits_end - digits == 1:
            if kind == _PORT:
                value = PORT_VALUE[text[digits]]
            elif kind == _VECTOR:
                value = VALUE[text[digits]]
            mask = masks[place]
            level &= ~mask
            unknown &= ~mask
            if value == 1:
                level |= mask
            elif value == _UNKNOWN:
                unknown |= mask
        elif digits_end == digits:
            if width > 0:
                at = digits
                fault = BAD_DIGIT
                break
        elif first_bits[place] >= 0:
            digit = digits_end
            base = first_bits[place]
            value = np.uint8(0)
            for bit in range(read_bits[place]):
                # Shorter values are widened on the left: with 0, or with x if x leads.
                if digit > digits:
                    digit -= 1
                    value = PORT_VALUE[text[digit]] if kind == _PORT else VALUE[text[digit]]
                elif value == 1:
                    value = np.uint8(0)
                mask = bit_masks[base + bit]
                level &= ~mask
                unknown &= ~mask
                if value == 1:
                    level |= mask
                elif value == _UNKNOWN:
                    unknown |= mask
    else:
        taken = length
    if fault != FINE:
        kept.fault_at = np.uint64(at)
    kept.fault = np.uint64(fault)
    kept.time, kept.has_time = time, np.uint64(has_time)
    kept.level, kept.unknown = level, unknown
    kept.row_level, kept.row_unknown = last_level, last_unknown
    kept.has_row, kept.skipping = np.uint64(has_row), np.uint64(skipping)
    kept.rows = np.uint64(rows)
    return taken
