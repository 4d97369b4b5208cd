"""The table of a trace's chunks, which is its index, and the end chunk.

An entry is a chunk's type and payload length, and the totals of frames and edges up to and
including that chunk. Positions are not stored: chunks are contiguous, so lengths add up to them.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from busplay.trace.columns import CHUNK_FRAMES
from busplay.trace.container import (
    CHUNK_OVERHEAD,
    END,
    FRAMES,
    HEAD,
    HEADER,
    INDEX,
    KNOWN_TYPES,
    Chunk,
    Where,
    is_type,
    may_skip,
)

_ENTRY = struct.Struct("<4sIQQ")
_ENTRY_TYPE = np.dtype(
    [("kind", "<u4"), ("payload_bytes", "<u4"), ("frames", "<u8"), ("edge", "<u8")]
)
_END = struct.Struct("<5Q")
END_BYTES = CHUNK_OVERHEAD + _END.size


class TableBuilder:
    """Gathers entries, 24 bytes each."""

    def __init__(self) -> None:
        self._raw = bytearray()

    def add(self, kind: bytes, payload_bytes: int, *, frames: int, edge: int) -> None:
        """Add the entry of the next chunk."""
        self._raw += _ENTRY.pack(kind, payload_bytes, frames, edge)

    def __len__(self) -> int:
        return len(self._raw) // _ENTRY.size

    @property
    def kind_of_last(self) -> bytes:
        """Type of the last chunk."""
        kind: bytes = _ENTRY.unpack_from(self._raw, len(self._raw) - _ENTRY.size)[0]
        return kind

    @property
    def header_stop(self) -> int:
        """Position of the first byte after the first chunk."""
        payload_bytes: int = _ENTRY.unpack_from(self._raw)[1]
        return HEAD.size + CHUNK_OVERHEAD + payload_bytes

    def pack(self, *, first_row: int = 0) -> bytes:
        """Pack the entries as the payload of the index chunk.

        Args:
            first_row: leave out the rows before it, except that of the header.
        """
        if first_row <= 1:
            return bytes(self._raw)
        return bytes(self._raw[: _ENTRY.size] + self._raw[first_row * _ENTRY.size :])


class ChunkTable:
    """All chunks before the index, in their order.

    Args:
        raw: as `TableBuilder.pack` packs them.
        dropped_bytes: bytes of the chunks between the header and the next of them.

    Attributes:
        frames: uint64[chunks]; frames up to and including the chunk.
        edge: uint64[chunks]; stop edge of the last frame chunk so far.
    """

    def __init__(self, raw: bytes, *, dropped_bytes: int = 0) -> None:
        self._dropped_bytes = dropped_bytes
        entries = np.frombuffer(raw, _ENTRY_TYPE)
        self._kind: NDArray[np.uint32] = entries["kind"]
        self._payload_bytes: NDArray[np.uint32] = entries["payload_bytes"]
        self.frames: NDArray[np.uint64] = entries["frames"]
        self.edge: NDArray[np.uint64] = entries["edge"]

    def __len__(self) -> int:
        return len(self._kind)

    @cached_property
    def _stops(self) -> NDArray[np.uint64]:
        sizes = self._payload_bytes.astype(np.uint64) + np.uint64(CHUNK_OVERHEAD)
        stops = np.cumsum(sizes, dtype=np.uint64) + np.uint64(HEAD.size)
        stops[1:] += np.uint64(self._dropped_bytes)
        return stops

    @property
    def stop(self) -> int:
        """Position of the first byte after the last chunk."""
        return int(self._stops[-1]) if len(self) else HEAD.size

    def chunk(self, row: int) -> Chunk:
        """Return a chunk's position."""
        payload_bytes = int(self._payload_bytes[row])
        return Chunk(
            number=row + 1,
            position=int(self._stops[row]) - CHUNK_OVERHEAD - payload_bytes,
            kind=int(self._kind[row]).to_bytes(4, "little"),
            payload_bytes=payload_bytes,
        )

    def rows_of(self, kind: bytes) -> NDArray[np.intp]:
        """List the rows of all chunks of one type."""
        return np.flatnonzero(self._kind == int.from_bytes(kind, "little"))


def parse_table(payload: memoryview, *, index_position: int, where: Where) -> ChunkTable:
    """Parse the payload of an index chunk.

    Raises:
        InputError: it is not an index, or its chunks do not fill the file up to the index.
    """
    if not payload or len(payload) % _ENTRY.size:
        raise where.error(f"{len(payload):,} bytes", f"each entry takes {_ENTRY.size}")
    table = ChunkTable(bytes(payload))
    if table.stop != index_position:
        raise where.error(
            f"chunks up to byte {table.stop:,}",
            f"they end where the index begins, {index_position:,}",
        )
    _require_types(table, where)
    _require_totals(table, where)
    return table


def _require_types(table: ChunkTable, where: Where) -> None:
    kinds = {int(kind).to_bytes(4, "little") for kind in np.unique(table._kind)}
    for kind in sorted(kinds):
        if not is_type(kind) or kind in (INDEX, END):
            raise where.error(f"type {kind.hex(' ').upper()}", "a chunk's type belongs here")
        if kind not in KNOWN_TYPES and not may_skip(kind):
            raise where.error(
                f"type {kind.decode('ascii')}",
                "this busplay does not know it, so take a later one",
            )
    headers = table.rows_of(HEADER)
    if len(headers) != 1 or headers[0] != 0:
        raise where.error(f"{len(headers)} header chunks", "there is one, the first")


def _require_totals(table: ChunkTable, where: Where) -> None:
    is_frames = np.zeros(len(table), np.bool_)
    is_frames[table.rows_of(FRAMES)] = True
    frames = np.concatenate((np.zeros(1, np.uint64), table.frames))
    edge = np.concatenate((np.zeros(1, np.uint64), table.edge))
    if (frames[1:] < frames[:-1]).any() or (edge[1:] < edge[:-1]).any():
        raise where.error("totals that decrease", "frames and edges only rise")
    # They rise, so the last are the largest.
    where.require_totals(frames=int(frames[-1]), stop_edge=int(edge[-1]))
    added = np.diff(frames)
    least, most = is_frames.astype(np.uint64), is_frames * np.uint64(CHUNK_FRAMES)
    if (added < least).any() or (added > most).any() or np.diff(edge)[~is_frames].any():
        raise where.error(
            "totals that do not fit the chunks", f"only a frame chunk adds 1 to {CHUNK_FRAMES:,}"
        )


@dataclass(frozen=True, slots=True)
class End:
    """The end chunk: position of the index, and the trace's totals."""

    index_position: int
    frames: int
    stores: int
    cycles: int
    stop_edge: int

    def pack(self) -> bytes:
        """Pack it as the payload of the end chunk."""
        return _END.pack(self.index_position, self.frames, self.stores, self.cycles, self.stop_edge)


def parse_end(payload: memoryview, *, where: Where) -> End:
    """Parse the payload of an end chunk.

    Raises:
        InputError: it has another length.
    """
    if len(payload) != _END.size:
        raise where.error(f"{len(payload):,} bytes", f"an end chunk has {_END.size}")
    end = End(*_END.unpack(payload))
    where.require_totals(
        frames=end.frames, stores=end.stores, cycles=end.cycles, stop_edge=end.stop_edge
    )
    return end
