"""The members of a ZIP whose directory is gone, found by the headers before each of them."""

# Follows: ZIP file format specification 6.3 (local file header 4.3.7, data descriptor 4.3.9)
# Read in: from memory; files that Python's zipfile and libzip wrote

from __future__ import annotations

import struct
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import BinaryIO

_HEADER = struct.Struct("<4s5H3I2H")
_SIGNATURE, _DESCRIPTOR = b"PK\x03\x04", b"PK\x07\x08"
_ENCRYPTED, _SIZES_BEHIND = 1, 8
_STORED, _DEFLATED = 0, 8
_ZIP64_EXTRA, _SIZE_IN_EXTRA = 1, 0xFFFFFFFF
_PIECE_BYTES = 1 << 16


@dataclass(frozen=True, slots=True)
class LocalMember:
    """A member as its own header describes it.

    Attributes:
        filename: its name.
        begin: byte at which its data begin.
        packed_bytes: length of its data; None: they mark their own end.
        is_deflated: or stored as it is.
        crc: of what is packed; None: it stands behind the data.
    """

    filename: str
    begin: int
    packed_bytes: int | None
    is_deflated: bool
    crc: int | None


class SalvagedZip:
    """Read a ZIP without its directory, as far as its members go.

    Args:
        stream: the file.

    Raises:
        zipfile.BadZipFile: not even one member is there.
    """

    def __init__(self, stream: BinaryIO) -> None:
        self._stream = stream
        self._members = list(self._find())
        if not self._members:
            raise zipfile.BadZipFile("no member either")

    def infolist(self) -> list[LocalMember]:
        """List the members, the last one perhaps cut."""
        return list(self._members)

    def getinfo(self, name: str) -> LocalMember:
        """Find a member by name; KeyError if there is none."""
        for member in self._members:
            if member.filename == name:
                return member
        raise KeyError(name)

    def open(self, member: LocalMember) -> SalvagedMember:
        """Read a member's bytes."""
        return SalvagedMember(self._stream, member)

    def _find(self) -> Iterator[LocalMember]:
        at = 0
        while True:
            self._stream.seek(at)
            head = self._stream.read(_HEADER.size)
            if len(head) < _HEADER.size or head[:4] != _SIGNATURE:
                return
            _, _, flags, method, _, _, crc, packed, size, name_bytes, extra_bytes = _HEADER.unpack(
                head
            )
            name = self._stream.read(name_bytes)
            extra = self._stream.read(extra_bytes)
            begin = at + _HEADER.size + name_bytes + extra_bytes
            has_sizes = not flags & _SIZES_BEHIND
            if packed == _SIZE_IN_EXTRA:
                packed = _long_size(extra, has_size=size == _SIZE_IN_EXTRA)
            if flags & _ENCRYPTED or method not in (_STORED, _DEFLATED):
                return
            if not has_sizes and method == _STORED:
                return
            member = LocalMember(
                name.decode("utf-8", "replace"),
                begin,
                packed if has_sizes else None,
                method == _DEFLATED,
                crc if has_sizes else None,
            )
            yield member
            if has_sizes:
                at = begin + packed
                continue
            end = self._end_of(member)
            if end is None:
                return
            self._stream.seek(end)
            at = end + (16 if self._stream.read(4) == _DESCRIPTOR else 12)

    def _end_of(self, member: LocalMember) -> int | None:
        """Unpack a member to find where it ends; None: it does not."""
        reading = SalvagedMember(self._stream, member)
        try:
            while reading.read(_PIECE_BYTES):
                pass
        except (zlib.error, zipfile.BadZipFile):
            return None
        return reading.end


class SalvagedMember:
    """The bytes of one member, as far as they go.

    Attributes:
        end: byte behind its data, once they were read to their end; None: not yet, or cut.
    """

    def __init__(self, stream: BinaryIO, member: LocalMember) -> None:
        self._stream, self._member = stream, member
        self._at = member.begin
        self._unpacker = zlib.decompressobj(-15) if member.is_deflated else None
        self._packed = b""
        self._crc = 0
        self.end: int | None = None

    def read(self, count: int) -> bytes:
        """Return at most `count` bytes; none at the end.

        Raises:
            zlib.error: the data are damaged.
            zipfile.BadZipFile: they are not what was packed.
        """
        while self.end is None:
            if not self._packed:
                self._packed = self._next()
                if not self._packed:
                    return b""
            if self._unpacker is None:
                piece, self._packed = self._packed[:count], self._packed[count:]
                has_ended = self._is_all_read() and not self._packed
            else:
                piece = self._unpacker.decompress(self._packed, count)
                self._packed = self._unpacker.unconsumed_tail
                has_ended = self._unpacker.eof
            self._crc = zlib.crc32(piece, self._crc)
            if has_ended:
                self.end = self._at - len(self._unpacker.unused_data if self._unpacker else b"")
                if self._member.crc not in (None, self._crc):
                    raise zipfile.BadZipFile(f"bad CRC-32 of {self._member.filename}")
            if piece:
                return piece
        return b""

    def close(self) -> None:
        """End; the stream stays open."""

    def _is_all_read(self) -> bool:
        packed = self._member.packed_bytes
        return packed is not None and self._at >= self._member.begin + packed

    def _next(self) -> bytes:
        count = _PIECE_BYTES
        if self._member.packed_bytes is not None:
            left = self._member.begin + self._member.packed_bytes - self._at
            count = max(0, min(count, left))
        self._stream.seek(self._at)
        piece = self._stream.read(count)
        self._at += len(piece)
        return piece


def _long_size(extra: bytes, *, has_size: bool) -> int:
    """Find the packed size in the extra fields of a header; 2^32 - 1 if it is not there."""
    at = 0
    while at + 4 <= len(extra):
        kind, length = struct.unpack_from("<HH", extra, at)
        field = extra[at + 4 : at + 4 + length]
        if kind == _ZIP64_EXTRA:
            first = 8 if has_size else 0
            if len(field) >= first + 8:
                return int.from_bytes(field[first : first + 8], "little")
        at += 4 + length
    return _SIZE_IN_EXTRA
