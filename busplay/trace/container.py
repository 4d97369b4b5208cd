"""The chunks of a trace file: head, types, lengths, checksums.

How to think about it. A trace is a head of 12 bytes and then chunks, one after another, each with
its type, the length of its payload, the payload, and a CRC-32 over all three. Chunks are only
appended, so whatever happens to the writer, everything up to the last complete chunk can be read.
A reader trusts nothing: it checks a length against the file before it reads, and a payload's
checksum before it parses.

Not here: what is in a payload; `frame_chunk`, `states`, `table` and `header` know that.
"""

from __future__ import annotations

import os
import struct
import zlib
from dataclasses import dataclass
from typing import Protocol

from busplay.errors import InputError, OutputError

# The first byte has its highest bit set, and CR, LF and control-Z follow, so that damage by a text
# mode transfer shows at once.
MAGIC = b"\x89BPT\r\n\x1a\n"
VERSION = 1
HEAD = struct.Struct("<8sI")
CHUNK_HEAD = struct.Struct("<4sI")
CHUNK_CRC = struct.Struct("<I")
CHUNK_OVERHEAD = CHUNK_HEAD.size + CHUNK_CRC.size

HEADER = b"HEAD"
KEYS = b"KEYS"
# Of lower case, so that a reader who does not know them passes over them: so too the writes.
RESETS = b"rSET"
CORE = b"rCPU"
LOSSES = b"rLST"
PAGES = b"rPAG"
FRAMES = b"FRMS"
STATES = b"STAT"
SUMMARY = b"SUMM"
WRITES = b"wBLK"
INDEX = b"INDX"
END = b"DONE"
KNOWN_TYPES = frozenset(
    (HEADER, KEYS, RESETS, CORE, LOSSES, PAGES, FRAMES, STATES, SUMMARY, WRITES, INDEX, END)
)

# Edges, cycles, frames: receivers and players compute in signed 64-bit numbers, and 62 bits are
# 73 years of a 2 GHz link.
TOTAL_MAX = (1 << 62) - 1
# Far above our chunks; the index of a year's trace would come near it.
PAYLOAD_BYTES_MAX = 1 << 28

_UPPER = range(ord("A"), ord("Z") + 1)
_LETTERS = frozenset((*_UPPER, *range(ord("a"), ord("z") + 1)))


@dataclass(frozen=True, slots=True)
class Chunk:
    """Position of a chunk. `number` counts from 1, the header chunk; 0: not known."""

    number: int
    position: int
    kind: bytes
    payload_bytes: int

    @property
    def stop(self) -> int:
        """Position of the first byte after the chunk."""
        return self.position + CHUNK_OVERHEAD + self.payload_bytes

    @property
    def place(self) -> str:
        """Its name in messages."""
        return chunk_place(self.number, self.position)


@dataclass(frozen=True, slots=True)
class Where:
    """What is being read, for messages."""

    file: str
    place: str

    def error(self, found: str, wanted: str) -> InputError:
        """Return an error at this place."""
        return InputError(file=self.file, place=self.place, found=found, wanted=wanted)

    def require_totals(self, **totals: int) -> None:
        """Refuse numbers above `TOTAL_MAX`.

        Raises:
            InputError: with the name of the number.
        """
        for name, total in totals.items():
            if total > TOTAL_MAX:
                raise self.error(
                    f"{name.replace('_', ' ')} {total:,}", f"up to {TOTAL_MAX:,} belongs here"
                )


class NotWholeError(InputError):
    """The file ends within a chunk, as if its writer had been stopped."""


def is_type(kind: bytes) -> bool:
    """Return whether four bytes can be a chunk's type: four ASCII letters."""
    return len(kind) == 4 and _LETTERS.issuperset(kind)


def may_skip(kind: bytes) -> bool:
    """Return whether a reader may skip an unknown type: its first letter is lower case."""
    return kind[0] not in _UPPER


