"""The parser of a CSV capture's rows, compiled.

How to think about it: the reader hands over a block of whole lines. A line is a row of cells, each
of a kind known from the head: time, one wire's level, a bus, or none of these.

Times are exact. A number is digits and a decimal exponent; for each exponent the head gives
what to multiply and divide by, so that nothing here is rounded but the last picosecond, down.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busplay.batch import Int64Column, UInt8Column, UInt64Column
from busplay.formats.text_reader import row_state
from busplay.jit import kernel

# Kinds of columns.
IGNORED, TIME_CELL, LEVEL_CELL, BUS_CELL, TIME_WITH_UNIT = 0, 1, 2, 3, 4
STATE = row_state("next_index")

# Values of `fault` in the state.
FINE, BAD_TIME, TIME_BACK, TIME_RANGE, BAD_LEVEL, BAD_BUS, SHORT_ROW, LONG_ROW = range(8)

EXPONENT_MIDDLE = 40
# Rows of the table of exponents.
DIVIDE_FIRST, WHOLE, REST, DENOMINATOR, HIGHEST = 0, 1, 2, 3, 4

_KEEP, _NO_LEVEL = 3, 255


def _cell_table() -> UInt8Column:
    """Level by a cell's first letter: 0, 1, 2 unknown."""
    table = np.full(256, _NO_LEVEL, np.uint8)
    for level, letters in enumerate((b"0LlFf", b"1HhTt", b"xXzZuUwW?-")):
        table[list(letters)] = level
    return table


CELL_LEVEL = _cell_table()


@kernel
def scaled(mantissa: np.uint64, exponent: int, scale: UInt64Column) -> tuple[np.int64, bool]:
    """Scale mantissa * 10^exponent to picoseconds; False if it does not fit."""
    if mantissa == np.uint64(0):
        return np.int64(0), True
    place = exponent + EXPONENT_MIDDLE
    if place < 0:
        return np.int64(0), True
    if place >= scale.shape[1]:
        return np.int64(0), False
    mantissa //= scale[DIVIDE_FIRST, place]
    if mantissa > scale[HIGHEST, place]:
        return np.int64(0), False
    denominator = scale[DENOMINATOR, place]
    whole, rest = scale[WHOLE, place], scale[REST, place]
    time = mantissa * whole
    if rest != np.uint64(0):
        times = mantissa // denominator
        time += times * rest + (mantissa - times * denominator) * rest // denominator
    return np.int64(time), True


@kernel
def unit_exponent(text: UInt8Column, place: int, stop: int) -> tuple[int, int]:
    """Read the unit behind a time, such as ` us`; return the place behind it and its power of 10.

    Returns the place it began at where there is no unit.
    """
    at = place
    while at < stop and text[at] == 32:
        at += 1
    power = 0
    if at + 1 < stop:
        letter = text[at] | np.uint8(32)
        # A micro sign or mu is two bytes of UTF-8; of Windows it is one.
        is_mu = (text[at] == 0xC2 and text[at + 1] == 0xB5) or (
            text[at] == 0xCE and text[at + 1] == 0xBC
        )
        is_micro = text[at] == 0xB5
        if letter == 109:
            power = -3
        elif letter == 117 or is_mu or is_micro:
            power = -6
        elif letter == 110:
            power = -9
        elif letter == 112:
            power = -12
        if power != 0:
            at += 2 if is_mu else 1
    if at + 1 == stop and text[at] | np.uint8(32) == 115:
        return stop, power
    return place, 0


