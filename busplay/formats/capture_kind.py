"""Tell what a capture is by its content, then by its suffix."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Literal

from busplay.errors import InputError
from busplay.formats.byte_source import ByteSource, plain_suffix
from busplay.formats.frames_csv import is_frames_header
from busplay.formats.stores_csv import COLUMNS as STORE_COLUMNS

Kind = Literal["vcd", "csv", "sr", "raw"]
_HEAD_BYTES = 1 << 14
_BOMS = {b"\xff\xfe": "utf-16-le", b"\xfe\xff": "utf-16-be"}
_VCD_START = re.compile(
    r"\s*\$(date|version|comment|timescale|scope|var|enddefinitions|upscope|attrbegin)\b"
)
_ZIP_HEADS = (b"PK\x03\x04", b"PK\x05\x06")
_SUFFIXES: dict[str, Kind] = {
    ".vcd": "vcd",
    ".evcd": "vcd",
    ".csv": "csv",
    ".tsv": "csv",
    ".sr": "sr",
}
# What is no capture of wires, by its first bytes: what it is, and the way on.
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


def find_kind(source: ByteSource, *, has_bits: bool, has_rate: bool) -> Kind:
    """Find a capture's format.

    Args:
        source: the file.
        has_bits: the user named the bits of raw samples, so that is what it is.
        has_rate: the user gave a rate, so bytes that are nothing else are raw samples.

    Raises:
        InputError: the file is empty, or it is none of the formats.
    """
    if has_bits:
        return "raw"
    source.restart()
    head = source.head(_HEAD_BYTES)
    if not head and source.cut_reason:
        raise InputError(source.cut_reason, file=source.file)
    if not head:
        raise InputError(file=source.file, found="an empty file", wanted="a capture has bytes")
    if head.startswith(_ZIP_HEADS):
        return "sr"
    if not has_rate:
        _refuse_others(head, file=source.file)
    text = _text(head)
    if text is not None:
        if _VCD_START.match(text):
            return "vcd"
        if re.search(r"[,;\t]|^\s*[0-9.+-]+\s*$", text, re.MULTILINE):
            return "csv"
    suffix = plain_suffix(Path(source.file))
    if suffix in _SUFFIXES:
        return _SUFFIXES[suffix]
    if has_rate:
        return "raw"
    raise InputError(
        file=source.file,
        found="bytes that are no VCD, CSV or session file",
        wanted="for raw samples give --rate 24MHz --bits 0-7",
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
    """Read the head as text; None if it is none."""
    encoding = _BOMS.get(head[:2], "utf-8")
    text = head.decode(encoding, "replace").lstrip("\N{BYTE ORDER MARK}")
    # Samples of wires have bytes that no text has.
    if any(ord(one) < 9 or 14 <= ord(one) < 32 for one in text):
        return None
    if text.count("\N{REPLACEMENT CHARACTER}") * 20 > len(text):
        return None
    return text
