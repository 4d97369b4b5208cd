"""Frames as compressed columns of differences: the body of a frame chunk.

How to think about it. Each frame becomes eight numbers, chosen so that a program's repetitions
repeat: slots and remainder of the gap to the frame before, bits above the frame (none, in an
undamaged trace), the other fields, the steps of sequence and address, the data, and the XOR of the
check field with the correct check. `column_planes` converts frames to these columns and back; this
module, columns to bytes. It is lossless, for words that break every rule of their link too.
"""

from __future__ import annotations

import struct

import numpy as np
from numpy.typing import NDArray

from busplay.batch import FrameBatch, FrameRoom, UInt64Column
from busplay.description.link import WORD_BITS
from busplay.link.layout import FrameLayout
from busplay.trace import column_planes
from busplay.trace.blocks import make_compressor, make_decompressor, pack_block, unpack_block
from busplay.trace.container import Where

CHUNK_FRAMES = 65_536
# Decoded chunks for which room is kept: those that a reader keeps, and two in use.
ROOM_CHUNKS = 10
# Every edge is at or before it.
LAST_EDGE = (1 << 64) - 1
COLUMN_NAMES = ("slots", "rest", "excess", "others", "sequence", "address", "data", "check")

_BEFORE = struct.Struct("<3Q")
_COLUMN = struct.Struct("<QB")
_FIXED_BYTES = _BEFORE.size + len(COLUMN_NAMES) * _COLUMN.size

_FAST_SHIFT = 40
_FAST_GRID = 1 << 16


def grid_edges(layout: FrameLayout) -> int:
    """Return the unit of gaps in edges: a slot, or a clock cycle if frames start on any."""
    if layout.link.start == "cycle":
        return layout.link.edges_per_cycle
    return layout.slot_symbols


