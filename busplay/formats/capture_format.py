"""Formats of captures, ours and those of other packages, recognised by content, then by suffix.

A format of another analyser joins with one object and one entry point. The object has the shape
of `CaptureFormat`: a name, suffixes, a look at a file's first bytes, and a way to open it. The
package that brings it says in its `pyproject.toml`:

    [project.entry-points."busplay.capture_formats"]
    mine = "my_package.my_format:MY_FORMAT"

and then `info`, `decode` and `convert` read such files. What a reader must keep to is in
`CaptureReader`, `busplay.batch.ChangeBatch` and `CaptureInfo`: times are whole picoseconds and
strictly rise, and bytes that are none of the format end in an `InputError`.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from importlib import import_module
from importlib.metadata import entry_points
from pathlib import Path
from typing import Protocol, cast

from busplay.batch import CaptureInfo, ChangeBatch
from busplay.errors import InputError
from busplay.formats.byte_source import ByteSource, plain_suffix
from busplay.formats.frames_csv import is_frames_header
from busplay.formats.stores_csv import COLUMNS as STORE_COLUMNS

ENTRY_POINT_GROUP = "busplay.capture_formats"
VECTOR_BITS_MOST = 1 << 16

_HEAD_BYTES = 1 << 14
_BOMS = {b"\xff\xfe": "utf-16-le", b"\xfe\xff": "utf-16-be"}
_VCD_START = re.compile(
    r"\s*\$(date|version|comment|timescale|scope|var|enddefinitions|upscope|attrbegin)\b"
)
_CSV_LINE = re.compile(r"[,;\t]|^\s*[0-9.+-]+\s*$", re.MULTILINE)
_ZIP_HEADS = (b"PK\x03\x04", b"PK\x05\x06")
# Files that are no captures, by their first bytes: what they are, and what to do.
_OTHERS = (
    (b"\x89BPT\r\n\x1a\n", "a busplay trace", "busplay replay plays it"),
    (b"\x0a\x0d\x0d\x0a", "packets (pcapng)", "busplay convert makes a trace of them"),
    (b"\xd4\xc3\xb2\xa1", "packets (pcap)", "save them as pcapng; busplay convert reads that"),
    (b"\xa1\xb2\xc3\xd4", "packets (pcap)", "save them as pcapng; busplay convert reads that"),
    (b"\x00" * 7 + b"\x01\x49", "a waveform file (FST)", "export it as VCD, which is read"),
    (b"GHDLwave", "a waveform file (GHW)", "export it as VCD, which is read"),
    (b"\x13\x80", "a waveform file (LXT2)", "export it as VCD, which is read"),
    (b"\x89PNG", "a picture", "give VCD, CSV, .sr or raw samples"),
)


@dataclass(frozen=True, slots=True)
class FormatOptions:
    """How to read a file, where it does not say or says it wrongly.

    Attributes:
        rate_hz: samples in a second; overrides what the file says.
        bits: which bits of a raw sample are wires, as `parse_bits` takes it.
        timescale: unit of the file's times, such as `1ns`; overrides what the file says.
        signals: names of the wires wanted, in order; None: all, or 64 of them.
        keep_going: end quietly at damage, where a reader can go on.
        vector_bits_most: a vector of more bits is refused.
    """

    rate_hz: int | None = None
    bits: str | None = None
    timescale: str | None = None
    signals: Sequence[str] | None = None
    keep_going: bool = False
    vector_bits_most: int = VECTOR_BITS_MOST


class CaptureReader(Protocol):
    """One file, open for reading.

    Attributes:
        signals: names of the chosen wires; `signals[i]` is bit i of every batch.
        signal_masks: for each signal of `info()`, the bits of a batch's level that it has.
        wire_count: wires in the file, aliases once.
    """

    signals: tuple[str, ...]
    signal_masks: tuple[int, ...]
    wire_count: int

    @property
    def wires(self) -> tuple[str, ...]:
        """Full names of all wires that could be chosen; those of very wide vectors left out."""

    def info(self) -> CaptureInfo:
        """Return what is known so far."""

    def rows(self) -> Iterator[ChangeBatch]:
        """Return all changes from the start; the first row is the state at the start.

        Raises:
            InputError: the file is damaged; every change before it has been returned.
        """


class CaptureFormat(Protocol):
    """A format of captures.

    Attributes:
        name: such as `vcd`; `CaptureInfo.format` of its files.
        suffixes: of its files, in small letters, such as `(".vcd", ".evcd")`.
    """

    @property
    def name(self) -> str:
        """Return the name."""

    @property
    def suffixes(self) -> tuple[str, ...]:
        """Return the suffixes."""

    def recognises(self, head: bytes, text: str | None) -> bool:
        """Return whether a file is of this format, by its first 16 KiB.

        Args:
            head: those bytes.
            text: the same as text; None: they are none.
        """

    def open(self, source: ByteSource, options: FormatOptions) -> CaptureReader:
        """Read the head of a file.

        Raises:
            InputError: it is none of this format, or the options do not go with it.
        """


@dataclass(frozen=True, slots=True)
class BuiltInFormat:
    """A format of ours, whose module loads when a file is opened.

    Attributes:
        name, suffixes: as `CaptureFormat`.
        reader: `module:function`, called with source and options.
    """

    name: str
    suffixes: tuple[str, ...]
    reader: str

    def recognises(self, head: bytes, text: str | None) -> bool:
        """Return whether a file is of this format, by its first bytes."""
        match self.name:
            case "sr":
                return head.startswith(_ZIP_HEADS)
            case "vcd":
                return text is not None and _VCD_START.match(text) is not None
            case "csv":
                return text is not None and _CSV_LINE.search(text) is not None
        return False

    def open(self, source: ByteSource, options: FormatOptions) -> CaptureReader:
        """Read the head of a file."""
        module, _, function = self.reader.partition(":")
        reader = getattr(import_module(f"busplay.formats.{module}"), function)
        return cast(CaptureReader, reader(source, options))


RAW = BuiltInFormat("raw", (), "samples.raw:read_raw")
_SESSION = BuiltInFormat("sr", (".sr",), "samples.session:read_session")
_VCD = BuiltInFormat("vcd", (".vcd", ".evcd"), "vcd.reader:VcdReader")
_CSV = BuiltInFormat("csv", (".csv", ".tsv"), "capture_csv.reader:CsvReader")


def capture_formats() -> tuple[CaptureFormat, ...]:
    """Return all formats, in the order in which they are tried.

    Those of other packages come before CSV, which takes nearly every text.

    Raises:
        InputError: a package that brings one does not load.
    """
    others: list[CaptureFormat] = []
    for point in sorted(entry_points(group=ENTRY_POINT_GROUP), key=lambda one: one.name):
        try:
            others.append(cast(CaptureFormat, point.load()))
        except Exception as error:  # another package's import can fail in any way
            raise InputError(
                f"capture format {point.name!r} ({point.value}) does not load: {error};"
                " repair or remove its package"
            ) from error
    return (_SESSION, _VCD, *others, _CSV)


def find_format(source: ByteSource, options: FormatOptions) -> CaptureFormat:
    """Find a capture's format.

    Args:
        source: the file.
        options: with `bits` it is raw samples; with a rate, bytes that are nothing else are.

    Raises:
        InputError: the file is empty, or it is of none of the formats.
    """
    if options.bits is not None:
        return RAW
    source.restart()
    head = source.head(_HEAD_BYTES)
    if not head and source.cut_reason:
        raise InputError(source.cut_reason, file=source.file)
    if not head:
        raise InputError(file=source.file, found="an empty file", wanted="a capture has bytes")
    if options.rate_hz is None:
        _refuse_others(head, file=source.file)
    text = _text(head)
    formats = capture_formats()
    for one in formats:
        if one.recognises(head, text):
            return one
    suffix = plain_suffix(Path(source.file))
    for one in formats:
        if suffix in one.suffixes:
            return one
    if options.rate_hz is not None:
        return RAW
    raise InputError(
        file=source.file,
        found="bytes that are no VCD, CSV or session file",
        wanted="for raw samples give --in-rate 24MHz --in-bits 0-7",
    )


def _refuse_others(head: bytes, *, file: str) -> None:
    """Name what is no capture, and the command that reads it."""
    for magic, what, way_on in _OTHERS:
        if head.startswith(magic):
            raise InputError(file=file, found=what, wanted=way_on)
    line = head.removeprefix(b"\xef\xbb\xbf").split(b"\n", 1)[0]
    names = {name.strip().lower() for name in line.decode("utf-8", "replace").split(",")}
    if names >= STORE_COLUMNS.keys():
        raise InputError(file=file, found="stores as rows", wanted="busplay convert reads them")
    if is_frames_header(line):
        raise InputError(file=file, found="frames as rows", wanted="busplay convert reads them")


def _text(head: bytes) -> str | None:
    """Return the head as text; None if it is none."""
    encoding = _BOMS.get(head[:2], "utf-8")
    text = head.decode(encoding, "replace").lstrip("\N{BYTE ORDER MARK}")
    # Samples of wires have bytes that no text has.
    if any(ord(one) < 9 or 14 <= ord(one) < 32 for one in text):
        return None
    if text.count("\N{REPLACEMENT CHARACTER}") * 20 > len(text):
        return None
    return text
