"""Read the debug file that ld65 writes with `--dbgfile`: source lines and labels of addresses.

# Read in: files written by ld65 2.19 (cc65), major version 2; each record is a line
#          `kind<TAB>name=value,name=value`, with ids that other records refer to

| record | what is read |
| --- | --- |
| file | name |
| seg | where it lies in memory |
| span | bytes of a segment |
| line | file, line and the spans that it made; type 0 assembler, 1 C, 2 within a macro |
| sym | labels (`type=lab`); of a local one the label that it belongs to |
| scope | name and parent |

Other records, and attributes of later minor versions, are ignored.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

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
    """A linker segment's place in memory."""

    name: str
    address: int
    size_bytes: int


@dataclass(frozen=True, eq=False)
class DebugInfo:
    """The contents of a debug file.

    Attributes:
        files: names of the source files.
        segments: those within 64 KiB.
        labels: processor address to the labels there, as from `read_labels`.
        lines: all source lines that made bytes.
        line_index: int32[65536] for each kind of line: index in `lines` of the line that made the
            byte, of several the one with the shortest span; or -1.
    """

    files: tuple[str, ...]
    segments: tuple[DebugSegment, ...]
    labels: dict[int, tuple[str, ...]]
    lines: tuple[SourceLine, ...]
    line_index: dict[LineKind, NDArray[np.int32]]

    def line_of(self, address: int) -> SourceLine | None:
        """Return the line that made the byte at an address, a C line if there is one."""
        index = int(self.best_line_index[address])
        return None if index < 0 else self.lines[index]

    def lines_of(self, address: int) -> tuple[SourceLine, ...]:
        """Return all lines that made the byte at an address: C, assembler, macro."""
        found = (int(self.line_index[kind][address]) for kind in ("c", "assembler", "macro"))
        return tuple(self.lines[index] for index in found if index >= 0)

    @cached_property
    def best_line_index(self) -> NDArray[np.int32]:
        """int32[65536]: index in `lines` of the line that `line_of` returns, or -1."""
        best = self.line_index["c"].copy()
        for kind in ("assembler", "macro"):
            best = np.where(best < 0, self.line_index[kind], best)
        return best

    def addresses_of(self, file: str, line: int) -> frozenset[int]:
        """Return the first address of each run of bytes that a source line made.

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
        for index in self.line_index.values():
            wanted = [
                number
                for number, one in enumerate(self.lines)
                if one.line == line and one.file in names
            ]
            there = np.isin(index, wanted)
            found |= set(np.flatnonzero(there & ~np.roll(there, 1)).tolist())
        if not found:
            raise InputError(found=f"{file}:{line}", wanted=self._lines_near(names, line))
        return frozenset(found)

    def _lines_near(self, names: list[str], line: int) -> str:
        """Return, in words, the lines near one of a file that made bytes."""
        made = np.unique(np.concatenate(list(self.line_index.values())))
        lines = {self.lines[number] for number in made if number >= 0}
        others = {one.line for one in lines if one.file in names}
        near = sorted(sorted(others, key=lambda other: abs(other - line))[:3])
        if not near:
            return "no line of it made any bytes"
        return f"it made no bytes; lines that did: {', '.join(map(str, near))}"


def is_debug_file(content: bytes) -> bool:
    """Whether a file begins as ld65's debug files do."""
    return content.startswith(_HEAD)


def read_debug_file(path: str | Path) -> DebugInfo:
    """Read a debug file.

    Raises:
        InputError: the file cannot be read, is not a debug file of version 2, or is damaged.
    """
    try:
        with Path(path).open("rb") as stream:
            content = stream.read(_MAX_FILE_BYTES + 1)
    except OSError as error:
        raise InputError(f"cannot be read: {error.strerror or error}", file=str(path)) from error
    return parse_debug_file(content, file=str(path))


def parse_debug_file(content: bytes, *, file: str) -> DebugInfo:
    """Parse a debug file; errors as for `read_debug_file`."""
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
    return _joined(tables)


def parse_debug_labels(content: bytes, *, file: str) -> dict[int, tuple[str, ...]]:
    """Parse the labels of a debug file and nothing else; errors as for `read_debug_file`."""
    lines = content[:_MAX_FILE_BYTES].splitlines(keepends=True)
    starts = tuple(f"{kind}\t".encode() for kind in ("version", *_LABEL_TABLES))
    records = list(_records(b"".join(line for line in lines if line.startswith(starts)), file))
    _require_version(records, file)
    return _labels(_tables(records, _LABEL_TABLES), has_c=b",type=1," in content)


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


def _joined(tables: dict[str, dict[int, _Record]]) -> DebugInfo:
    segments = {}
    for number, record in tables["seg"].items():
        address, size = record.number("start"), record.number("size")
        if address + size <= _ADDRESSES:
            segments[number] = DebugSegment(record.text("name"), address, size)
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
    line_index = {}
    for kind, lines_of_spans in made.items():
        index = np.full(_ADDRESSES, -1, np.int32)
        there = [number for number in lines_of_spans if number in spans]
        for number in sorted(there, key=lambda one: -spans[one][1]):
            address, size = spans[number]
            index[address : address + size] = lines_of_spans[number]
        line_index[kind] = index
    return DebugInfo(
        files=tuple(record.text("name") for record in tables["file"].values()),
        segments=tuple(segments.values()),
        labels=_labels(tables, has_c=bool(made["c"])),
        lines=tuple(lines),
        line_index=line_index,
    )


def _labels(tables: dict[str, dict[int, _Record]], *, has_c: bool) -> dict[int, tuple[str, ...]]:
    """Return the labels, without those that the compiler makes up for jumps within a function."""
    names: dict[int, list[str]] = {}
    for record in tables["sym"].values():
        if record.text("type") == "lab" and record.has("val"):
            address = record.number("val")
            if has_c and _COMPILERS_LABEL.fullmatch(record.text("name")):
                continue
            name = _full_name(record, tables)
            if address < _ADDRESSES and name not in names.setdefault(address, []):
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