def chunk_bytes(kind: bytes, payload: bytes) -> bytes:
    """Return a payload's chunk."""
    if not is_type(kind) or len(payload) > PAYLOAD_BYTES_MAX:
        raise ValueError(f"no chunk of type {kind!r} with {len(payload)} bytes")
    framed = CHUNK_HEAD.pack(kind, len(payload)) + payload
    return framed + CHUNK_CRC.pack(zlib.crc32(framed))


class ChunkFile:
    """Appends complete chunks to an open file, or nothing.

    Every chunk is written in one call, unbuffered, so a killed program loses only the chunk that it
    was about to write. If a write fails (a full disk), the part written is cut off again.

    Attributes:
        position: bytes of complete chunks, the head included.
    """

    def __init__(self, descriptor: int, *, file: str) -> None:
        self._descriptor = descriptor
        self._file = file
        self._first = 0
        self.position = 0

    def go_on_in(self, descriptor: int) -> None:
        """Append what follows to another file, which is empty; positions go on."""
        self._descriptor = descriptor
        self._first = self.position

    def append_head(self, payload: bytes) -> None:
        """Write the file's head and the header chunk."""
        self._append(HEAD.pack(MAGIC, VERSION) + chunk_bytes(HEADER, payload))

    def append(self, kind: bytes, payload: bytes) -> None:
        """Append one chunk.

        Raises:
            OutputError: it could not be written; the chunks before it are complete.
        """
        self._append(chunk_bytes(kind, payload))

    def _append(self, data: bytes) -> None:
        rest = memoryview(data)
        try:
            while rest:
                rest = rest[os.write(self._descriptor, rest) :]
        except OSError as error:
            self._cut_off()
            raise OutputError(
                file=self._file,
                place=f"byte {self.position:,}",
                found=(error.strerror or str(error)).lower(),
                wanted=f"{len(data):,} bytes more were to be written",
            ) from error
        except BaseException:  # the user interrupts: whole or not at all
            self._cut_off()
            raise
        self.position += len(data)

    def _cut_off(self) -> None:
        # A device cannot be cut, nor read.
        try:
            os.ftruncate(self._descriptor, self.position - self._first)
            os.lseek(self._descriptor, self.position - self._first, os.SEEK_SET)
        except OSError:
            pass


class Bytes(Protocol):
    """What chunks are read from: a file, or something like it."""

    def seek(self, offset: int, whence: int = ..., /) -> int:
        """Go to a position and return it."""

    def read(self, count: int, /) -> bytes:
        """Return up to `count` bytes; none at the end."""


