"""A stretch of the write index, and the payload of the chunk `wBLK` that holds it."""

from __future__ import annotations

import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from busplay.batch import UInt8Column, UInt32Column
from busplay.trace.blocks import make_compressor, make_decompressor, pack_block, unpack_block
from busplay.trace.columns import CHUNK_FRAMES
from busplay.trace.container import Where

# The counts of a stretch are larger than the bits of its chunks, and a count reads at most half of
# a stretch: 64 chunks make the index of a program's trace half as long as 16.
STRETCH_CHUNKS = 64
SPAN_FRAMES = 1024
# A slow program's chunks end after a second and are small, so several are one block.
BLOCK_FRAMES = 2 * CHUNK_FRAMES
BLOCK_CHUNKS = 16
# The counts of the last stretch would be a large part of a short trace; what it lacks is counted
# from its frames, in some 30 ms.
COUNTED_CHUNKS = 48

_HEAD = struct.Struct("<IQIBI")


class ChunkKind(IntEnum):
    """The fate of a chunk's frames."""

    PLAIN = 0
    """All of them reached their units."""
    FATES = 1
    """Some did not; the fate of each is in the index."""
    REPLAYED = 2
    """The receiver delivered other frames; a replay of the chunk shows which."""


class SpanColumn(IntEnum):
    """Rows of a stretch's sums, one number a span."""

    FIRST_SLOT = 0
    """Edge of the first frame in slots, rounded down; stored as the difference to the last span."""
    LENGTH_BITS = 1
    """Bits of the number of slots from the first frame's to the last frame's."""
    CHANGED_BYTES = 2
    """Frames that changed a byte of a unit's memory."""
    FRAMES_MISSED = 3
    """Frames missing before frames of the span, by the sequence field."""
    LOST_AT_SENDER = 4
    """Stores that found the sender FIFO full, from the end of the span before to that of this."""
    LOST_AT_RECEIVER = 5
    """Frames that found the receiver FIFO full."""
    LATE = 6
    """Frames served after their deadline."""
    UNDELIVERED = 7
    """Frames that the receiver did not deliver."""
    HELD_MAX = 8
    """Most frames in the receiver FIFO; 0 if it cannot lose any."""


@dataclass(frozen=True, slots=True, eq=False)
class IndexStretch:
    """The index of up to 64 frame chunks.

    Attributes:
        frames_before: frames of the trace before it.
        kinds: a `ChunkKind` for each chunk.
        block_chunks: chunks in each block.
        written: uint8[blocks, cells / 8]; bit i of byte j, lowest first: cell 8 j + i was written.
        counts: uint32[cells]; writes to each cell; None: not in the trace.
        spans: uint64[columns, spans]; rows as in `SpanColumn`.
        fates: uint8[frames of the chunk] by the chunk's index in the stretch.
    """

    frames_before: int
    kinds: tuple[ChunkKind, ...]
    block_chunks: tuple[int, ...]
    written: NDArray[np.uint8]
    counts: UInt32Column | None
    spans: NDArray[np.uint64]
    fates: dict[int, UInt8Column]

    def pack(self, *, cells: int, cell_shift: int) -> bytes:
        """Pack it as the payload of a chunk, without counts if it is short."""
        compressor = make_compressor()
        spans = self.spans.copy()
        spans[SpanColumn.FIRST_SLOT, 1:] = np.diff(self.spans[SpanColumn.FIRST_SLOT])
        parts = [
            _HEAD.pack(len(self.kinds), self.frames_before, cells, cell_shift, spans.shape[1]),
            bytes(self.kinds),
        ]
        columns = [self.written.tobytes()]
        if self.counts is not None and len(self.kinds) >= COUNTED_CHUNKS:
            columns.append(_planes(self.counts, "<u4"))
        columns.append(_planes(spans, "<u8"))
        columns += [fates.tobytes() for _, fates in sorted(self.fates.items())]
        for column in columns:
            parts += pack_block(compressor, column)
        return b"".join(parts)


