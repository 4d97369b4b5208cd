"""Packets: what is written comes back, and broken files are told by their byte."""

from __future__ import annotations

import io
import struct

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from busplay.errors import InputError
from busplay.formats.pcapng import PacketBatch, PcapngReader, PcapngWriter


def written(
    times: list[int], words: list[int], *, frame_bits: int = 40, comment: str = ""
) -> bytes:
    stream = io.BytesIO()
    writer = PcapngWriter(stream, frame_bits=frame_bits, comment=comment)
    writer.write(np.array(times, np.uint64), np.array(words, np.uint64))
    return stream.getvalue()


def read(content: bytes) -> tuple[str, list[PacketBatch]]:
    reader = PcapngReader(io.BytesIO(content), file="x.pcapng")
    return reader.comment, list(reader.packets())


@given(st.data())
def test_packets_of_any_frame_come_back(data: st.DataObject) -> None:
    bits = data.draw(st.integers(1, 64))
    words = data.draw(st.lists(st.integers(0, (1 << bits) - 1), min_size=1, max_size=20))
    times = sorted(
        data.draw(st.lists(st.integers(0, (1 << 62) - 1), min_size=len(words), max_size=len(words)))
    )
    comment = data.draw(st.text(max_size=50))
    found_comment, batches = read(written(times, words, frame_bits=bits, comment=comment))
    assert found_comment == comment.encode("utf-8").decode("utf-8")
    assert batches[0].bits == -(-bits // 8) * 8
    assert batches[0].time_ns.tolist() == times
    shift = batches[0].bits - bits
    assert [int(word) >> shift for word in batches[0].word] == words


def big_endian(content: bytes) -> bytes:
    """Turn a file of ours round, as a machine of the other kind would write it."""
    out = b""
    at = 0
    while at < len(content):
        kind, length = struct.unpack_from("<II", content, at)
        body = content[at + 8 : at + length - 4]
        if kind == 0x0A0D0D0A:
            order, major, minor, size = struct.unpack("<IHHq", body[:16])
            body = struct.pack(">IHHq", order, major, minor, size)
        elif kind == 1:
            link_type, zero, snap = struct.unpack("<HHI", body[:8])
            body = struct.pack(">HHI", link_type, zero, snap) + struct.pack(">HHB3x", 9, 1, 9)
        else:
            body = struct.pack(">5I", *struct.unpack("<5I", body[:20])) + body[20:]
        out += struct.pack(">II", kind, len(body) + 12) + body + struct.pack(">I", len(body) + 12)
        at += length
    return out


def test_the_other_byte_order_is_read() -> None:
    _, batches = read(big_endian(written([5, 7], [0x55, 0x41123456A4])))
    assert batches[0].time_ns.tolist() == [5, 7]
    assert batches[0].word.tolist() == [0x55, 0x41123456A4]


def patched(place: int, value: bytes) -> bytes:
    content = bytearray(written([1, 2, 3], [1, 2, 3]))
    content[place : place + len(value)] = value
    return bytes(content)


SECTION, INTERFACE = 28, 32
PACKET = SECTION + INTERFACE


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "x.pcapng: byte 0: found no pcapng file; its first block is a section header"),
        (
            b"\x0a\x0d\x0d\x0a\x1c\0\0\0abcd" + bytes(20),
            "x.pcapng: byte 0: found no pcapng file; a section states its byte order",
        ),
        (
            written([1], [1])[:-3],
            f"x.pcapng: byte {PACKET}: found a block that ends too early; the file was cut off",
        ),
        (
            patched(PACKET + 4, b"\x03"),
            f"x.pcapng: byte {PACKET}: found a block of 3 bytes; a block has 12 to 16,777,216, in"
            " fours; the file is damaged here",
        ),
        (
            patched(PACKET + 36, b"\x29"),
            f"x.pcapng: byte {PACKET}: found a block whose lengths differ; the file is damaged"
            " here",
        ),
        (
            patched(PACKET + 8, b"\x01"),
            f"x.pcapng: byte {PACKET}: found a packet of interface 1; that was not described"
            " before",
        ),
        (
            patched(SECTION + 8, b"\x01"),
            f"x.pcapng: byte {PACKET}: found a packet of another link type; frames of a link are"
            " of type 147 (USER0)",
        ),
        (
            patched(PACKET + 20, b"\x09"),
            f"x.pcapng: byte {PACKET}: found a packet of 9 bytes; a frame has 1 to 8 bytes, all"
            " captured",
        ),
        (
            patched(PACKET, b"\x03"),
            f"x.pcapng: byte {PACKET}: found a packet without a time; give enhanced packet blocks",
        ),
    ],
)
def test_broken_files_are_refused_with_their_byte(content: bytes, message: str) -> None:
    with pytest.raises(InputError) as failure:
        read(content)
    assert str(failure.value) == message


def test_packets_before_the_damage_are_given() -> None:
    content = written([1, 2, 3], [1, 2, 3])[:-5]
    reader = PcapngReader(io.BytesIO(content), file="x.pcapng")
    found: list[int] = []
    with pytest.raises(InputError):
        found.extend(word for batch in reader.packets() for word in batch.word.tolist())
    assert found == [1, 2]
