"""Frames as CSV with a header, for spreadsheets and for scripts.

    edge,word,time_ns,space,unit,sequence,address,data,check
    128,0x41123456A4,8000,1,0,1,0x1234,0x56,0xA4

`edge` and `word` say all; the other columns are for people and are not read back. The rules of the
form are in `busplay.formats.rows_csv`; edges never fall.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import BinaryIO

import numpy as np

from busplay.batch import FrameBatch, UInt64Column
from busplay.formats.rows_csv import parse_rows
from busplay.formats.stream_chunks import read_chunks

COLUMNS = ("edge", "word")


class FramesCsvWriter:
    """Writes frames as rows.

    Args:
        stream: binary, for writing.
        fields: names and bits of the frame's fields, in order; shown behind the word.
        has_time: times are known.
    """

    def __init__(
        self, stream: BinaryIO, *, fields: Sequence[tuple[str, int]], has_time: bool
    ) -> None:
        self._stream = stream
        self._has_time = has_time
        self._formats = ["%d", "0x%X", *(["%d"] if has_time else [])]
        self._formats += ["%d" if bits < 8 else f"0x%0{-(-bits // 4)}X" for _, bits in fields]
        names = [*COLUMNS, *(["time_ns"] if has_time else []), *(name for name, _ in fields)]
        stream.write((",".join(names) + "\n").encode())

    def write(
        self,
        frames: FrameBatch,
        fields: Mapping[str, UInt64Column],
        time_ns: UInt64Column | None = None,
    ) -> None:
        """Write a batch; `fields` in the order of the constructor."""
        columns = [frames.edge.tolist(), frames.word.tolist()]
        if self._has_time and time_ns is not None:
            columns.append(time_ns.tolist())
        columns += [column.tolist() for column in fields.values()]
        row = ",".join(self._formats) + "\n"
        self._stream.write("".join(row % values for values in zip(*columns, strict=True)).encode())


def is_frames_header(line: bytes) -> bool:
    """Return whether a file's first line is the header of frames."""
    names = [name.strip().lower() for name in line.decode("utf-8", "replace").split(",")]
    return all(name in names for name in COLUMNS)


def read_frames_csv(stream: BinaryIO, *, file: str, word_bits: int) -> Iterator[FrameBatch]:
    """Read frames, a batch for each piece of the stream.

    Args:
        stream: binary, at the file's start.
        file: its name, for messages.
        word_bits: of a frame; words that are longer are refused.

    Raises:
        InputError: as `parse_rows`. Every row before the fault has been returned.
    """
    columns = {"edge": (1 << 63) - 1, "word": (1 << word_bits) - 1}
    for edge, word in parse_rows(read_chunks(stream, file), columns, file=file):
        yield FrameBatch(np.frombuffer(edge, np.uint64), np.frombuffer(word, np.uint64))