def parse_stretch(
    payload: memoryview,
    *,
    frame_counts: Sequence[int],
    frames_before: int,
    cells: int,
    cell_shift: int,
    where: Where,
) -> IndexStretch:
    """Parse a payload of `pack`.

    Args:
        payload: bytes, possibly from a damaged file.
        frame_counts: frames of each of its chunks.
        frames_before: frames of the trace before these.
        cells, cell_shift: of the board.
        where: for messages.

    Raises:
        InputError: it is not such a payload, or is of other chunks.
    """
    if len(payload) < _HEAD.size:
        raise where.error(f"{len(payload)} bytes", f"a write index begins with {_HEAD.size}")
    spans_each = [-(-count // SPAN_FRAMES) for count in frame_counts]
    expected = (len(frame_counts), frames_before, cells, cell_shift, sum(spans_each))
    if (found := _HEAD.unpack_from(payload)) != expected:
        names = ("chunks", "frames before", "cells", "cell shift", "spans")
        first = next(i for i in range(len(names)) if found[i] != expected[i])
        raise where.error(f"{found[first]:,} {names[first]}", f"here it is {expected[first]:,}")
    offset = _HEAD.size + len(frame_counts)
    raw_kinds = bytes(payload[_HEAD.size : offset])
    if len(raw_kinds) < len(frame_counts) or max(raw_kinds) > max(ChunkKind):
        raise where.error(f"kinds {raw_kinds.hex(' ').upper()}", "each is 0, 1 or 2")
    kinds = tuple(ChunkKind(one) for one in raw_kinds)
    decompressor = make_decompressor()

    def block(unpacked_bytes: int) -> bytes | memoryview:
        nonlocal offset
        column, offset = unpack_block(
            decompressor, payload, offset, unpacked_bytes=unpacked_bytes, where=where
        )
        return column

    row_bytes = -(-cells // 8)
    block_chunks = tuple(_block_sizes(frame_counts))
    written = np.frombuffer(block(len(block_chunks) * row_bytes), np.uint8)
    counts = None
    if len(kinds) >= COUNTED_CHUNKS:
        counts = _from_planes(block(4 * cells), "<u4", (cells,))
    spans = _from_planes(
        block(8 * len(SpanColumn) * sum(spans_each)), "<u8", (len(SpanColumn), sum(spans_each))
    )
    np.cumsum(spans[SpanColumn.FIRST_SLOT], out=spans[SpanColumn.FIRST_SLOT])
    fates = {
        number: np.frombuffer(block(frame_counts[number]), np.uint8)
        for number, kind in enumerate(kinds)
        if kind is ChunkKind.FATES
    }
    if offset != len(payload):
        raise where.error(
            f"{len(payload) - offset:,} bytes after the last block", "nothing belongs there"
        )
    return IndexStretch(
        frames_before,
        kinds,
        block_chunks,
        written.reshape(-1, row_bytes),
        counts,
        spans,
        fates,
    )


def ends_block(last_frames: int, *, frames: int, chunks: int) -> bool:
    """Return whether a block takes no more, from its last chunk's frames and its totals."""
    return last_frames == CHUNK_FRAMES or frames >= BLOCK_FRAMES or chunks == BLOCK_CHUNKS


def _block_sizes(frame_counts: Sequence[int]) -> Iterator[int]:
    """Return the count of chunks of each block, from the chunks' frame counts."""
    frames = chunks = 0
    for count in frame_counts:
        frames, chunks = frames + count, chunks + 1
        if ends_block(count, frames=frames, chunks=chunks):
            yield chunks
            frames = chunks = 0
    if chunks:
        yield chunks


def _planes(column: NDArray[np.unsignedinteger], kind: str) -> bytes:
    """Return a column's lowest bytes, then the next, and so on."""
    flat = np.ascontiguousarray(column, kind).reshape(-1)
    return flat.view(np.uint8).reshape(len(flat), flat.itemsize).T.tobytes()


def _from_planes(
    planes: bytes | memoryview, kind: str, shape: tuple[int, ...]
) -> NDArray[np.unsignedinteger]:
    """Join the planes of `_planes`."""
    width = np.dtype(kind).itemsize
    rows = np.frombuffer(planes, np.uint8).reshape(width, -1)
    column: NDArray[np.unsignedinteger] = np.ascontiguousarray(rows.T).reshape(-1).view(kind)
    return column.reshape(shape).astype(np.dtype(kind).newbyteorder("="), copy=True)
