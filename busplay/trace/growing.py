"""A trace that is read while it is written, and that forgets its beginning when it is long.

How to think about it. The chunks go into files of their own, the parts, one behind the other as if
they were one file. A part begins with a key frame, and ends with the index of its writes, so each
can be read without those before it. Once all of them together are too long, or the disk is full,
the oldest is dropped. The writer has the table of its chunks, so to open the trace reads nothing;
whoever has it open keeps its parts alive, dropped ones included, except those that a full disk
takes.
"""

from __future__ import annotations

import errno
import os
from collections import OrderedDict
from functools import cached_property
from pathlib import Path

from busplay.errors import OutputError
from busplay.link.layout import FrameLayout
from busplay.trace.columns import ColumnCodec
from busplay.trace.container import WRITES
from busplay.trace.frame_chunk import FrameChunk
from busplay.trace.header import TraceHeader
from busplay.trace.index import ChunkTable, End
from busplay.trace.parts import GrownTrace, PartsStream, TracePart
from busplay.trace.scan import Contents
from busplay.trace.states import fits
from busplay.trace.writer import TraceFileWriter, UnitStates

PARTS = 16
"""A trace that has its greatest length has so many parts, so a sixteenth is dropped at a time."""


class GrowingTraceWriter(TraceFileWriter):
    """Writes a trace in parts, of which the latest are kept.

    Args:
        path: of the first part; the others stand beside it.
        header: what the trace says of itself.
        units: as for `TraceFileWriter`.
        bytes_max: length of all parts from which the oldest are dropped.

    Attributes:
        parts_taken: count of parts that a full disk has taken from whoever reads them.

    Raises:
        OutputError: a file cannot be written.
    """

    def __init__(
        self, path: Path, *, header: TraceHeader, units: UnitStates, bytes_max: int
    ) -> None:
        super().__init__(path, header=header, units=units)
        self._bytes_max = bytes_max
        self.parts_taken = 0
        self._parts_begun = 1
        self._decoded: OrderedDict[int, FrameChunk] = OrderedDict()
        self._parts = [TracePart(path, first_byte=0, first_row=0)]

    @property
    def frames_stored(self) -> int:
        """Frames in whole chunks so far."""
        return self._frames_stored

    def grown(self) -> GrownTrace:
        """Return what is stored and kept so far, to be read."""
        first = self._parts[0]
        kept = self._table.pack(first_row=first.first_row)
        dropped = first.first_byte - self._table.header_stop if first.first_row else 0
        end = End(
            index_position=self.stored_bytes,
            frames=self._frames_stored,
            stores=self._frames_stored + self._lost,
            cycles=self.header.cycles_at(self._chunk_first_edge),
            stop_edge=self._chunk_first_edge,
        )
        contents = Contents(
            ChunkTable(kept, dropped_bytes=dropped), end, complete=False, cut_reason=""
        )
        stream = PartsStream(tuple(self._parts), self.stored_bytes)
        return GrownTrace(
            self.path,
            self.header,
            contents,
            stream,
            rows_dropped=max(0, first.first_row - 1),
            decoded=self._decoded,
            codec=self._reading_codec,
        )

    @cached_property
    def _reading_codec(self) -> ColumnCodec:
        return ColumnCodec(FrameLayout(self.header.link))

    def _store_index(self, *, at_end: bool) -> None:
        before = len(self._table)
        super()._store_index(at_end=at_end)
        has_index = len(self._table) > before and self._table.kind_of_last == WRITES
        part_bytes = self.stored_bytes - self._parts[-1].first_byte
        if has_index and not at_end and part_bytes >= self._bytes_max // PARTS:
            self._begin_part()

    def _begin_part(self) -> None:
        """Go on in a new file, from a key frame, and drop what is too long ago."""
        states = {} if self._units is None else self._units.states()
        if not states or not fits(states):
            return
        path = self.path.with_name(f"{self.path.name}.{self._parts_begun}")
        self._parts_begun += 1
        first_byte, first_row = self.stored_bytes, len(self._table)
        flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
        try:
            descriptor = os.open(path, flags, 0o600)
        except OSError as error:
            raise OutputError(
                file=str(path),
                found=(error.strerror or str(error)).lower(),
                wanted="the recording goes on in a new file there",
            ) from error
        self._go_on_in(descriptor)
        self._parts.append(TracePart(path, first_byte=first_byte, first_row=first_row))
        self._store_key_frame(states)
        if pages := self._pages.state(self._chunk_first_edge):
            self._store_pages(pages)
        # The part that has just begun has nothing to go back to yet.
        while len(self._parts) > 2 and (
            self.stored_bytes - self._parts[0].first_byte > self._bytes_max
        ):
            del self._parts[0]

    def _make_room(self, error: OutputError) -> bool:
        """Drop the oldest part where the disk is full, and keep less from now on."""
        cause = error.__cause__
        is_full = isinstance(cause, OSError) and cause.errno in (errno.ENOSPC, errno.EDQUOT)
        if not is_full or len(self._parts) < 2:
            return False
        self._parts.pop(0).take_away()
        self.parts_taken += 1
        self._bytes_max = min(self._bytes_max, self.stored_bytes - self._parts[0].first_byte)
        return True
