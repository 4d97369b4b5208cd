"""What the cells of a column look like: levels, numbers, values of a bus."""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence

_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)(?:[eE][+-]?[0-9]{1,3})?")
_TIME = re.compile(_NUMBER.pattern + r"\s*([munp\N{MICRO SIGN}\N{GREEK SMALL LETTER MU}]?s)", re.I)
_LEVEL = re.compile(r"[01](?:\.0*)?|[xXzZuUwWhHlL?-]|high|low|true|false", re.IGNORECASE)
_BUS = re.compile(r"0[xX][0-9a-fA-FxXzZ]+|0[bB][01xXzZ]+|\$[0-9a-fA-F]+|[0-9a-fA-F]+[hH]|[0-9]+")
_HEX = re.compile(r"[0-9a-fA-F]{1,16}")
_BITS = re.compile(r"[01xXzZ]{2,64}")
_CHANNELS = re.compile(r"channels\s*\([0-9]+/[0-9]+\)\s*:\s*(.+)", re.IGNORECASE)


def told_channels(comment: str) -> list[str]:
    """Return the names that a comment lists, as `Channels (2/8): D0, D1` does."""
    match = _CHANNELS.match(comment)
    return [name.strip() for name in match.group(1).split(",")] if match is not None else []


def split_cells(line: str, delimiter: str) -> list[str]:
    """Split a line into cells."""
    if delimiter == "\n":
        return [line.strip()]
    try:
        return [cell.strip() for cell in next(csv.reader([line], delimiter=delimiter))]
    except (csv.Error, StopIteration):
        return [line]


def is_row(cells: Sequence[str]) -> bool:
    """Return whether these are a row's cells: one is a number or level, and the first is."""
    first = cells[0]
    if not any(one.fullmatch(first) for one in (_NUMBER, _LEVEL, _BUS, _TIME)):
        return False
    # Hex digits without a mark may be a name, such as D0; behind a number they are none.
    patterns = [_LEVEL, _BUS, _NUMBER, _TIME]
    if _NUMBER.fullmatch(first) or _TIME.fullmatch(first):
        patterns.append(_HEX)
    return len(cells) == 1 or any(
        pattern.fullmatch(cell) for cell in cells[1:] for pattern in patterns
    )


def find_look(cells: Sequence[str]) -> str:
    """Return what a column's cells look like: `level`, `number`, `time`, `bus`, `hex` or `other`.

    A `time` has its unit in the cell; `hex` has letters among its digits and no mark.
    """
    filled = [cell for cell in cells if cell]
    if all(_LEVEL.fullmatch(cell) for cell in filled):
        return "level"
    if all(_NUMBER.fullmatch(cell) for cell in filled):
        return "number"
    if all(_BUS.fullmatch(cell) or _LEVEL.fullmatch(cell) for cell in filled):
        return "bus"
    if all(_TIME.fullmatch(cell) or _NUMBER.fullmatch(cell) for cell in filled):
        return "time"
    if len({len(cell) for cell in filled}) == 1 and all(_HEX.fullmatch(cell) for cell in filled):
        return "hex"
    return "other"


def find_base(cells: Sequence[str], named_bits: int | None) -> tuple[int, int | None]:
    """Return the base of a bus column's cells, and its width as far as they show it.

    Args:
        named_bits: the width that the column's name states.
    """
    filled = [cell for cell in cells if cell]
    digits = {len(cell) for cell in filled}
    if len(digits) == 1 and all(_BITS.fullmatch(cell) for cell in filled):
        width = digits.pop()
        is_padded = any(cell[0] not in "1" for cell in filled)
        if named_bits == width or (named_bits is None and is_padded):
            return 2, width
    if find_look(filled) == "hex":
        return 16, 4 * len(filled[0])
    return 10, None