class ColumnCodec:
    """Converts frames of one link to bytes and back; has the tables and the work space."""

    def __init__(self, layout: FrameLayout) -> None:
        self._frame_bits = layout.frame_bits
        self._grid = grid_edges(layout)
        small = self._grid < _FAST_GRID
        self._grid_inverse = -(-(1 << _FAST_SHIFT) // self._grid) if small else 0
        places = column_places(layout)
        self._shifts = np.zeros(column_planes.COLUMNS, np.uint64)
        self._masks = np.zeros(column_planes.COLUMNS, np.uint64)
        self._plane_counts = [8, 8, (WORD_BITS - self._frame_bits + 7) // 8, 0, 0, 0, 0, 0]
        position = 0
        for column in reversed(range(column_planes.OTHERS, column_planes.COLUMNS)):
            bits = len(places[column])
            self._shifts[column] = position % WORD_BITS
            self._masks[column] = (1 << bits) - 1
            self._plane_counts[column] = (bits + 7) // 8
            position += bits
        self._encode_tables = _encode_tables(layout, places, self._shifts)
        self._decode_tables = _decode_tables(layout, places)
        self._planes = np.empty(
            (column_planes.COLUMNS * column_planes.PLANES, CHUNK_FRAMES), np.uint8
        )
        self._work = np.empty((3, CHUNK_FRAMES), np.uint64)
        self._room = FrameRoom(ROOM_CHUNKS)
        self._compressor = make_compressor()
        self._decompressor = make_decompressor()

    def encode(self, frames: FrameBatch) -> bytes:
        """Encode 1 to CHUNK_FRAMES frames, in order; the result depends on these alone."""
        count = len(frames)
        if not 1 <= count <= CHUNK_FRAMES:
            raise ValueError(f"a chunk has 1 to {CHUNK_FRAMES} frames, not {count}")
        edge = np.ascontiguousarray(frames.edge)
        word = np.ascontiguousarray(frames.word)
        before = np.zeros(3, np.uint64)
        found = np.zeros((2, column_planes.COLUMNS), np.uint64)
        column_planes.split(
            edge,
            word,
            np.uint64(self._grid),
            np.uint64(self._grid_inverse),
            self._frame_bits,
            self._encode_tables,
            self._shifts,
            self._masks,
            before,
            self._work,
            found,
        )
        parts = [_BEFORE.pack(*before.tolist())]
        present: list[tuple[int, int]] = []
        firsts, varying = found.tolist()
        for column in range(column_planes.COLUMNS):
            planes = [p for p in range(column_planes.PLANES) if varying[column] >> 8 * p & 0xFF]
            parts.append(_COLUMN.pack(firsts[column], sum(1 << p for p in planes)))
            present.extend((column, plane) for plane in planes)
        for column, plane in present:
            row = self._planes[column * column_planes.PLANES + plane][:count]
            column_planes.take_plane(
                word,
                self._frame_bits,
                self._shifts,
                self._masks,
                before,
                self._work,
                column,
                plane,
                row,
            )
            parts.extend(pack_block(self._compressor, row.data))
        return b"".join(parts)

    def decode(
        self, body: memoryview, count: int, *, where: Where, last_edge: int = LAST_EDGE
    ) -> FrameBatch:
        """Decode the result of `encode`.

        Args:
            body: bytes, possibly from a damaged file.
            count: frames that it must hold, 1 to CHUNK_FRAMES.
            where: for messages.
            last_edge: frames of later edges may be left out.

        Raises:
            InputError: it is not `count` frames in columns.
        """
        edge, word = self._room.take(count)
        done = self._decode(body, edge, word, last_edge=last_edge, where=where)
        return FrameBatch(edge[:done], word[:done])

    def decode_edges(self, body: memoryview, count: int, *, where: Where) -> UInt64Column:
        """Decode the edges alone, uint64[count]; arguments and errors as for `decode`.

        The columns of words are not checked.
        """
        edge, _ = self._room.take(count)
        self._decode(body, edge, edge[:0], last_edge=LAST_EDGE, where=where)
        return edge

    def _decode(
        self,
        body: memoryview,
        edge: UInt64Column,
        word: UInt64Column,
        *,
        last_edge: int,
        where: Where,
    ) -> int:
        """Decode into columns; a word column without room is left out. Return the count."""
        if len(body) < _FIXED_BYTES:
            raise where.error(
                f"{len(body):,} bytes of columns", f"the fixed part takes {_FIXED_BYTES}"
            )
        before = np.array(_BEFORE.unpack_from(body, 0), np.uint64)
        offset = _BEFORE.size
        firsts = np.zeros(column_planes.COLUMNS, np.uint64)
        presents = np.zeros(column_planes.COLUMNS, np.int64)
        for column, most in enumerate(self._plane_counts):
            first, present = _COLUMN.unpack_from(body, offset)
            offset += _COLUMN.size
            if present >> most:
                raise where.error(
                    f"plane {present.bit_length() - 1} of column {COLUMN_NAMES[column]}",
                    f"on this link the column has {most} planes",
                )
            firsts[column] = first
            presents[column] = present
        count, has_words = len(edge), len(word) > 0
        for column in range(column_planes.COLUMNS if has_words else column_planes.EXCESS):
            for plane in range(column_planes.PLANES):
                if presents[column] >> plane & 1:
                    block, offset = unpack_block(
                        self._decompressor, body, offset, unpacked_bytes=count, where=where
                    )
                    self._planes[column * column_planes.PLANES + plane][:count] = np.frombuffer(
                        block, np.uint8
                    )
        if has_words and offset != len(body):
            raise where.error(
                f"{len(body) - offset:,} bytes after the last plane", "nothing belongs there"
            )
        rising, done = column_planes.join(
            self._planes,
            presents,
            firsts,
            np.uint64(self._grid),
            self._frame_bits,
            self._decode_tables,
            self._masks,
            before,
            np.uint64(last_edge),
            edge,
            word,
            np.empty((column_planes.COLUMNS, column_planes.BLOCK), np.uint64),
        )
        if not rising:
            raise where.error("edges that decrease", "a frame never begins before the previous one")
        return done


def column_places(layout: FrameLayout) -> list[tuple[int, ...]]:
    """Return where in the word the bits of each column stand, its lowest bit first."""
    link = layout.link
    check_name = link.check.field if link.check else None
    places: list[tuple[int, ...]] = [()] * column_planes.COLUMNS
    if check_name:
        places[column_planes.CHECK] = layout.bit_places(check_name)
    named = (
        (column_planes.SEQUENCE, "sequence"),
        (column_planes.ADDRESS, "address"),
        (column_planes.DATA, "data"),
    )
    for column, name in named:
        if name != check_name and link.field_named(name) is not None:
            places[column] = layout.bit_places(name)
    taken = {place for column in places for place in column}
    places[column_planes.OTHERS] = tuple(p for p in range(layout.frame_bits) if p not in taken)
    return places


def _encode_tables(
    layout: FrameLayout, places: list[tuple[int, ...]], shifts: UInt64Column
) -> NDArray[np.uint64]:
    """Return uint64[8, 256]: XOR of `tables[i, byte i of the word]` is the packed word."""
    tables = np.zeros((8, 256), np.uint64)
    values = np.arange(256)
    for column in range(column_planes.OTHERS, column_planes.CHECK):
        for value_bit, place in enumerate(places[column]):
            byte, bit = divmod(place, 8)
            target = np.uint64(1 << int(shifts[column]) + value_bit)
            tables[byte][(values >> bit & 1).astype(bool)] ^= target
    return tables ^ (layout.syndrome_tables & np.uint64((1 << layout.check_bits) - 1))


def _decode_tables(layout: FrameLayout, places: list[tuple[int, ...]]) -> NDArray[np.uint64]:
    """Return uint64[columns, 8, 256]: part of the word from byte p of a column's value."""
    check_mask = (1 << layout.check_bits) - 1
    zero_check = int(layout.syndrome_tables[0][0]) & check_mask

    def check_part(check: int) -> int:
        return sum(1 << p for bit, p in enumerate(places[column_planes.CHECK]) if check >> bit & 1)

    tables = np.zeros((column_planes.COLUMNS, column_planes.PLANES, 256), np.uint64)
    values = np.arange(256)
    for column in range(column_planes.OTHERS, column_planes.COLUMNS):
        for value_bit, place in enumerate(places[column]):
            part = 1 << place
            if column != column_planes.CHECK:
                byte, bit = divmod(place, 8)
                entry = int(layout.syndrome_tables[byte][1 << bit])
                if byte == 0:
                    entry ^= int(layout.syndrome_tables[0][0])
                part ^= check_part(entry & check_mask)
            plane, bit = divmod(value_bit, 8)
            tables[column][plane][(values >> bit & 1).astype(bool)] ^= np.uint64(part)
    tables[column_planes.CHECK][0] ^= np.uint64(check_part(zero_check))
    return tables
