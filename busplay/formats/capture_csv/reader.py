"""Read CSV captures: the head once, the rows block by block."""

from __future__ import annotations

from fractions import Fraction

import numpy as np

from busplay.batch import CaptureInfo, UInt8Column, UInt64Column
from busplay.formats.byte_source import ByteSource
from busplay.formats.capture_csv import cells
from busplay.formats.capture_csv.head import HEAD_BYTES, parse_head
from busplay.formats.capture_format import FormatOptions
from busplay.formats.signal_choice import Variable
from busplay.formats.text_reader import RowRoom, TextReader

_KINDS = {
    "time": cells.TIME_CELL,
    "time with unit": cells.TIME_WITH_UNIT,
    "level": cells.LEVEL_CELL,
    "bus": cells.BUS_CELL,
    "other": cells.IGNORED,
}
_MAX_DENOMINATOR = 1 << 32
_MAX_TIME_PS = (1 << 63) - 1


class CsvReader(TextReader):
    """A CSV capture.

    Args:
        source: the file.
        options: how to read it.

    Raises:
        InputError: as `parse_head` and `choose_signals`.
    """

    ITEM = ("row", "line")
    ITEM_BYTES_MOST = 1 << 20
    ITEM_WANTED = "a row is one short line"
    STATE = cells.STATE

    def __init__(self, source: ByteSource, options: FormatOptions) -> None:
        source.restart(text=True)
        self._head = head = parse_head(
            source.head(HEAD_BYTES),
            rate_hz=options.rate_hz,
            timescale=options.timescale,
            file=source.file,
        )
        variables = [
            Variable(column.name, column.bits, "channel", place, column.left, column.right)
            for place, column in enumerate(head.columns)
            if column.kind in ("level", "bus")
        ]
        self._kinds = np.array([_KINDS[column.kind] for column in head.columns], np.uint8)
        self._bases = np.array([column.base for column in head.columns], np.int64)
        self._scale = scale_table(head.tick_ps)
        info = CaptureInfo(
            file=source.file,
            format="csv",
            zero_ps=head.zero_ps + head.start_ps,
            sample_rate_hz=head.rate_hz,
            tick=head.tick,
            written_by=head.written_by,
            notes=head.notes,
        )
        widths = np.array([column.bits for column in head.columns], np.int64)
        super().__init__(
            source, variables, widths, signals=options.signals, info=info, body_at=head.rows_at
        )

    def _whole(self, buffer: bytearray, filled: int) -> int:
        return buffer.rfind(b"\n", 0, filled) + 1

    def _parse(self, text: UInt8Column, length: int, room: RowRoom) -> int:
        cells.parse_rows(
            text,
            length,
            ord(self._head.delimiter),
            self._kinds,
            *self._bits,
            self._widths,
            self._bases,
            self._scale,
            self._head.zero_ps,
            self._state,
            self._counts,
            *room,
        )
        return length

    def _changes(self) -> list[int]:
        first = self._kept("has_time")
        return [
            sum(first + int(self._counts[bit]) for bit in range(64) if mask >> bit & 1)
            for mask in self.signal_masks
        ]

    def _stop_ps(self) -> int:
        if any(column.kind.startswith("time") for column in self._head.columns):
            return super()._stop_ps()
        # Without times a row is a sample, and the record ends with the last one's end.
        return int(self._kept("next_index") * self._head.tick_ps)

    def _count_last(self, differs: np.uint64) -> None:
        cells.count_changes(differs, self._counts)

    def _is_cut(self, rest: bytes) -> bool:
        return b"\n" not in rest

    def _fault(self, fault: int, rest: bytes) -> tuple[str, str]:
        line = rest.split(b"\n", 1)[0].decode("utf-8", "replace").strip()
        cell = line.split(self._head.delimiter, 1)[0].strip().strip('"')[:40]
        columns = len(self._head.columns)
        if fault == cells.TIME_BACK:
            found = f"a time before that of the row above, in {line[:40]!r}"
            wanted = "time never goes back; the file is damaged here"
        elif fault == cells.TIME_RANGE:
            found = f"time {cell!r} of {self._head.tick}"
            wanted = "a capture is shorter than 106 days; --in-timescale 1ns sets the unit"
        elif fault == cells.BAD_TIME:
            found, wanted = f"time {cell!r}", "a time is a number"
        elif fault == cells.BAD_LEVEL:
            found, wanted = f"level {cell!r}", "a level is 0, 1, x or z"
        elif fault == cells.BAD_BUS:
            found, wanted = f"value {cell!r}", "a bus is a number that fits its width"
        elif fault == cells.SHORT_ROW:
            found, wanted = f"the row {line[:40]!r}", f"a row has {columns} cells"
        else:
            found, wanted = f"{cell!r} behind the last column", f"a row has {columns} cells"
        return found, wanted


def scale_table(tick_ps: Fraction) -> UInt64Column:
    """Make the table by which a number's digits and exponent become picoseconds.

    Returns:
        uint64[5, exponents], as `cells.parse_rows` takes it.
    """
    exponents = range(-cells.EXPONENT_MIDDLE, cells.EXPONENT_MIDDLE + 1)
    table = np.zeros((5, len(exponents)), np.uint64)
    for place, exponent in enumerate(exponents):
        scale = tick_ps * Fraction(10) ** exponent
        first = 1
        # More digits than picoseconds have: the last ones are dropped beforehand.
        while scale.denominator >= _MAX_DENOMINATOR and first < 10**18:
            first *= 10
            scale *= 10
        if scale.denominator >= _MAX_DENOMINATOR:
            first, scale = 10**19, Fraction(0)
        whole, rest = divmod(scale.numerator, scale.denominator)
        highest = min(int(_MAX_TIME_PS / scale), (1 << 64) - 1) if scale else (1 << 64) - 1
        if whole > _MAX_TIME_PS:
            whole, rest, highest = 0, 0, 0
        table[:, place] = (first, whole, rest, scale.denominator, highest)
    return table
