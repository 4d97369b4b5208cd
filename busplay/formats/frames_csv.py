"""Frames as CSV with a header, for spreadsheets and for scripts.

    edge,word,time_ns,space,unit,sequence,address,data,check
    128,0x41123456A4,8000,1,0,1,0x1234,0x56,0xA4

`edge` and `word` say all; the other columns are for people, and are not read. Numbers are
decimal, or hex after `0x` or `$`. Edges never fall.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator, Mapping, Sequence
from typing import BinaryIO

import numpy as np

from busplay.batch import FrameBatch, UInt64Column
from busplay.errors import InputError

COLUMNS = ("edge", "word")
LINE_CHARACTERS_MAX = 1 << 16
ROWS_AT_ONCE = 1 << 16
_NUMBER = re.compile(r"([0-9]{1,20})|(?:\$|0[xX])([0-9A-Fa-f]{1,16})")
_MOST = (1 << 63) - 1
_WORD_MOST = (1 << 64) - 1


class FramesCsvWriter:
    """Writes frames as rows.

    Args:
        stream: binary, for writing.
        fields: names and bits of the frame's fields, in order; shown behind the word.
        has_time: times are known.
    """

    def __init__(
        self, stream: BinaryIO, *, fields: Sequence[tuple[str, int]], has_time: bool
    ) -> None:
        self._stream = stream
        self._has_time = has_time
        self._formats = ["%d", "0x%X", *(["%d"] if has_time else [])]
        self._formats += ["%d" if bits < 8 else f"0x%0{-(-bits // 4)}X" for _, bits in fields]
        names = [*COLUMNS, *(["time_ns"] if has_time else []), *(name for name, _ in fields)]
        stream.write((",".join(names) + "\n").encode())

    def write(
        self,
        frames: FrameBatch,
        fields: Mapping[str, UInt64Column],
        time_ns: UInt64Column | None = None,
    ) -> None:
        """Write a batch; `fields` in the order that was named."""
        columns = [frames.edge.tolist(), frames.word.tolist()]
        if self._has_time and time_ns is not None:
            columns.append(time_ns.tolist())
        columns += [column.tolist() for column in fields.values()]
        row = ",".join(self._formats) + "\n"
        self._stream.write("".join(row % values for values in zip(*columns, strict=True)).encode())


def is_frames_header(line: bytes) -> bool:
    """Tell whether a file's first line is the header of frames."""
    names = [name.strip().lower() for name in line.decode("utf-8", "replace").split(",")]
    return all(name in names for name in COLUMNS)


def read_frames_csv(stream: BinaryIO, *, file: str, word_bits: int) -> Iterator[FrameBatch]:
    """Read frames, some thousands at a time.

    Args:
        stream: binary, at the file's start.
        file: its name, for messages.
        word_bits: of a frame; words that are longer are refused.

    Raises:
        InputError: the header lacks a column, a number is none or too large, an edge goes
            back; with its line. Every row before it has been given.
    """
    parser = _Parser(file, word_bits)
    text = io.TextIOWrapper(stream, encoding="utf-8-sig", errors="replace", newline="")
    edges: list[int] = []
    words: list[int] = []
    try:
        rows = csv.reader(_short_lines(text, parser), strict=True)
        while True:
            try:
                cells = next(rows, None)
            except csv.Error as error:
                parser.line = rows.line_num
                raise parser.error(
                    f"a line that is no CSV ({error})", "give cells with commas"
                ) from error
            except OSError as error:
                raise parser.error(error.strerror or str(error), "read it again") from error
            if cells is None:
                break
            parser.line = rows.line_num
            row = parser.parse(cells)
            if row is not None:
                edges.append(row[0])
                words.append(row[1])
            if len(edges) == ROWS_AT_ONCE:
                yield FrameBatch(np.array(edges, np.uint64), np.array(words, np.uint64))
                edges, words = [], []
    except InputError:
        if edges:
            yield FrameBatch(np.array(edges, np.uint64), np.array(words, np.uint64))
        raise
    finally:
        text.detach()
    if not parser.has_header:
        raise parser.error("no header", "the first line names edge and word")
    if edges:
        yield FrameBatch(np.array(edges, np.uint64), np.array(words, np.uint64))


def _short_lines(text: io.TextIOWrapper, parser: _Parser) -> Iterator[str]:
    while line := text.readline(LINE_CHARACTERS_MAX + 1):
        if len(line) > LINE_CHARACTERS_MAX:
            raise parser.error(
                f"more than {LINE_CHARACTERS_MAX:,} characters without an end of line",
                "a row is one short line",
            )
        yield line


class _Parser:
    def __init__(self, file: str, word_bits: int) -> None:
        self.line = 1
        self.has_header = False
        self._file = file
        self._word_bits = word_bits
        self._places: dict[str, int] = {}
        self._last_edge = 0

    def error(self, found: str, wanted: str) -> InputError:
        """Make the error that tells of the line under way."""
        return InputError(file=self._file, place=f"line {self.line}", found=found, wanted=wanted)

    def parse(self, cells: list[str]) -> tuple[int, int] | None:
        """Return edge and word of a row; None for the header and blank lines."""
        if not "".join(cells).strip():
            return None
        if not self.has_header:
            names = [cell.strip().lower() for cell in cells]
            for name in COLUMNS:
                if names.count(name) != 1:
                    raise self.error(
                        f"the header {','.join(cells)[:60]!r}, with {names.count(name)} columns"
                        f" named {name}",
                        "frames have the columns edge and word",
                    )
                self._places[name] = names.index(name)
            self.has_header = True
            return None
        values = []
        for name, most in zip(COLUMNS, (_MOST, (1 << self._word_bits) - 1), strict=True):
            place = self._places[name]
            if place >= len(cells):
                raise self.error(f"{len(cells)} cells", f"{name} stands in cell {place + 1}")
            values.append(self._number(cells[place], name, most))
        if values[0] < self._last_edge:
            raise self.error(f"edge {values[0]} after edge {self._last_edge}", "edges never fall")
        self._last_edge = values[0]
        return values[0], values[1]

    def _number(self, cell: str, name: str, most: int) -> int:
        match = _NUMBER.fullmatch(cell.strip())
        if match is not None:
            decimal, hexadecimal = match.groups()
            number = int(decimal) if decimal else int(hexadecimal, 16)
            if number <= most:
                return number
        raise self.error(
            f"{name} {cell.strip()[:40]!r}", f"{name} is 0 to {most}, decimal or hex after 0x or $"
        )
