"""Find the chunks of a trace: by its index, or one after another if there is none.

How to think about it. A complete trace ends with an end chunk of fixed length, which has the
index's position, and the index has that of every chunk; nothing else is read to open it. Without a
valid end, the chunks are walked from the first, and each checksum is checked. The walk ends at a
valid end chunk; at the end of the file, between two chunks or within one (a cut trace, readable up
to there); or at damage, which is refused, unless the caller keeps going: then it ends the trace
like a cut.
"""

from __future__ import annotations

from dataclasses import dataclass

from busplay.errors import InputError
from busplay.trace.container import (
    CHUNK_OVERHEAD,
    END,
    FRAMES,
    HEAD,
    HEADER,
    INDEX,
    Chunk,
    ChunkSource,
    NotWholeError,
    Where,
    chunks_before,
)
from busplay.trace.frame_chunk import Totals, parse_totals
from busplay.trace.index import END_BYTES, ChunkTable, End, TableBuilder, parse_end, parse_table


@dataclass(frozen=True, slots=True)
class Contents:
    """The chunks of a trace file.

    Attributes:
        table: its chunks, without index and end.
        end: totals; in a cut trace, those of its last complete frame chunk.
        complete: whether it has a valid end.
        cut_reason: how it ends if not; empty if complete.
    """

    table: ChunkTable
    end: End
    complete: bool
    cut_reason: str


def read_contents(source: ChunkSource, *, file: str, keep_going: bool) -> Contents:
    """Find all chunks of a trace whose head has been read.

    Raises:
        InputError: the header chunk is incomplete, or something is damaged.
    """
    if keep_going:
        return _walk(source, file=file, keep_going=True)
    try:
        return _by_index(source, file=file)
    except InputError as error:
        # No end, or a damaged one. The walk finds the place, or that the file was cut.
        contents = _walk(source, file=file, keep_going=False)
        if contents.complete:
            raise error from None
        return contents


def _by_index(source: ChunkSource, *, file: str) -> Contents:
    position = source.file_bytes - END_BYTES
    if position < HEAD.size:
        raise InputError(file=file, found="no end chunk")
    chunk = source.find_chunk(position, 0)
    if chunk.kind != END:
        raise InputError(file=file, found="no end chunk")
    where = Where(file, "the end chunk")
    end = parse_end(source.read_payload(chunk), where=where)
    index_bytes = position - end.index_position - CHUNK_OVERHEAD
    if end.index_position < HEAD.size or index_bytes < 0:
        raise where.error(
            f"the index at byte {end.index_position:,}", f"it must be before byte {position:,}"
        )
    index = source.find_chunk(end.index_position, 0)
    where = Where(file, f"the index at byte {end.index_position:,}")
    if index.kind != INDEX or index.payload_bytes != index_bytes:
        raise where.error(
            f"type {index.kind.decode('ascii')} of {index.payload_bytes:,} bytes",
            f"{index_bytes:,} bytes of INDX belong here",
        )
    payload = source.read_payload(index)
    table = parse_table(payload, index_position=end.index_position, where=where)
    _require_end(table, end, where=Where(file, "the end chunk"))
    return Contents(table, end, complete=True, cut_reason="")


def _require_end(table: ChunkTable, end: End, *, where: Where) -> None:
    frames, stop_edge = int(table.frames[-1]), int(table.edge[-1])
    if end.frames != frames:
        raise where.error(f"{end.frames:,} frames", f"the chunks have {frames:,}")
    if end.stop_edge < stop_edge:
        raise where.error(f"stop edge {end.stop_edge:,}", f"the chunks reach {stop_edge:,}")


class _Walk:
    """The walk's state: entries so far, and their totals."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.builder = TableBuilder()
        self.totals = Totals(0, 0, 0, 0, 0, 0)
        self.index: Chunk | None = None
        self.end: End | None = None

    def take(self, chunk: Chunk, payload: memoryview) -> None:
        """Add the next chunk, whose checksum is correct."""
        where = Where(self.file, chunk.place)
        if (chunk.number == 1) != (chunk.kind == HEADER):
            raise where.error(
                f"type {chunk.kind.decode('ascii')}",
                f"the first chunk, and no other, is HEAD; {chunks_before(chunk.number)}",
            )
        if chunk.kind == FRAMES:
            totals, _ = parse_totals(payload, where=where)
            require_follows(totals, before=self.totals, where=where)
            self.totals = totals
        elif chunk.kind == INDEX and self.index is None:
            self.index = chunk
            return
        elif chunk.kind == END and self.index is not None:
            self.end = parse_end(payload, where=where)
            return
        if self.index is not None or chunk.kind == END:
            raise where.error(
                f"type {chunk.kind.decode('ascii')}",
                f"an end chunk follows the index; {chunks_before(chunk.number)}",
            )
        self.builder.add(
            chunk.kind,
            chunk.payload_bytes,
            frames=self.totals.frames,
            edge=self.totals.stop_edge,
        )


def require_follows(totals: Totals, *, before: Totals, where: Where) -> None:
    """Require that a frame chunk's totals continue those before it."""
    if totals.frames - totals.count != before.frames:
        raise where.error(
            f"{totals.frames:,} frames in all with {totals.count:,} here",
            f"{before.frames:,} came before",
        )
    if totals.first_edge != before.stop_edge:
        raise where.error(
            f"first edge {totals.first_edge:,}",
            f"the frames before it stop at {before.stop_edge:,}",
        )
    if totals.stores < before.stores or totals.cycles < before.cycles:
        raise where.error("totals that decrease", "stores and cycles only rise")


def _walk(source: ChunkSource, *, file: str, keep_going: bool) -> Contents:
    walk = _Walk(file)
    position, number = HEAD.size, 1
    cut_reason = ""
    while walk.end is None:
        try:
            if position == source.file_bytes:
                cut_reason = f"byte {position:,}: the file ends without an end chunk"
                break
            chunk = source.find_chunk(position, number)
            walk.take(chunk, source.read_payload(chunk))
        except NotWholeError as error:
            cut_reason = f"{error.place}: {error.message}"
            break
        except InputError as error:
            if not keep_going:
                raise
            cut_reason = f"{error.place}: {error.message}"
            break
        position, number = chunk.stop, number + 1
    table = ChunkTable(walk.builder.pack())
    if len(table) == 0:
        raise InputError(
            f"{cut_reason or 'it has no header chunk'}; nothing of this trace can be read",
            file=file,
            found=cut_reason,
            wanted="nothing of this trace can be read",
        )
    if walk.end is None:
        totals = walk.totals
        end = End(position, totals.frames, totals.stores, totals.cycles, totals.stop_edge)
        return Contents(table, end, complete=False, cut_reason=cut_reason)
    if position != source.file_bytes and not keep_going:
        raise InputError(
            file=file,
            place=f"byte {position:,}",
            found=f"{source.file_bytes - position:,} bytes after the end chunk",
            wanted="nothing belongs there; the trace before them is complete",
        )
    return Contents(table, walk.end, complete=True, cut_reason="")
