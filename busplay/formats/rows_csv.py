"""CSV files of numbers in order: what stores, frames and key presses have in common.

The header names the columns, in any order and case; further columns are left alone. Numbers
are decimal, or hex after `0x` or `$`. UTF-8, with or without a byte order mark; lines end in
LF or CR LF; blank lines and quotes round a number are fine. One column, the cycle or the link
edge, never falls.

# Follows: RFC 4180, through Python's csv module; a cell with a line break in it is refused
"""

from __future__ import annotations

import csv
import re
from array import array
from collections.abc import Iterable, Iterator, Mapping

from busplay.errors import InputError
from busplay.wording import counted

_MAX_LINE_BYTES = 1 << 16
_MAX_KNOWN = 1 << 17
_NUMBER = re.compile(r"([0-9]{1,30})|(?:\$|0[xX])([0-9A-Fa-f]{1,30})")


def parse_rows(
    chunks: Iterable[bytes], columns: Mapping[str, int], *, file: str
) -> Iterator[tuple[array[int], ...]]:
    """Parse a CSV of numbers piece by piece.

    Args:
        chunks: the file's bytes, cut anywhere.
        columns: names that the header must have and the highest value of each; the first
            column never falls.
        file: for messages.

    Returns:
        for each piece the columns' values, `array("Q")` each, in the order of `columns`.

    Raises:
        InputError: the header lacks a column, a number is malformed or out of range, or the
            first column falls; with its line. Every row before it has been returned.
    """
    parser = _RowParser(columns, file)
    rest = b""
    for chunk in chunks:
        lines = (rest + chunk).split(b"\n")
        rest = lines.pop()
        yield from _until_fault(parser, lines)
        if len(rest) > _MAX_LINE_BYTES:
            parser.line_number += 1
            raise parser.error(
                f"more than {_MAX_LINE_BYTES:,} bytes without an end of line",
                "a row is one short line",
            )
    yield from _until_fault(parser, [rest])
    if not parser.has_header:
        raise parser.error("no header", f"the first line is {','.join(columns)}")


def _until_fault(parser: _RowParser, lines: list[bytes]) -> Iterator[tuple[array[int], ...]]:
    """Return the rows of these lines; a wrong line raises after the rows before it."""
    values = tuple(array("Q") for _ in parser.columns)
    try:
        parser.parse(lines, values)
    finally:
        if values[-1]:
            yield values


class _RowParser:
    """What is known after the lines so far: line number, places of columns, last number."""

    def __init__(self, columns: Mapping[str, int], file: str) -> None:
        self.columns = columns
        self.line_number = 0
        self._file = file
        self._order = next(iter(columns))
        self._order_place = -1
        self._other_places: list[tuple[int, str]] = []
        self._cells_wanted = 0
        self._last_number = 0
        # Cells seen before and their numbers: few differ, and a lookup is much faster than parsing.
        self._known: dict[str, dict[str, int]] = {name: {} for name in columns}

    @property
    def has_header(self) -> bool:
        return self._cells_wanted > 0

    def error(self, found: str, wanted: str) -> InputError:
        """Make the error for the current line."""
        place = f"line {self.line_number}"
        return InputError(found=found, wanted=wanted, file=self._file, place=place)

    def parse(self, lines: list[bytes], values: tuple[array[int], ...]) -> None:
        """Add the numbers of these lines to the columns."""
        first_line = self.line_number
        rows = csv.reader(self._text_lines(lines), strict=True)
        ordered, *others = values
        while True:
            try:
                cells = next(rows, None)
            except csv.Error as error:
                self.line_number = first_line + rows.line_num
                raise self.error(
                    f"a line that is no CSV ({error})", "a line is cells with commas between"
                ) from error
            if cells is None:
                break
            self.line_number = first_line + rows.line_num
            if len(cells) < 2 and not "".join(cells).strip():
                continue
            if not self._cells_wanted:
                self._find_columns(cells)
                continue
            if len(cells) < self._cells_wanted:
                self._refuse_short_row(cells)
            first = self._number(cells[self._order_place], self._order)
            if first < self._last_number:
                raise self.error(
                    f"{self._order} {first} after {self._order} {self._last_number}",
                    f"{self._order}s never fall",
                )
            row = []
            for place, name in self._other_places:
                number = self._known[name].get(cells[place])
                row.append(self._new_number(cells[place], name) if number is None else number)
            self._last_number = first
            ordered.append(first)
            for column, number in zip(others, row, strict=True):
                column.append(number)
        self.line_number = first_line + len(lines)

    def _text_lines(self, lines: list[bytes]) -> Iterator[str]:
        first_line = self.line_number
        for number, line in enumerate(lines, first_line + 1):
            if number == 1:
                line = line.removeprefix(b"\xef\xbb\xbf")
            try:
                yield line.decode("utf-8").removesuffix("\r")
            except UnicodeDecodeError as error:
                self.line_number = number
                raise self.error(
                    f"bytes that are no UTF-8 ({error.reason})", "give UTF-8"
                ) from error

    def _find_columns(self, cells: list[str]) -> None:
        names = [cell.strip().lower() for cell in cells]
        for name in self.columns:
            if names.count(name) != 1:
                raise self.error(
                    f"the header {','.join(cells)[:60]!r}, with {names.count(name)} columns"
                    f" named {name}",
                    f"the header is {','.join(self.columns)}, in any order, commas between",
                )
        places = {name: names.index(name) for name in self.columns}
        self._order_place = places.pop(self._order)
        self._other_places = [(place, name) for name, place in places.items()]
        self._cells_wanted = 1 + max(self._order_place, *places.values())

    def _refuse_short_row(self, cells: list[str]) -> None:
        places = [(self._order_place, self._order), *self._other_places]
        place, name = next((place, name) for place, name in places if place >= len(cells))
        raise self.error(counted(len(cells), "cell"), f"{name} is in cell {place + 1}")

    def _new_number(self, cell: str, name: str) -> int:
        number = self._number(cell, name)
        if len(self._known[name]) < _MAX_KNOWN:
            self._known[name][cell] = number
        return number

    def _number(self, cell: str, name: str) -> int:
        text = cell.strip()
        # By pattern, since int() also takes signs, underscores and the digits of all scripts.
        match = _NUMBER.fullmatch(text)
        if match is not None:
            decimal, hexadecimal = match.groups()
            number = int(decimal) if decimal else int(hexadecimal, 16)
            if number <= self.columns[name]:
                return number
        raise self.error(
            f"{name} {text[:40]!r}",
            f"{name} is 0 to {self.columns[name]}, decimal or hex after 0x or $",
        )
