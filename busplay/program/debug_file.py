"""Read the debug file that ld65 writes with `--dbgfile`: source lines and labels of addresses.

# Read in: files written by ld65 2.19 (cc65), major version 2; each record is a line
#          `kind<TAB>name=value,name=value`, with ids that other records refer to

| record | what is read |
| --- | --- |
| file | name |
| seg | where it lies in memory; in banked memory, the page |
| span | bytes of a segment |
| line | file, line and the spans that it made; type 0 assembler, 1 C, 2 within a macro |
| sym | labels (`type=lab`); of a local one the label that it belongs to |
| scope | name and parent |

Other records, and attributes of later minor versions, are ignored.

A segment's page is its attribute `bank`; without one it follows from the file that the linker put
it into (`oname`, `ooffs`), if that is a bank's image. Otherwise it is in every page.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from busplay.batch import Int64Column
from busplay.description.banks import Bank
from busplay.description.full_address import (
    ADDRESS_MASK,
    PAGE_MAX,
    bank_of,
    full_address,
    page_of,
    require_page,
)
from busplay.errors import InputError
from busplay.program.label_names import SCOPE_MARK, named_with_parents

LineKind = Literal["assembler", "c", "macro"]
DEBUG_SUFFIX = ".dbg"

_HEAD = b"version\tmajor="
_ADDRESSES = 0x10000
_MAX_FILE_BYTES = 1 << 26
_ATTRIBUTE = re.compile(r'(\w+)=("[^"]*"|[^,"]*)(?:,|$)')
_COMPILERS_LABEL = re.compile(r"L[0-9A-F]{4}")
_NUMBER = re.compile(r"(?:0x[0-9A-Fa-f]{1,15}|[0-9]{1,15})")
_LINE_KINDS: tuple[LineKind, ...] = ("assembler", "c", "macro")
_BEST_FIRST: tuple[LineKind, ...] = ("c", "assembler", "macro")
_TABLES = ("file", "seg", "span", "line", "sym", "scope")
_LABEL_TABLES = ("sym", "scope")
# Scopes that have no name in the source.
_ANONYMOUS = "$"
_ATTRIBUTES = {
    "file": ("id", "name"),
    "seg": ("id", "name", "start", "size"),
    "span": ("id", "seg", "start", "size"),
    "line": ("id", "file", "line"),
    "sym": ("id", "name", "type"),
    "scope": ("id", "name"),
}


@dataclass(frozen=True, slots=True)
class SourceLine:
    """A line of a source file.

    Attributes:
        file: its name, as given to the assembler or compiler.
        line: from 1 on.
        kind: its language; `macro`: a line of an expanded macro's definition.
    """

    file: str
    line: int
    kind: LineKind

    def __str__(self) -> str:
        return f"{self.file}:{self.line}"


@dataclass(frozen=True, slots=True)
class DebugSegment:
    """A linker segment's place in memory; `address` is a full one."""

    name: str
    address: int
    size_bytes: int


@dataclass(frozen=True, slots=True, eq=False)
class LineRuns:
    """Which line made each byte, as runs of bytes of one line.

    Attributes:
        starts: int64[runs]; full address at which each begins, rising; it ends where the next does.
        line: int32[runs]; index of the line, or -1.
    """

    starts: Int64Column
    line: NDArray[np.int32]

    @classmethod
    def painted(cls, spans: Sequence[tuple[int, int, int]]) -> LineRuns:
        """Make them from spans (full address, bytes, line); a shorter span hides a longer one."""
        bounds = np.unique(
            np.array([[at, at + size] for at, size, _ in spans], np.int64).reshape(-1)
        )
        line = np.full(len(bounds), -1, np.int32)
        for at, size, index in sorted(spans, key=lambda one: -one[1]):
            first, stop = np.searchsorted(bounds, (at, at + size))
            line[first:stop] = index
        return cls(bounds, line)

    def at(self, full: Int64Column) -> NDArray[np.int32]:
        """Return the line that made each of some bytes, or -1."""
        if not len(self.starts):
            return np.full(len(full), -1, np.int32)
        run = np.searchsorted(self.starts, full, side="right") - 1
        return np.where(run < 0, -1, self.line[np.maximum(run, 0)]).astype(np.int32)

    def starts_of(self, lines: Sequence[int]) -> list[int]:
        """Return where each stretch of bytes of some lines begins."""
        there = np.isin(self.line, lines)
        before = np.append(False, there[:-1])[: len(there)]
        starts: list[int] = self.starts[there & ~before].tolist()
        return starts


