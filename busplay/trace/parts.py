"""The files of a growing trace, read as one; see `growing`."""

from __future__ import annotations

import os
from bisect import bisect_right
from collections import OrderedDict
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO
from weakref import finalize

from busplay.trace.columns import ColumnCodec
from busplay.trace.frame_chunk import FrameChunk
from busplay.trace.header import TraceHeader
from busplay.trace.scan import Contents


class TracePart:
    """One file of a trace; removed once nobody reads it.

    Args:
        path: of the file.
        first_byte: where it begins in the whole trace.
        first_row: its first row in the table of chunks.
    """

    def __init__(self, path: Path, *, first_byte: int, first_row: int) -> None:
        self.path = path
        self.first_byte = first_byte
        self.first_row = first_row
        self._stream = path.open("rb", buffering=0)
        finalize(self, _remove, self._stream, path)

    def read(self, position: int, count: int) -> bytes:
        """Return bytes from a position in the whole trace on, fewer at the part's end."""
        if position < self.first_byte:
            return b""
        self._stream.seek(position - self.first_byte)
        return self._stream.read(count) or b""

    def take_away(self) -> None:
        """Empty the file at once, whoever reads it."""
        with suppress(OSError):
            os.truncate(self.path, 0)


def _remove(stream: BinaryIO, path: Path) -> None:
    stream.close()
    with suppress(OSError):
        path.unlink()


class PartsStream:
    """Reads parts as one file.

    Args:
        parts: one behind the other.
        stop_byte: where the last one ends.
    """

    def __init__(self, parts: tuple[TracePart, ...], stop_byte: int) -> None:
        self._parts = parts
        self._starts = [part.first_byte for part in parts]
        self._stop = stop_byte
        self._position = 0

    def seek(self, offset: int, whence: int = os.SEEK_SET, /) -> int:
        """Go to a position from the beginning, or from the end."""
        self._position = offset + (self._stop if whence == os.SEEK_END else 0)
        return self._position

    def read(self, count: int, /) -> bytes:
        """Return bytes, fewer at the end of a part and none behind the last."""
        part = self._parts[max(0, bisect_right(self._starts, self._position) - 1)]
        count = min(count, self._stop - self._position)
        data = part.read(self._position, count) if count > 0 else b""
        self._position += len(data)
        return data

    def close(self) -> None:
        """Close the parts' files."""
        self._parts = ()


@dataclass(frozen=True, slots=True)
class GrownTrace:
    """A growing trace as it is at a moment, for a `TraceReader`.

    Attributes:
        path: of its first part, for messages.
        header: the trace's.
        contents: its chunks that are not dropped.
        stream: reads them.
        rows_dropped: rows missing in the table of its chunks, behind the first.
        decoded: frame chunks that were decoded, by their row in the whole trace; whoever reads it
            shares them.
        codec: decodes its frame chunks; shared likewise.
    """

    path: Path
    header: TraceHeader
    contents: Contents
    stream: PartsStream
    rows_dropped: int
    decoded: OrderedDict[int, FrameChunk]
    codec: ColumnCodec
