"""Stores as CSV with a header, for emulators in other languages and for spreadsheets.

    cycle,address,data
    7,0x4000,$1F
    11,16385,0

The header names the columns, in any order and case; further columns are left alone. Numbers
are decimal, or hex after `0x` or `$`. UTF-8, with or without a byte order mark; lines end in
LF or CR LF; blank lines and quotes round a number are fine. Cycles never fall.

# Follows: RFC 4180, through Python's csv module
"""

from __future__ import annotations

import csv
import re
from array import array
from collections.abc import Iterable, Iterator, Mapping
from typing import BinaryIO

import numpy as np

from busplay.batch import StoreBatch
from busplay.errors import InputError
from busplay.formats.stream_chunks import read_chunks

COLUMNS = {"cycle": (1 << 63) - 1, "address": 0xFFFF, "data": 0xFF}
"""The columns and the highest value of each."""

_MAX_LINE_BYTES = 1 << 16
_MAX_SEEN = 1 << 17
_NUMBER = re.compile(r"([0-9]{1,30})|(?:\$|0[xX])([0-9A-Fa-f]{1,30})")


def read_stores_csv(stream: BinaryIO, file: str) -> Iterator[StoreBatch]:
    """Read lines as they arrive, a batch for each piece of the stream.

    Args:
        stream: binary; a pipe is read live.
        file: the stream's name, for messages.

    Raises:
        InputError: the header lacks a column, a number is none or out of range, or a cycle
            goes back; with its line. Every store before it has been given.
    """
    return parse_stores_csv(read_chunks(stream, file), file=file)


def parse_stores_csv(chunks: Iterable[bytes], *, file: str) -> Iterator[StoreBatch]:
    """Take pieces of a stream apart; as `read_stores_csv`."""
    for cycle, address, data in parse_rows(chunks, COLUMNS, file=file):
        yield StoreBatch(
            np.frombuffer(cycle, np.uint64),
            np.array(address, np.uint16),
            np.array(data, np.uint8),
        )


def parse_rows(
    chunks: Iterable[bytes], columns: Mapping[str, int], *, file: str
) -> Iterator[tuple[array[int], ...]]:
    """Take a CSV of numbers apart, piece by piece.

    Args:
        chunks: the file's bytes, cut anywhere.
        columns: names that the header must have, `cycle` the first of them, and the highest
            value of each.
        file: for messages.

    Returns:
        for each piece the columns' values, `array("Q")` each, in the order of `columns`.

    Raises:
        InputError: as `read_stores_csv`.
    """
    parser = _Parser(columns, file)
    rest = b""
    for chunk in chunks:
        lines = (rest + chunk).split(b"\n")
        rest = lines.pop()
        if len(rest) > _MAX_LINE_BYTES:
            raise parser.error(
                f"more than {_MAX_LINE_BYTES:,} bytes without an end of line",
                "a row is one short line",
                parser.line_number + len(lines) + 1,
            )
        yield from _until_fault(parser, lines)
    yield from _until_fault(parser, [rest])
    if not parser.has_header:
        raise parser.error("no line", f"the first line is the header {','.join(columns)}", 1)


def _until_fault(parser: _Parser, lines: list[bytes]) -> Iterator[tuple[array[int], ...]]:
    """Give the rows of these lines; a line at fault is told after the rows before it."""
    values = tuple(array("Q") for _ in parser.columns)
    try:
        parser.parse(lines, values)
    finally:
        if values[0]:
            yield values


class _Parser:
    """What is known after the lines so far: line number, columns, last cycle."""

    def __init__(self, columns: Mapping[str, int], file: str) -> None:
        self.columns = columns
        self.line_number = 0
        self._file = file
        self._places: tuple[int, ...] | None = None
        self._last_cycle = 0

    @property
    def has_header(self) -> bool:
        return self._places is not None

    def error(self, found: str, wanted: str, line_number: int) -> InputError:
        return InputError(found=found, wanted=wanted, file=self._file, place=f"line {line_number}")

    def parse(self, lines: list[bytes], values: tuple[array[int], ...]) -> None:
        """Add the numbers of these lines to the columns."""
        for line in lines:
            self.line_number += 1
            cells = self._cells(line)
            if cells is None:
                continue
            if self._places is None:
                self._places = self._find_columns(cells)
                continue
            row = [
                self._number(cells, place, name)
                for place, name in zip(self._places, self.columns, strict=True)
            ]
            if row[0] < self._last_cycle:
                raise self.error(
                    f"cycle {row[0]} after cycle {self._last_cycle}",
                    "cycles never fall",
                    self.line_number,
                )
            self._last_cycle = row[0]
            for column, number in zip(values, row, strict=True):
                column.append(number)

    def _cells(self, line: bytes) -> list[str] | None:
        if self.line_number == 1:
            line = line.removeprefix(b"\xef\xbb\xbf")
        line = line.removesuffix(b"\r")
        if not line.strip():
            return None
        try:
            return next(csv.reader([line.decode("utf-8")], strict=True))
        except (UnicodeDecodeError, csv.Error) as error:
            shown = line[:60].decode("utf-8", "replace")
            raise self.error(
                f"{shown!r} ({error})", "a line is cells with commas between", self.line_number
            ) from error

    def _find_columns(self, cells: list[str]) -> tuple[int, ...]:
        names = [cell.strip().lower() for cell in cells]
        for name in self.columns:
            if names.count(name) != 1:
                raise self.error(
                    f"the header {','.join(cells)[:60]!r}, with {names.count(name)} columns"
                    f" named {name}",
                    f"the header is {','.join(self.columns)}, in any order, commas between",
                    self.line_number,
                )
        return tuple(names.index(name) for name in self.columns)

    def _number(self, cells: list[str], place: int, name: str) -> int:
        if place >= len(cells):
            raise self.error(
                f"{len(cells)} cells", f"{name} stands in cell {place + 1}", self.line_number
            )
        text = cells[place].strip()
        number = _parse_number(text)
        if number is None or number > self.columns[name]:
            raise self.error(
                f"{name} {text[:40]!r}",
                f"{name} is 0 to {self.columns[name]}, decimal or hex after 0x or $",
                self.line_number,
            )
        return number


def _parse_number(text: str) -> int | None:
    # By pattern, since int() also takes signs, underscores and the digits of all scripts.
    match = _NUMBER.fullmatch(text)
    if match is None:
        return None
    decimal, hexadecimal = match.groups()
    return int(decimal) if decimal else int(hexadecimal, 16)


def write_stores_csv(stream: BinaryIO, batches: Iterable[StoreBatch]) -> None:
    """Write batches as CSV with the header; addresses and data in hex."""
    stream.write(b"cycle,address,data\n")
    for batch in batches:
        columns = (batch.cycle.tolist(), batch.address.tolist(), batch.data.tolist())
        for cycle, address, data in zip(*columns, strict=True):
            stream.write(b"%d,0x%04X,0x%02X\n" % (cycle, address, data))
