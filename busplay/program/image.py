"""Read a program's bytes: raw, Intel HEX, Motorola S-record, ELF.

bincopy parses records and ELF files. We also refuse what it accepts: a file without its end record
(cut off), an address given twice, data outside 64 KiB, ELF sections past the file's end. The
format is detected by content first, then by the file's suffix.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, TypeVar

import numpy as np

from busplay.description.board import ImageFormat
from busplay.errors import InputError

T = TypeVar("T")
CarriedFormat = Literal["raw", "ihex", "srec", "elf"]

_ADDRESSES = 0x10000
_MAX_FILE_BYTES = 1 << 24

FORMAT_NAMES = {"raw": "raw", "ihex": "Intel HEX", "srec": "Motorola S-record", "elf": "ELF"}
_SUFFIXES: dict[str, CarriedFormat] = {
    **dict.fromkeys((".hex", ".ihx", ".ihex", ".mcs"), "ihex"),
    **dict.fromkeys((".s19", ".s28", ".s37", ".srec", ".srecord", ".mot"), "srec"),
    **dict.fromkeys((".elf", ".axf"), "elf"),
    **dict.fromkeys((".bin", ".raw", ".rom"), "raw"),
}
# Common mistakes: by content, and by suffix if the content does not say.
_OTHER_CONTENTS = {
    b"\x89PNG\r\n\x1a\n": "a PNG picture",
    b"GIF8": "a GIF picture",
    b"\xff\xd8\xff": "a JPEG picture",
    b"PK\x03\x04": "a ZIP archive",
    b"\x1f\x8b": "a gzip archive",
    b"\x28\xb5\x2f\xfd": "a Zstandard archive",
}
_OBJECTS = (b"\x55\x7a\x6e\x61", b"\x6e\x61\x55\x7a")  # cc65's object files and libraries
_ELF_RELOCATABLE = 1
_SOURCES = dict.fromkeys((".s", ".asm", ".a65", ".inc", ".c", ".h"), "source text")
_OTHER_TEXTS = _SOURCES | {
    **dict.fromkeys((".lbl", ".labels", ".sym"), "a list of labels"),
    **dict.fromkeys((".lst", ".map"), "a listing"),
    **dict.fromkeys((".toml", ".cfg"), "a description"),
    **dict.fromkeys((".csv", ".vcd"), "a recording"),
}
_CONTROL = re.compile(rb"[\x00-\x08\x0b\x0e-\x1f\x7f]")
_IHEX_LINE = re.compile(rb"\s*:[0-9A-Fa-f]{10,}\s*(\r|\n|$)")
_SREC_LINE = re.compile(rb"\s*S[0-9][0-9A-Fa-f]{4,}\s*(\r|\n|$)")

_IHEX_DATA, _IHEX_END, _IHEX_SEGMENT, _IHEX_START_SEGMENT, _IHEX_LINEAR, _IHEX_START = range(6)


@dataclass(frozen=True, slots=True)
class ImageSegment:
    """A run of bytes and the processor address of the first."""

    address: int
    data: bytes

    @property
    def last_address(self) -> int:
        """Address of the last byte."""
        return self.address + len(self.data) - 1


@dataclass(frozen=True, slots=True)
class ProgramImage:
    """The memory contents of a program file.

    Attributes:
        segments: in order of their addresses; they neither touch nor overlap.
        entry: the file's start address, or None. A 6502 starts at its reset vector, so this is
            for people.
        format: the file's format.
        file: for messages.
    """

    segments: tuple[ImageSegment, ...]
    entry: int | None
    format: CarriedFormat
    file: str


def read_image(
    path: str | Path,
    format: ImageFormat = "auto",  # noqa: A002
    load_address: int | None = None,
) -> ProgramImage:
    """Read a program file.

    Args:
        format: `auto` detects by content, then by suffix; an unknown file is raw if there is a
            load address.
        load_address: address of a raw file's first byte; the other formats include it.

    Raises:
        InputError: the file cannot be read, is damaged, cut off or empty, does not fit 64 KiB,
            is raw and has no load address, or is not a program by its content or name.
    """
    content = read_content(path)
    return parse_image(content, file=str(path), format=format, load_address=load_address)


def read_content(path: str | Path) -> bytes:
    """Read a program file's bytes, at most one more than a program can have.

    Raises:
        InputError: the file cannot be read.
    """
    try:
        with Path(path).open("rb") as stream:
            return stream.read(_MAX_FILE_BYTES + 1)
    except OSError as error:
        raise InputError(f"cannot be read: {error.strerror or error}", file=str(path)) from error


def parse_image(
    content: bytes,
    *,
    file: str,
    format: ImageFormat = "auto",  # noqa: A002
    load_address: int | None = None,
) -> ProgramImage:
    """Parse a program file's bytes; arguments and errors as for `read_image`."""
    if not content:
        raise InputError(
            found="an empty file", wanted="give a program of 1 byte or more", file=file
        )
    if len(content) > _MAX_FILE_BYTES:
        raise InputError(
            found=f"more than {_MAX_FILE_BYTES:,} bytes",
            wanted="a program for 64 KiB of memory is shorter",
            file=file,
        )
    if format == "auto":
        _require_program(content, file)
    told = _tell_format(content, file, load_address) if format == "auto" else format
    match told:
        case "ihex":
            return _parse_ihex(content, file)
        case "srec":
            return _parse_srec(content, file)
        case "elf":
            return _parse_elf(content, file)
    if load_address is None:
        raise InputError(
            found="a raw file and no load address",
            wanted="give a load address, or give Intel HEX, S-record or ELF",
            file=file,
        )
    memory = _SparseMemory(file)
    memory.add(load_address, content, place=None)
    return memory.image(None, "raw")


