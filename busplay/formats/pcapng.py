"""Packets in the capture format of network analysers: one frame of a link, one packet.

Link type 147 (USER0) is for such private use. A packet holds a frame's word, highest byte first,
the low bits of the last byte 0 where the frame does not fill it. Times are in nanoseconds. The
section's comment may carry text; ours holds the link.

# Follows: PCAP Next Generation capture file format (IETF draft), section header, interface
#   description and enhanced packet blocks; LINKTYPE_USER0
# Read in: the draft, from memory; files held against tshark
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import BinaryIO

import numpy as np

from busplay.batch import UInt64Column
from busplay.errors import InputError

LINKTYPE_USER0 = 147
NS_RESOLUTION = 9
MAGIC = b"\x0a\x0d\x0d\x0a"
BLOCK_BYTES_MAX = 1 << 24
PACKETS_AT_ONCE = 1 << 16

_SECTION, _INTERFACE, _SIMPLE, _PACKET = 0x0A0D0D0A, 1, 3, 6
_BYTE_ORDER = 0x1A2B3C4D
_COMMENT, _END, _RESOLUTION = 1, 0, 9
_HEAD = struct.Struct("<II")


@dataclass(frozen=True, slots=True, eq=False)
class PacketBatch:
    """Packets in the order of the file.

    Attributes:
        time_ns: uint64[packets].
        word: uint64[packets]; the packets' bits, first bit on the wire highest of `bits`.
        bits: of every packet; a multiple of 8 as read.
    """

    time_ns: UInt64Column
    word: UInt64Column
    bits: int


def _option(code: int, value: bytes) -> bytes:
    return struct.pack("<HH", code, len(value)) + value + bytes(-len(value) % 4)


def _block(kind: int, body: bytes) -> bytes:
    length = len(body) + 12
    return _HEAD.pack(kind, length) + body + struct.pack("<I", length)


class PcapngWriter:
    """Writes frames as packets.

    Args:
        stream: binary, for writing.
        frame_bits: of every frame, 1 to 64.
        comment: of the section; up to 65,535 bytes.
    """

    def __init__(self, stream: BinaryIO, *, frame_bits: int, comment: str = "") -> None:
        self._stream = stream
        self._data_bytes = -(-frame_bits // 8)
        self._shift = np.uint64(8 * self._data_bytes - frame_bits)
        section = struct.pack("<IHHq", _BYTE_ORDER, 1, 0, -1)
        if comment:
            section += _option(_COMMENT, comment.encode("utf-8")) + _option(_END, b"")
        interface = struct.pack("<HHI", LINKTYPE_USER0, 0, 0)
        interface += _option(_RESOLUTION, bytes([NS_RESOLUTION])) + _option(_END, b"")
        stream.write(_block(_SECTION, section) + _block(_INTERFACE, interface))
        padded = -(-self._data_bytes // 4) * 4
        self._record = np.dtype(
            [
                ("kind", "<u4"),
                ("length", "<u4"),
                ("interface", "<u4"),
                ("high", "<u4"),
                ("low", "<u4"),
                ("captured", "<u4"),
                ("original", "<u4"),
                ("data", "u1", (padded,)),
                ("again", "<u4"),
            ]
        )

    def write(self, time_ns: UInt64Column, word: UInt64Column) -> None:
        """Write frames in order of time."""
        records = np.zeros(len(word), self._record)
        records["kind"] = _PACKET
        records["length"] = records["again"] = self._record.itemsize
        records["high"] = time_ns >> np.uint64(32)
        records["low"] = time_ns & np.uint64(0xFFFFFFFF)
        records["captured"] = records["original"] = self._data_bytes
        big_endian = (word << self._shift).astype(">u8").view(np.uint8).reshape(-1, 8)
        records["data"][:, : self._data_bytes] = big_endian[:, 8 - self._data_bytes :]
        self._stream.write(records.tobytes())


class PcapngReader:
    """Reads packets of link type USER0.

    Args:
        stream: binary, at the file's start.
        file: its name, for messages.

    Attributes:
        comment: the first section's.

    Raises:
        InputError: it is no such file, or the head is damaged.
    """

    def __init__(self, stream: BinaryIO, *, file: str) -> None:
        self._stream = stream
        self._file = file
        self._position = 0
        self._order = "<"
        # Ticks in a second of each interface of the section, for link types that are ours.
        self._ticks: list[int | None] = []
        self._waiting: tuple[int, bytes, int] | None = None
        self.comment = ""
        first = self._next_block()
        if first is None or first[0] != _SECTION:
            raise self._error(0, "no pcapng file", "its first block is a section header")
        while (block := self._next_block()) is not None:
            if block[0] != _INTERFACE:
                self._waiting = block
                break

    def packets(self) -> Iterator[PacketBatch]:
        """Return the packets, some thousands at a time.

        Raises:
            InputError: a block is damaged or cut off, packets are of another link type or
                differ in length; every packet before it has been returned.
        """
        times: list[int] = []
        words: list[int] = []
        length = -1
        try:
            while True:
                block, self._waiting = self._waiting or self._next_block(), None
                if block is None:
                    break
                kind, body, place = block
                if kind == _SIMPLE:
                    raise self._error(
                        place, "a packet without a time", "give enhanced packet blocks"
                    )
                if kind != _PACKET:
                    continue
                time_ns, data = self._packet(body, place)
                if length < 0:
                    length = len(data)
                elif len(data) != length:
                    raise self._error(
                        place,
                        f"a packet of {len(data)} bytes behind one of {length}",
                        "all frames of a link are of one length",
                    )
                times.append(time_ns)
                words.append(int.from_bytes(data, "big"))
                if len(words) == PACKETS_AT_ONCE:
                    yield _batch(times, words, length)
                    times, words = [], []
        except InputError:
            if words:
                yield _batch(times, words, length)
            raise
        if words:
            yield _batch(times, words, length)

    def _next_block(self) -> tuple[int, bytes, int] | None:
        """Return a block's kind, body and place; None at the end; reads sections and interfaces."""
        place = self._position
        head = self._read(8)
        if not head:
            return None
        if len(head) < 8:
            raise self._error(place, f"{len(head)} bytes of a block", "the file was cut off")
        kind, length = struct.unpack(self._order + "II", head)
        ahead = b""
        if kind == _SECTION:
            ahead = self._read(4)
            mark = struct.pack("<I", _BYTE_ORDER)
            if ahead not in (mark, mark[::-1]):
                raise self._error(place, "no pcapng file", "a section states its byte order")
            self._order = "<" if ahead == mark else ">"
            (length,) = struct.unpack(self._order + "I", head[4:])
            self._ticks = []
        least = 12 + len(ahead)
        if length % 4 or not least <= length <= BLOCK_BYTES_MAX:
            raise self._error(
                place,
                f"a block of {length:,} bytes",
                f"a block has {least} to {BLOCK_BYTES_MAX:,}, in fours; the file is damaged here",
            )
        rest = self._read(length - 8 - len(ahead))
        if len(rest) < length - 8 - len(ahead):
            raise self._error(place, "a block that ends too early", "the file was cut off")
        if struct.unpack(self._order + "I", rest[-4:])[0] != length:
            raise self._error(place, "a block whose lengths differ", "the file is damaged here")
        body = ahead + rest[:-4]
        if kind == _SECTION:
            if len(body) < 16:
                raise self._error(place, "a short section header", "the file is damaged here")
            options = self._options(body[16:])
            if not self.comment:
                self.comment = options.get(_COMMENT, b"").decode("utf-8", "replace")
        elif kind == _INTERFACE:
            self._add_interface(body, place)
        return kind, body, place

    def _add_interface(self, body: bytes, place: int) -> None:
        if len(body) < 8:
            raise self._error(place, "a short interface description", "the file is damaged here")
        (link_type,) = struct.unpack(self._order + "H", body[:2])
        value = self._options(body[8:]).get(_RESOLUTION, b"\x06")
        if len(value) != 1 or value[0] & 0x7F > 60:
            raise self._error(place, "an impossible unit of time", "the file is damaged here")
        exponent = value[0] & 0x7F
        ticks = 2**exponent if value[0] & 0x80 else 10**exponent
        self._ticks.append(ticks if link_type == LINKTYPE_USER0 else None)

    def _packet(self, body: bytes, place: int) -> tuple[int, bytes]:
        if len(body) < 20:
            raise self._error(place, "a short packet block", "the file is damaged here")
        interface, high, low, captured, original = struct.unpack(self._order + "5I", body[:20])
        if interface >= len(self._ticks):
            raise self._error(
                place, f"a packet of interface {interface}", "that was not described before"
            )
        ticks = self._ticks[interface]
        if ticks is None:
            raise self._error(
                place,
                "a packet of another link type",
                f"frames of a link are of type {LINKTYPE_USER0} (USER0)",
            )
        if not 1 <= captured <= 8 or captured != original or 20 + captured > len(body):
            raise self._error(
                place, f"a packet of {captured} bytes", "a frame has 1 to 8 bytes, all captured"
            )
        time_ns = (high << 32 | low) * 10**9 // ticks
        if time_ns >> 63:
            raise self._error(place, f"time {time_ns} ns", "times in ns have 63 bits")
        return time_ns, body[20 : 20 + captured]

    def _options(self, content: bytes) -> dict[int, bytes]:
        """Return the first option of each kind; damaged ones end the list."""
        found: dict[int, bytes] = {}
        at = 0
        while at + 4 <= len(content):
            code, length = struct.unpack(self._order + "HH", content[at : at + 4])
            if code == _END or at + 4 + length > len(content):
                break
            found.setdefault(code, content[at + 4 : at + 4 + length])
            at += 4 + -(-length // 4) * 4
        return found

    def _read(self, count: int) -> bytes:
        try:
            content = self._stream.read(count)
        except OSError as error:
            raise self._error(
                self._position, (error.strerror or str(error)).lower(), "read it again"
            ) from error
        self._position += len(content)
        return content

    def _error(self, place: int, found: str, wanted: str) -> InputError:
        return InputError(file=self._file, place=f"byte {place:,}", found=found, wanted=wanted)


def _batch(times: Iterable[int], words: Iterable[int], length: int) -> PacketBatch:
    return PacketBatch(np.fromiter(times, np.uint64), np.fromiter(words, np.uint64), 8 * length)