@dataclass(frozen=True, eq=False)
class DebugInfo:
    """The contents of a debug file.

    Attributes:
        files: names of the source files.
        segments: those within 64 KiB.
        labels: full address to the labels there, as from `read_labels`.
        lines: all source lines that made bytes.
        runs: for each kind of line, which one made the byte, of several the one with the shortest
            span.
    """

    files: tuple[str, ...]
    segments: tuple[DebugSegment, ...]
    labels: dict[int, tuple[str, ...]]
    lines: tuple[SourceLine, ...]
    runs: dict[LineKind, LineRuns]

    def line_of(self, full: int) -> SourceLine | None:
        """Return the line that made the byte at a full address, a C line if there is one."""
        index = int(self.best_lines(np.array([full], np.int64))[0])
        return None if index < 0 else self.lines[index]

    def lines_of(self, full: int) -> tuple[SourceLine, ...]:
        """Return all lines that made the byte at a full address: C, assembler, macro."""
        here = np.array([full], np.int64)
        found = (int(self._of_kind(kind, here)[0]) for kind in _BEST_FIRST)
        return tuple(self.lines[index] for index in found if index >= 0)

    def best_lines(self, full: Int64Column) -> NDArray[np.int32]:
        """Return the index in `lines` of the line that `line_of` returns, or -1.

        Args:
            full: int64[bytes]; full addresses.
        """
        best = np.full(len(full), -1, np.int32)
        for kind in _BEST_FIRST:
            best = np.where(best < 0, self._of_kind(kind, full), best)
        return best

    def _of_kind(self, kind: LineKind, full: Int64Column) -> NDArray[np.int32]:
        runs = self.runs[kind]
        found = runs.at(full)
        # A line without a page is in every page.
        return np.where(found < 0, runs.at(full & ADDRESS_MASK), found)

    def addresses_of(self, file: str, line: int) -> frozenset[int]:
        """Return the first full address of each run of bytes that a source line made.

        Args:
            file: a name in `files`, or its last part.
            line: from 1 on.

        Raises:
            InputError: no such file, or the line made no bytes.
        """
        names = [name for name in self.files if file in (name, Path(name).name)]
        if not names:
            raise InputError(
                found=f"source file {file!r}", wanted=f"there are {', '.join(sorted(self.files))}"
            )
        found: set[int] = set()
        wanted = [
            number
            for number, one in enumerate(self.lines)
            if one.line == line and one.file in names
        ]
        for runs in self.runs.values():
            found |= set(runs.starts_of(wanted))
        if not found:
            raise InputError(found=f"{file}:{line}", wanted=self._lines_near(names, line))
        return frozenset(found)

    def _lines_near(self, names: list[str], line: int) -> str:
        """Return, in words, the lines near one of a file that made bytes."""
        made = np.unique(np.concatenate([runs.line for runs in self.runs.values()]))
        lines = {self.lines[number] for number in made if number >= 0}
        others = {one.line for one in lines if one.file in names}
        near = sorted(sorted(others, key=lambda other: abs(other - line))[:3])
        if not near:
            return "no line of it made any bytes"
        return f"it made no bytes; lines that did: {', '.join(map(str, near))}"


def is_debug_file(content: bytes) -> bool:
    """Whether a file begins as ld65's debug files do."""
    return content.startswith(_HEAD)


def read_debug_file(path: str | Path, banks: Sequence[Bank] = ()) -> DebugInfo:
    """Read a debug file.

    Args:
        banks: the board's.

    Raises:
        InputError: the file cannot be read, is not a debug file of version 2, or is damaged; or a
            bank has no such page.
    """
    try:
        with Path(path).open("rb") as stream:
            content = stream.read(_MAX_FILE_BYTES + 1)
    except OSError as error:
        raise InputError(f"cannot be read: {error.strerror or error}", file=str(path)) from error
    return parse_debug_file(content, file=str(path), banks=banks)


def parse_debug_file(content: bytes, *, file: str, banks: Sequence[Bank] = ()) -> DebugInfo:
    """Parse a debug file; arguments and errors as for `read_debug_file`."""
    if len(content) > _MAX_FILE_BYTES:
        raise InputError(
            found=f"more than {_MAX_FILE_BYTES:,} bytes",
            wanted="a debug file is shorter",
            file=file,
        )
    records = list(_records(content, file))
    _require_version(records, file)
    tables = _tables(records, _TABLES)
    _require_all(records, file)
    return _joined(tables, banks)