def _require_program(content: bytes, file: str) -> None:
    """Refuse a file that is not a program, or not one yet."""
    suffix = Path(file).suffix.lower()
    found = next(
        (name for start, name in _OTHER_CONTENTS.items() if content.startswith(start)), None
    )
    wanted = "give a program: a raw binary, Intel HEX, S-record or ELF"
    if _is_object(content):
        found, wanted = "an object file that is not linked", "link it, and give the result"
    elif found is None and not (_IHEX_LINE.match(content) or _SREC_LINE.match(content)):
        # A binary may have any name, and text named .bin may be data.
        if suffix not in _SUFFIXES and _is_text(content):
            found = _OTHER_TEXTS.get(suffix, "text" if b"\n" in content else None)
        if suffix in _SOURCES and found is not None:
            wanted = "assemble and link it, and give the result"
    if found is not None:
        raise InputError(found=found, wanted=wanted, file=file)


def _is_text(content: bytes) -> bool:
    if _CONTROL.search(content):
        return False
    try:
        content.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return True


def _is_object(content: bytes) -> bool:
    if content.startswith(b"\x7fELF"):
        order: Literal["big", "little"] = "big" if content[5:6] == b"\x02" else "little"
        return int.from_bytes(content[16:18], order) == _ELF_RELOCATABLE
    return content.startswith(_OBJECTS)


def _tell_format(content: bytes, file: str, load_address: int | None) -> CarriedFormat:
    if content.startswith(b"\x7fELF"):
        return "elf"
    if _IHEX_LINE.match(content):
        return "ihex"
    if _SREC_LINE.match(content):
        return "srec"
    by_suffix = _SUFFIXES.get(Path(file).suffix.lower())
    if by_suffix is not None:
        return by_suffix
    if load_address is not None:
        return "raw"
    raise InputError(
        found="neither Intel HEX, S-record nor ELF",
        wanted="a raw file needs a load address, so give one",
        file=file,
    )


class _SparseMemory:
    """Bytes by address, and which of them are set."""

    def __init__(self, file: str) -> None:
        self._file = file
        self._data = np.zeros(_ADDRESSES, np.uint8)
        self._there = np.zeros(_ADDRESSES, np.bool_)

    def add(self, address: int, data: bytes, *, place: str | None) -> None:
        stop = address + len(data)
        if not 0 <= address <= stop <= _ADDRESSES:
            raise InputError(
                found=f"{len(data):,} bytes at ${address:04X}-${stop - 1:04X}",
                wanted="the 6502 has addresses $0000 to $FFFF",
                file=self._file,
                place=place,
            )
        twice = np.flatnonzero(self._there[address:stop])
        if len(twice):
            raise InputError(
                found=f"a second byte for ${address + int(twice[0]):04X}",
                wanted="an address may have only one",
                file=self._file,
                place=place,
            )
        self._data[address:stop] = np.frombuffer(data, np.uint8)
        self._there[address:stop] = True

    def image(self, entry: int | None, told: CarriedFormat) -> ProgramImage:
        if not self._there.any():
            raise InputError(
                found=f"{FORMAT_NAMES[told]} without any data",
                wanted="give a program of 1 byte or more",
                file=self._file,
            )
        if entry is not None and not 0 <= entry < _ADDRESSES:
            raise InputError(
                found=f"start address ${entry:04X}",
                wanted="the 6502 has addresses $0000 to $FFFF",
                file=self._file,
            )
        steps = np.diff(self._there.astype(np.int8), prepend=0, append=0)
        segments = tuple(
            ImageSegment(int(first), self._data[first:stop].tobytes())
            for first, stop in zip(
                np.flatnonzero(steps == 1), np.flatnonzero(steps == -1), strict=True
            )
        )
        return ProgramImage(segments, entry, told, self._file)


