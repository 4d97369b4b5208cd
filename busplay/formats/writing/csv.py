"""Write captures as CSV: a row a change, seconds with twelve digits, a cell a wire."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from typing import BinaryIO

import numpy as np

from busplay.batch import ChangeBatch
from busplay.formats.writing import text_rows

ROWS_AT_ONCE = 1 << 13


class CsvWriter:
    """A CSV capture that grows as rows come: `Time [s]`, then a column a wire.

    Args:
        stream: binary, for writing.
        wires: names of the wires; bit i of a batch is `wires[i]`.
    """

    def __init__(self, stream: BinaryIO, *, wires: Sequence[str]) -> None:
        self._stream = stream
        self._wires = len(wires)
        self._last: ChangeBatch | None = None
        line = io.StringIO()
        csv.writer(line, lineterminator="\n").writerow(["Time [s]", *wires])
        stream.write(line.getvalue().encode("utf-8"))

    def write(self, changes: ChangeBatch) -> None:
        """Write rows.

        Raises:
            OSError: as the stream's `write`.
        """
        for first in range(0, len(changes), ROWS_AT_ONCE):
            rows = changes[first : first + ROWS_AT_ONCE]
            out = np.empty(len(rows) * (text_rows.MAX_DIGITS + 14 + 2 * self._wires), np.uint8)
            count = text_rows.put_rows(rows.time_ps, rows.level, rows.unknown, self._wires, out)
            self._stream.write(out[:count].tobytes())
        if len(changes):
            self._last = changes[-1:]

    def close(self, *, stop_ps: int | None = None) -> None:
        """End the capture at a time, with the last levels once more; the stream stays open."""
        if stop_ps is None or self._last is None or stop_ps <= int(self._last.time_ps[0]):
            return
        last = self._last
        self.write(ChangeBatch(np.array([stop_ps], np.uint64), last.level, last.unknown))