@kernel
def parse_rows(
    text: UInt8Column,
    length: int,
    delimiter: int,
    kinds: UInt8Column,
    masks: UInt64Column,
    read_bits: Int64Column,
    first_bits: Int64Column,
    bit_masks: UInt64Column,
    bus_widths: Int64Column,
    bases: Int64Column,
    scale: UInt64Column,
    zero_ps: int,
    state: NDArray[np.void],
    counts: UInt64Column,
    row_time: UInt64Column,
    row_level: UInt64Column,
    row_unknown: UInt64Column,
) -> None:
    """Parse a block of whole lines.

    Args:
        text: uint8[>= length]; `text[length - 1]` is a line feed.
        delimiter: the byte between cells; a line feed: a line is one cell.
        kinds: uint8[columns].
        masks: uint64[columns]; the bit of `level` of a level cell, or 0.
        read_bits: int64[columns]; bits of a bus cell that are looked at, from the lowest.
        first_bits: int64[columns]; where they begin in `bit_masks`.
        bit_masks: uint64[...]; bit of `level` of each bit of a bus, lowest first, or 0.
        bus_widths: int64[columns].
        bases: int64[columns]; of a bus's digits, where the cell has no mark.
        scale: uint64[5, exponents]; by the exponent: divide first, whole and rest of what to
            multiply by, what rests are parts of, the highest mantissa that fits.
        zero_ps: what is taken off each time.
        state: STATE[1], kept from block to block; as of a value change dump.
        counts: uint64[64]; changes of each chosen wire, added to.
        row_time, row_level, row_unknown: uint64[>= lines + 1].
    """
    kept = state[0]
    time = np.int64(kept.time)
    has_time = kept.has_time != np.uint64(0)
    level, unknown = kept.level, kept.unknown
    last_level, last_unknown = kept.row_level, kept.row_unknown
    has_row = kept.has_row != np.uint64(0)
    index = np.int64(kept.next_index)
    has_time_column = False
    for column in range(len(kinds)):
        if kinds[column] in (TIME_CELL, TIME_WITH_UNIT):
            has_time_column = True
    rows = 0
    fault = FINE
    at = 0
    row_at = 0
    while at < length:
        row_at = at
        while text[at] == 32 or text[at] == 13 or (text[at] == 9 and delimiter != 9):
            at += 1
        byte = text[at]
        if byte == 10:
            at += 1
            continue
        if byte == 35 or (byte == 59 and delimiter != 59):  # a comment: '#', ';'
            while text[at] != 10:
                at += 1
            at += 1
            continue
        new_time = time
        new_level, new_unknown = level, unknown
        column = 0
        at_end = False
        while not at_end:
            while text[at] == 32 or (text[at] == 9 and delimiter != 9):
                at += 1
            quoted = text[at] == 34
            if quoted:
                at += 1
            first = at
            stop = at
            # The cell's last character that is no blank.
            while text[at] != 10:
                if quoted:
                    if text[at] == 34:
                        break
                elif text[at] == delimiter:
                    break
                if text[at] > 32:
                    stop = at + 1
                at += 1
            if quoted and text[at] == 34:
                at += 1
                while text[at] != 10 and text[at] != delimiter:
                    at += 1
            at_end = text[at] == 10
            at += 1
            if column >= len(kinds):
                if stop > first:
                    fault = LONG_ROW
                    kept.fault_at = np.uint64(first)
                    break
                continue
            kind = kinds[column]
            if kind == LEVEL_CELL:
                value = _KEEP
                if stop > first:
                    value = CELL_LEVEL[text[first]]
                    if value < 2 and stop - first > 1:
                        # 1.0, High, true: no other digit may follow.
                        if text[first] <= 49:
                            for place in range(first + 1, stop):
                                if text[place] != 48 and (place > first + 1 or text[place] != 46):
                                    value = _NO_LEVEL
                        else:
                            for place in range(first + 1, stop):
                                if text[place] < 65:
                                    value = _NO_LEVEL
                    elif stop - first > 1:
                        value = _NO_LEVEL
                    if value == _NO_LEVEL:
                        fault = BAD_LEVEL
                        kept.fault_at = np.uint64(first)
                        break
                if value != _KEEP:
                    mask = masks[column]
                    new_level &= ~mask
                    new_unknown &= ~mask
                    if value == 1:
                        new_level |= mask
                    elif value == 2:
                        new_unknown |= mask
            elif kind in (TIME_CELL, TIME_WITH_UNIT):
                place = first
                negative = False
                if place < stop and (text[place] == 45 or text[place] == 43):
                    negative = text[place] == 45
                    place += 1
                mantissa = np.uint64(0)
                digits = 0
                exponent = 0
                seen_point = False
                seen_digit = False
                while place < stop:
                    digit = text[place]
                    if 48 <= digit <= 57:
                        seen_digit = True
                        if digits < 18:
                            mantissa = mantissa * np.uint64(10) + np.uint64(digit - 48)
                            if mantissa != np.uint64(0):
                                digits += 1
                            if seen_point:
                                exponent -= 1
                        elif not seen_point:
                            exponent += 1
                    elif (digit == 46 or digit == 44) and not seen_point:
                        seen_point = True
                    else:
                        break
                    place += 1
                if place < stop and seen_digit and (text[place] == 101 or text[place] == 69):
                    place += 1
                    down = False
                    if place < stop and (text[place] == 45 or text[place] == 43):
                        down = text[place] == 45
                        place += 1
                    power = 0
                    seen_digit = False
                    while place < stop and 48 <= text[place] <= 57:
                        seen_digit = True
                        power = min(power * 10 + text[place] - 48, 1000)
                        place += 1
                    exponent += -power if down else power
                if kind == TIME_WITH_UNIT and place < stop and seen_digit:
                    place, shift = unit_exponent(text, place, stop)
                    exponent += shift
                if place < stop or not seen_digit:
                    fault = BAD_TIME
                    kept.fault_at = np.uint64(first)
                    break
                new_time, fits = scaled(mantissa, exponent, scale)
                if not fits:
                    fault = TIME_RANGE
                    kept.fault_at = np.uint64(first)
                    break
                new_time = (-new_time if negative else new_time) - zero_ps
            elif kind == BUS_CELL and stop > first:
                place = first
                base = bases[column]
                letter = text[place + 1] if stop - place > 2 and text[place] == 48 else np.uint8(0)
                if letter == 120 or letter == 88:
                    if base != 2:
                        base = 16
                        place += 2
                elif (letter == 98 or letter == 66) and base != 16:
                    base = 2
                    place += 2
                elif stop - place > 1 and text[place] == 36:
                    base = 16
                    place += 1
                elif stop - place > 1 and (text[stop - 1] == 104 or text[stop - 1] == 72):
                    base = 16
                    stop -= 1
                number = np.uint64(0)
                is_unknown = False
                while place < stop:
                    digit = text[place]
                    if 48 <= digit <= 57:
                        digit -= 48
                    elif 97 <= digit <= 102:
                        digit -= 87
                    elif 65 <= digit <= 70:
                        digit -= 55
                    elif CELL_LEVEL[digit] == 2:
                        is_unknown = True
                        digit = 0
                    else:
                        digit = 99
                    if digit >= base or number > np.uint64(1 << 59):
                        fault = BAD_BUS
                        break
                    number = number * np.uint64(base) + np.uint64(digit)
                    place += 1
                width = bus_widths[column]
                if fault == FINE and width < 64 and number >> np.uint64(width) != np.uint64(0):
                    fault = BAD_BUS
                if fault != FINE:
                    kept.fault_at = np.uint64(first)
                    break
                for bit in range(read_bits[column]):
                    mask = bit_masks[first_bits[column] + bit]
                    new_level &= ~mask
                    new_unknown &= ~mask
                    if is_unknown:
                        new_unknown |= mask
                    elif (number >> np.uint64(bit)) & np.uint64(1) != np.uint64(0):
                        new_level |= mask
            column += 1
        if fault == FINE and column < len(kinds):
            fault = SHORT_ROW
            kept.fault_at = np.uint64(row_at)
        if fault != FINE:
            break
        if not has_time_column:
            new_time, fits = scaled(np.uint64(index), 0, scale)
            if not fits:
                fault = TIME_RANGE
                kept.fault_at = np.uint64(row_at)
                break
        index += 1
        if not has_time:
            has_time = True
            kept.first_time = np.uint64(new_time)
        elif new_time < time:
            fault = TIME_BACK
            kept.fault_at = np.uint64(row_at)
            break
        elif new_time > time and (level != last_level or unknown != last_unknown or not has_row):
            row_time[rows] = np.uint64(time)
            row_level[rows] = level
            row_unknown[rows] = unknown
            rows += 1
            if has_row:
                count_changes(level ^ last_level | unknown ^ last_unknown, counts)
            last_level, last_unknown = level, unknown
            has_row = True
        time = new_time
        level, unknown = new_level, new_unknown
    kept.time, kept.has_time = np.uint64(time), np.uint64(has_time)
    kept.level, kept.unknown = level, unknown
    kept.row_level, kept.row_unknown = last_level, last_unknown
    kept.has_row, kept.next_index = np.uint64(has_row), np.uint64(index)
    kept.fault, kept.rows = np.uint64(fault), np.uint64(rows)


@kernel
def count_changes(differs: np.uint64, counts: UInt64Column) -> None:
    """Add one for each set bit."""
    place = 0
    while differs != np.uint64(0):
        counts[place] += differs & np.uint64(1)
        differs >>= np.uint64(1)
        place += 1
