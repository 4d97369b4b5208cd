"""Tell what a capture is by its content, then by its suffix."""

from __future__ import annotations

import re
from pathlib import PurePath
from typing import Literal

from busplay.errors import InputError
from busplay.formats.byte_source import ByteSource

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
_PACKED = {".gz", ".zst", ".gzip", ".zstd"}


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
    if head.startswith(b"\x89BPT\r\n\x1a\n"):
        raise InputError(
            file=source.file,
            found="a busplay trace",
            wanted=f"busplay replay {source.file} plays it; a capture is VCD, CSV, .sr or raw",
        )
    text = _text(head)
    if text is not None:
        if _VCD_START.match(text):
            return "vcd"
        if re.search(r"[,;\t]|^\s*[0-9.+-]+\s*$", text, re.MULTILINE):
            return "csv"
    suffixes = [suffix.lower() for suffix in PurePath(source.file).suffixes]
    while suffixes and suffixes[-1] in _PACKED:
        suffixes.pop()
    if suffixes and suffixes[-1] in _SUFFIXES:
        return _SUFFIXES[suffixes[-1]]
    if has_rate:
        return "raw"
    raise InputError(
        file=source.file,
        found="bytes that are no VCD, CSV or session file",
        wanted="for raw samples give --rate 24MHz --bits 0-7",
    )


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