def _parse_ihex(content: bytes, file: str) -> ProgramImage:
    from bincopy import unpack_ihex

    memory = _SparseMemory(file)
    base, entry, ended = 0, None, False
    for place, (kind, offset, _, data) in _records(content, file, unpack_ihex):
        if ended:
            raise _after_end(file, place)
        if kind == _IHEX_DATA:
            memory.add(base + offset, bytes(data), place=place)
        elif kind == _IHEX_END:
            ended = True
        elif kind in (_IHEX_SEGMENT, _IHEX_LINEAR) and len(data) == 2:
            base = int.from_bytes(data, "big") << (4 if kind == _IHEX_SEGMENT else 16)
        elif kind == _IHEX_START_SEGMENT and len(data) == 4:
            entry = (int.from_bytes(data[:2], "big") << 4) + int.from_bytes(data[2:], "big")
        elif kind == _IHEX_START and len(data) == 4:
            entry = int.from_bytes(data, "big")
        else:
            raise InputError(
                found=f"a record of type {kind} with {len(data)} bytes",
                wanted="types are 0 to 5, with 2 bytes in 2 and 4, 4 bytes in 3 and 5",
                file=file,
                place=place,
            )
    if not ended:
        raise _cut_off(file, "the record :00000001FF")
    return memory.image(entry, "ihex")


def _parse_srec(content: bytes, file: str) -> ProgramImage:
    from bincopy import unpack_srec

    memory = _SparseMemory(file)
    entry, ended, data_records = None, False, 0
    for place, (kind, address, _, data) in _records(content, file, unpack_srec):
        if ended:
            raise _after_end(file, place)
        if kind in "123":
            data_records += 1
            memory.add(address, bytes(data), place=place)
        elif kind in "56" and address != data_records:
            raise InputError(
                found=f"a count of {address} data records after {data_records} of them",
                wanted="records are missing or were added; make it anew",
                file=file,
                place=place,
            )
        elif kind in "789":
            entry, ended = address, True
    if not ended:
        raise _cut_off(file, "a record of type S7, S8 or S9")
    return memory.image(entry, "srec")


def _records(
    content: bytes, file: str, unpack: Callable[[str], tuple[T, int, int, bytearray]]
) -> Iterator[tuple[str, tuple[T, int, int, bytearray]]]:
    """Parse each line and yield its place and its parts."""
    for number, line in enumerate(content.splitlines(), 1):
        record = line.strip()
        if not record:
            continue
        try:
            parts = unpack(record.decode("ascii"))
        except Exception as error:  # bincopy raises its own and whatever Python does
            raise InputError(
                f"the record is damaged ({error}); make the file anew",
                file=file,
                place=f"line {number}",
                found=record[:80].decode("ascii", "replace"),
            ) from error
        yield f"line {number}", parts


def _after_end(file: str, place: str) -> InputError:
    return InputError(
        found="a record after the end record",
        wanted="two files may have been joined; nothing follows the end record",
        file=file,
        place=place,
    )


def _cut_off(file: str, end_record: str) -> InputError:
    return InputError(
        found="no end record",
        wanted=f"the file is cut off; its last line should be {end_record}",
        file=file,
    )


def _parse_elf(content: bytes, file: str) -> ProgramImage:
    from bincopy import BinFile

    memory = _SparseMemory(file)
    try:
        binary = BinFile()
        binary.add_elf(content)
        entry: int | None = binary.execution_start_address
        segments = [
            (int(segment.minimum_address), int(segment.maximum_address), bytes(segment.data))
            for segment in binary.segments
        ]
    except Exception as error:  # the ELF reader raises many kinds on damage
        raise InputError(
            f"the ELF file is damaged or cut off ({type(error).__name__}: {error}); link it anew",
            file=file,
        ) from error
    for address, stop, data in segments:
        if stop - address != len(data):
            raise InputError(
                found=f"{len(data):,} of the {stop - address:,} bytes for ${address:04X}",
                wanted="the ELF file is cut off; link it anew",
                file=file,
            )
        memory.add(address, data, place=None)
    return memory.image(entry, "elf")
