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
from collections.abc import Iterable, Iterator
from typing import BinaryIO, NoReturn

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
    parser = _Parser(file)
    rest = b""
    for chunk in chunks:
        lines = (rest + chunk).split(b"\n")
        rest = lines.pop()
        yield from _until_fault(parser, lines)
        if len(rest) > _MAX_LINE_BYTES:
            parser.line_number += 1
            raise parser.error(
                f"more than {_MAX_LINE_BYTES:,} bytes without an end of line",
                "a store is one short line",
            )
    yield from _until_fault(parser, [rest])
    if not parser.has_header:
        raise parser.error("no header", f"the first line is {','.join(COLUMNS)}")


def _until_fault(parser: _Parser, lines: list[bytes]) -> Iterator[StoreBatch]:
    """Give the stores of these lines; a line at fault is told after the stores before it."""
    columns = array("Q"), array("H"), array("B")
    try:
        parser.parse(lines, *columns)
    finally:
        cycle, address, data = columns
        if cycle:
            yield StoreBatch(
                np.frombuffer(cycle, np.uint64),
                np.frombuffer(address, np.uint16),
                np.frombuffer(data, np.uint8),
            )


class _Parser:
    """What is known after the lines so far: line number, columns, last cycle."""

    def __init__(self, file: str) -> None:
        self.line_number = 0
        self._file = file
        self._places: tuple[int, int, int] | None = None
        self._last_cycle = 0
        # Cells seen before and their numbers: few differ, and a look-up is four times faster.
        self._seen: dict[str, dict[str, int]] = {"address": {}, "data": {}}

    @property
    def has_header(self) -> bool:
        return self._places is not None

    def error(self, found: str, wanted: str) -> InputError:
        """Make the error that tells of the line under way."""
        place = f"line {self.line_number}"
        return InputError(found=found, wanted=wanted, file=self._file, place=place)

    def parse(
        self, lines: list[bytes], cycles: array[int], addresses: array[int], data: array[int]
    ) -> None:
        """Add the stores of these lines to the three columns."""
        first_line = self.line_number
        rows = csv.reader(self._text_lines(lines), strict=True)
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
            if not "".join(cells).strip():
                continue
            if self._places is None:
                self._places = self._find_columns(cells)
                continue
            cycle_place, address_place, data_place = self._places
            if len(cells) <= max(self._places):
                self._require_cells(cells)
            cycle = self._number(cells[cycle_place], "cycle")
            address = self._small_number(cells[address_place], "address")
            byte = self._small_number(cells[data_place], "data")
            if cycle < self._last_cycle:
                raise self.error(
                    f"cycle {cycle} after cycle {self._last_cycle}", "cycles never fall"
                )
            self._last_cycle = cycle
            cycles.append(cycle)
            addresses.append(address)
            data.append(byte)
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

    def _require_cells(self, cells: list[str]) -> NoReturn:
        header = {name: place + 1 for name, place in zip(COLUMNS, self._places or (), strict=False)}
        name = next(name for name, place in header.items() if place > len(cells))
        raise self.error(f"{len(cells)} cells", f"{name} stands in cell {header[name]}")

    def _find_columns(self, cells: list[str]) -> tuple[int, int, int]:
        names = [cell.strip().lower() for cell in cells]
        for name in COLUMNS:
            if names.count(name) != 1:
                raise self.error(
                    f"the header {','.join(cells)[:60]!r}, with {names.count(name)} columns"
                    f" named {name}",
                    f"the header is {','.join(COLUMNS)}, in any order, commas between",
                )
        return names.index("cycle"), names.index("address"), names.index("data")

    def _small_number(self, cell: str, name: str) -> int:
        seen = self._seen[name]
        number = seen.get(cell)
        if number is None:
            number = self._number(cell, name)
            if len(seen) < _MAX_SEEN:
                seen[cell] = number
        return number

    def _number(self, cell: str, name: str) -> int:
        text = cell.strip()
        number = _parse_number(text)
        if number is None or number > COLUMNS[name]:
            raise self.error(
                f"{name} {text[:40]!r}",
                f"{name} is 0 to {COLUMNS[name]}, decimal or hex after 0x or $",
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