def parse_debug_labels(content: bytes, *, file: str) -> dict[int, tuple[str, ...]]:
    """Parse the labels of a debug file, without their pages; errors as for `read_debug_file`."""
    lines = content[:_MAX_FILE_BYTES].splitlines(keepends=True)
    starts = tuple(f"{kind}\t".encode() for kind in ("version", *_LABEL_TABLES))
    records = list(_records(b"".join(line for line in lines if line.startswith(starts)), file))
    _require_version(records, file)
    return _labels(_tables(records, _LABEL_TABLES), {}, has_c=b",type=1," in content)


def _tables(records: list[_Record], kinds: tuple[str, ...]) -> dict[str, dict[int, _Record]]:
    """Return the records of some kinds by their ids."""
    tables: dict[str, dict[int, _Record]] = {kind: {} for kind in kinds}
    for record in records:
        if record.kind in tables:
            number = record.number("id")
            if number in tables[record.kind]:
                raise record.error(f"a second {record.kind} {number}", "each id may be given once")
            tables[record.kind][number] = record
    return tables


class _Record:
    """One line of the file."""

    def __init__(self, kind: str, attributes: dict[str, str], file: str, line_number: int) -> None:
        self.kind = kind
        self._attributes = attributes
        self._file = file
        self._line_number = line_number

    def error(self, found: str, wanted: str) -> InputError:
        return InputError(
            file=self._file, place=f"line {self._line_number}", found=found, wanted=wanted
        )

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(self._attributes)

    def has(self, name: str) -> bool:
        return name in self._attributes

    def text(self, name: str) -> str:
        return self._attributes[name].strip('"')

    def number(self, name: str) -> int:
        text = self._attributes[name]
        if not _NUMBER.fullmatch(text):
            raise self.error(f"{name}={text[:40]}", "a number belongs there")
        return int(text, 0 if text.startswith("0x") else 10)

    def numbers(self, name: str) -> list[int]:
        """Return the ids of a list `1+2+3`; an attribute that is not there is an empty one."""
        texts = self._attributes.get(name, "").split("+")
        if not all(_NUMBER.fullmatch(text) for text in texts if text):
            raise self.error(f"{name}={self._attributes[name][:40]}", "numbers joined by + belong")
        return [int(text) for text in texts if text]

    def referred(self, name: str, table: dict[int, _Record], number: int) -> _Record:
        """Return the record that an id refers to."""
        try:
            return table[number]
        except KeyError:
            raise self.error(
                f"{name}={number}", f"the file has no {name} {number}; make it anew"
            ) from None


def _records(content: bytes, file: str) -> Iterator[_Record]:
    if not is_debug_file(content):
        raise InputError(
            file=file,
            found="no version in the first line",
            wanted="a debug file is what ld65 writes with --dbgfile",
        )
    for number, raw in enumerate(content.splitlines(), 1):
        line = raw.decode("utf-8", "replace")
        if not line.strip():
            continue
        kind, _, rest = line.partition("\t")
        attributes = {}
        position = 0
        while position < len(rest):
            match = _ATTRIBUTE.match(rest, position)
            if match is None:
                break
            attributes[match[1]] = match[2]
            position = match.end()
        record = _Record(kind, attributes, file, number)
        if position < len(rest):
            raise record.error(
                repr(rest[position : position + 40]), "attributes are name=value, with commas"
            )
        missing = [name for name in _ATTRIBUTES.get(kind, ()) if name not in attributes]
        if missing:
            raise record.error(f"a {kind} without {missing[0]}", "make the file anew")
        yield record


def _require_version(records: list[_Record], file: str) -> None:
    first = records[0]
    major = first.number("major") if first.has("major") else 0
    if major != 2:
        raise InputError(
            file=file,
            place="line 1",
            found=f"major version {major}",
            wanted="version 2 can be read: cc65 2.13 and newer write it",
        )


def _require_all(records: list[_Record], file: str) -> None:
    """Refuse a file that was cut off: its second line counts what follows."""
    counts = Counter(record.kind for record in records)
    for info in (record for record in records if record.kind == "info"):
        for kind in info.names:
            # ld65 counts files that it leaves out, too.
            if kind != "file" and counts[kind] != info.number(kind):
                raise InputError(
                    file=file,
                    found=f"{counts[kind]:,} of {info.number(kind):,} records {kind[:20]}",
                    wanted="the file is cut off or damaged; make it anew",
                )