class ChunkSource:
    """Reads chunks from a file that may be damaged; every read is bounded by the file's size.

    Attributes:
        file_bytes: the file's size when it was opened.
    """

    def __init__(self, stream: Bytes, *, file: str) -> None:
        self._stream = stream
        self._file = file
        self.file_bytes = stream.seek(0, os.SEEK_END)

    def _read(self, position: int, count: int) -> bytes:
        try:
            self._stream.seek(position)
            parts = []
            while count:
                part = self._stream.read(count)
                if not part:
                    break
                parts.append(part)
                count -= len(part)
        except OSError as error:
            raise InputError(
                file=self._file,
                place=f"byte {position:,}",
                found=(error.strerror or str(error)).lower(),
                wanted="the file must stay readable",
            ) from error
        return parts[0] if len(parts) == 1 else b"".join(parts)

    def read_head(self) -> None:
        """Check the file's head.

        Raises:
            InputError: it is not a trace, or one of a later version.
        """
        raw = self._read(0, HEAD.size)
        if not raw:
            raise InputError(file=self._file, found="an empty file", wanted="give a trace")
        if not raw.startswith(MAGIC[: len(raw)]):
            shown = raw[: len(MAGIC)].hex(" ").upper()
            raise InputError(
                file=self._file,
                place="byte 0",
                found=shown,
                wanted=f"a trace begins with {MAGIC.hex(' ').upper()}",
            )
        if len(raw) < HEAD.size:
            raise InputError(
                file=self._file,
                place=f"byte {len(raw)}",
                found="the end of the file",
                wanted="a trace has a head and a header chunk, so nothing of this one can be read",
            )
        version = HEAD.unpack(raw)[1]
        if version != VERSION:
            raise InputError(
                file=self._file,
                place="byte 8",
                found=f"version {version}",
                wanted=f"this busplay reads version {VERSION}, so take a later one",
            )

    def find_chunk(self, position: int, number: int) -> Chunk:
        """Find the chunk that begins at a position, without reading its payload.

        Raises:
            NotWholeError: the file ends before the chunk does, or was never filled there.
            InputError: no chunk begins there.
        """
        raw = self._read(position, CHUNK_HEAD.size)
        place = chunk_place(number, position)
        if len(raw) < CHUNK_HEAD.size:
            raise NotWholeError(
                file=self._file,
                place=place,
                found=f"{len(raw)} bytes",
                wanted=f"a chunk's type and length take {CHUNK_HEAD.size}",
            )
        kind, payload_bytes = CHUNK_HEAD.unpack(raw)
        if not is_type(kind):
            if self._is_unfilled(position):
                raise NotWholeError(
                    file=self._file,
                    place=place,
                    found="only zeros up to the end of the file",
                    wanted="a chunk's type belongs here",
                )
            raise InputError(
                file=self._file,
                place=place,
                found=f"type {kind.hex(' ').upper()}",
                wanted=f"four letters belong here; {chunks_before(number)}",
            )
        chunk = Chunk(number, position, kind, payload_bytes)
        if chunk.stop > self.file_bytes:
            raise NotWholeError(
                file=self._file,
                place=place,
                found=f"{self.file_bytes - position:,} of its {chunk.stop - position:,} bytes",
                wanted="the file ends before the chunk does",
            )
        if payload_bytes > PAYLOAD_BYTES_MAX:
            raise InputError(
                file=self._file,
                place=place,
                found=f"a length of {payload_bytes:,} bytes",
                wanted=f"a chunk has up to {PAYLOAD_BYTES_MAX:,}; {chunks_before(number)}",
            )
        if kind not in KNOWN_TYPES and not may_skip(kind):
            raise InputError(
                file=self._file,
                place=place,
                found=f"type {kind.decode('ascii')}",
                wanted="this busplay does not know it, so take a later one",
            )
        return chunk

    def read_payload(self, chunk: Chunk) -> memoryview:
        """Read a chunk's payload and check its checksum.

        Raises:
            InputError: the checksum differs, or the file has become shorter.
        """
        raw = self._read(chunk.position, chunk.stop - chunk.position)
        if len(raw) < chunk.stop - chunk.position:
            raise InputError(
                file=self._file,
                place=chunk.place,
                found=f"{len(raw):,} of its {chunk.stop - chunk.position:,} bytes",
                wanted="the file has become shorter while it was read",
            )
        whole = memoryview(raw)
        found = zlib.crc32(whole[: -CHUNK_CRC.size])
        (stored,) = CHUNK_CRC.unpack(whole[-CHUNK_CRC.size :])
        if found != stored or CHUNK_HEAD.unpack_from(raw) != (chunk.kind, chunk.payload_bytes):
            raise InputError(
                f"CRC is {found:08X}, stored {stored:08X}; {chunks_before(chunk.number)}",
                file=self._file,
                place=chunk.place,
                found=f"CRC {found:08X}",
                wanted=f"CRC {stored:08X}",
            )
        return whole[CHUNK_HEAD.size : -CHUNK_CRC.size]

    def _is_unfilled(self, position: int) -> bool:
        """Return whether all bytes from a position on are 0, as after a power cut."""
        step = 1 << 16
        return all(
            not any(self._read(start, min(step, self.file_bytes - start)))
            for start in range(position, self.file_bytes, step)
        )


def chunk_place(number: int, position: int) -> str:
    """Name a chunk for messages."""
    return f"chunk {number:,} at byte {position:,}" if number else f"byte {position:,}"


def chunks_before(number: int) -> str:
    """Return what is intact before a chunk; number 0: it was found from the file's end."""
    if number == 0:
        return "an index belongs here; every chunk is intact"
    if number == 1:
        return "nothing of this trace can be read"
    if number == 2:
        return "the chunk before it is intact"
    return f"the {number - 1:,} chunks before it are intact"