def _joined(tables: dict[str, dict[int, _Record]], banks: Sequence[Bank]) -> DebugInfo:
    segments = {}
    for number, record in tables["seg"].items():
        address, size = record.number("start"), record.number("size")
        if address + size <= _ADDRESSES:
            full = full_address(address, _page_of_segment(record, address, banks))
            segments[number] = DebugSegment(record.text("name"), full, size)
    spans = {}
    for number, record in tables["span"].items():
        record.referred("seg", tables["seg"], record.number("seg"))
        segment = segments.get(record.number("seg"))
        offset, size = record.number("start"), record.number("size")
        if segment is None or not size:
            continue
        if offset + size > segment.size_bytes:
            raise record.error(
                f"bytes {offset} to {offset + size - 1} of segment {segment.name}",
                f"it has {segment.size_bytes}",
            )
        spans[number] = (segment.address + offset, size)
    lines: list[SourceLine] = []
    made: dict[LineKind, dict[int, int]] = {kind: {} for kind in _LINE_KINDS}
    for record in tables["line"].values():
        source = record.referred("file", tables["file"], record.number("file")).text("name")
        code = record.number("type") if record.has("type") else 0
        if code >= len(_LINE_KINDS):
            continue
        for number in record.numbers("span"):
            record.referred("span", tables["span"], number)
            made[_LINE_KINDS[code]][number] = len(lines)
        lines.append(SourceLine(source, record.number("line"), _LINE_KINDS[code]))
    runs = {
        kind: LineRuns.painted(
            [(*spans[number], index) for number, index in made_by.items() if number in spans]
        )
        for kind, made_by in made.items()
    }
    return DebugInfo(
        files=tuple(record.text("name") for record in tables["file"].values()),
        segments=tuple(segments.values()),
        labels=_labels(tables, segments, has_c=bool(made["c"])),
        lines=tuple(lines),
        runs=runs,
    )


def _page_of_segment(segment: _Record, address: int, banks: Sequence[Bank]) -> int | None:
    """Return the page that a segment is in; None: in none, or in every page."""
    bank = bank_of(address, banks)
    if bank is None:
        return None
    if segment.has("bank"):
        page = segment.number("bank")
        try:
            require_page(full_address(address, min(page, PAGE_MAX)), banks)
        except InputError as error:
            raise segment.error(error.found or "", error.wanted or "") from None
        return page
    if bank.image is None or not (segment.has("oname") and segment.has("ooffs")):
        return None
    if re.split(r"[/\\]", segment.text("oname"))[-1] != bank.image.name:
        return None
    page, offset = divmod(segment.number("ooffs"), bank.page_bytes)
    return page if page < bank.pages and offset == address - bank.first_address else None


def _labels(
    tables: dict[str, dict[int, _Record]], segments: dict[int, DebugSegment], *, has_c: bool
) -> dict[int, tuple[str, ...]]:
    """Return the labels, without those that the compiler makes up for jumps within a function."""
    names: dict[int, list[str]] = {}
    for record in tables["sym"].values():
        if record.text("type") == "lab" and record.has("val"):
            address = record.number("val")
            if has_c and _COMPILERS_LABEL.fullmatch(record.text("name")):
                continue
            if address >= _ADDRESSES:
                continue
            name = _full_name(record, tables)
            if record.has("seg") and (segment := segments.get(record.number("seg"))) is not None:
                address = full_address(address, page_of(segment.address))
            if name not in names.setdefault(address, []):
                names[address].append(name)
    return named_with_parents({address: tuple(found) for address, found in names.items()})


def _full_name(record: _Record, tables: dict[str, dict[int, _Record]]) -> str:
    """Return a symbol's name with the label or the scopes that it is in, if the file has them."""
    name = record.text("name")
    if record.has("parent"):
        above = tables["sym"].get(record.number("parent"))
        if above is None or above.has("parent"):
            return name
        return f"{_full_name(above, tables)}{name}"
    seen: set[int] = set()
    scope = record.number("scope") if record.has("scope") else None
    while scope in tables["scope"] and scope not in seen:
        seen.add(scope)
        inner = tables["scope"][scope]
        if inner.text("name") and not inner.text("name").startswith(_ANONYMOUS):
            name = f"{inner.text('name')}{SCOPE_MARK}{name}"
        scope = inner.number("parent") if inner.has("parent") else None
    return name
