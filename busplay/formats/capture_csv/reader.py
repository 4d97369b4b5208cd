"""Read CSV captures: the head once, the rows block by block."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction

import numpy as np

from busplay.batch import CaptureInfo, ChangeBatch, SignalInfo, UInt64Column
from busplay.errors import InputError
from busplay.formats.byte_source import ByteSource
from busplay.formats.capture_csv import cells
from busplay.formats.capture_csv.head import HEAD_BYTES, parse_head
from busplay.formats.capture_format import FormatOptions
from busplay.formats.signal_choice import (
    Variable,
    choose_signals,
    count_wires,
    signal_masks,
    wire_names,
)

BLOCK_BYTES = 1 << 18
MAX_LINE_BYTES = 1 << 20
_KINDS = {
    "time": cells.TIME_CELL,
    "time with unit": cells.TIME_WITH_UNIT,
    "level": cells.LEVEL_CELL,
    "bus": cells.BUS_CELL,
    "other": cells.IGNORED,
}
_MAX_DENOMINATOR = 1 << 32
_MAX_TIME_PS = (1 << 63) - 1


class CsvReader:
    """A CSV capture.

    Args:
        source: the file.
        options: how to read it.

    Raises:
        InputError: as `parse_head` and `choose_signals`.
    """

    def __init__(self, source: ByteSource, options: FormatOptions) -> None:
        self._source = source
        source.restart(text=True)
        head = parse_head(
            source.head(HEAD_BYTES),
            rate_hz=options.rate_hz,
            timescale=options.timescale,
            file=source.file,
        )
        self._head = head
        wires = [column for column in head.columns if column.kind in ("level", "bus")]
        variables = [
            Variable(column.name, column.bits, "channel", place, column.left, column.right)
            for place, column in enumerate(wires)
        ]
        chosen = choose_signals(variables, options.signals, file=source.file)
        self.wire_count = count_wires(variables)
        self.wires = wire_names(variables)
        self.signals = tuple(bit.name for bit in chosen)
        self.signal_masks = signal_masks(variables, chosen)
        self._chosen_places = [bit.place for bit in chosen]
        count = len(head.columns)
        self._kinds = np.array([_KINDS[column.kind] for column in head.columns], np.uint8)
        self._masks = np.zeros(count, np.uint64)
        self._first_bits = np.zeros(count, np.int64)
        self._bus_widths = np.zeros(count, np.int64)
        self._bases = np.array([column.base for column in head.columns], np.int64)
        bit_masks: list[int] = []
        column_of = [at for at, column in enumerate(head.columns) if column in wires]
        for place, column in enumerate(wires):
            at = column_of[place]
            self._first_bits[at] = len(bit_masks)
            self._bus_widths[at] = column.bits
            bit_masks += [0] * column.bits
        for index, bit in enumerate(chosen):
            at = column_of[bit.place]
            bit_masks[int(self._first_bits[at]) + bit.bit] = 1 << index
            if self._kinds[at] == cells.LEVEL_CELL:
                self._masks[at] = 1 << index
        self._bit_masks = np.array(bit_masks, np.uint64)
        self._scale = scale_table(head.tick_ps)
        self._info = CaptureInfo(
            file=source.file,
            format="csv",
            compression=source.compression,
            signals=tuple(SignalInfo(one.name, one.bits, one.kind) for one in variables),
            zero_ps=head.zero_ps + head.start_ps,
            sample_rate_hz=head.rate_hz,
            tick=head.tick,
            written_by=head.written_by,
            notes=head.notes,
        )
        self._begin()

    def _begin(self) -> None:
        self._counts = np.zeros(64, np.uint64)
        self._state = np.zeros(cells.STATE_SIZE, np.int64)
        unknown = np.array([(1 << len(self.signals)) - 1], np.uint64).view(np.int64)
        self._state[cells.UNKNOWN] = unknown[0]
        self._cut_reason = ""

    @property
    def _has_time_column(self) -> bool:
        return any(column.kind.startswith("time") for column in self._head.columns)

    def info(self) -> CaptureInfo:
        """Return what is known so far."""
        state = self._state
        first = int(state[cells.HAS_TIME])
        changes = [0] * len(self._info.signals)
        for index, place in enumerate(self._chosen_places):
            changes[place] += int(self._counts[index]) + first
        stop_ps = int(state[cells.TIME])
        if not self._has_time_column:
            # Without times a row is a sample, and the record ends with the last one's end.
            stop_ps = int(int(state[cells.NEXT_INDEX]) * self._head.tick_ps)
        return replace(
            self._info,
            signals=tuple(
                replace(signal, changes=count)
                for signal, count in zip(self._info.signals, changes, strict=True)
            ),
            start_ps=int(state[cells.FIRST_TIME]) + self._info.zero_ps,
            stop_ps=stop_ps + self._info.zero_ps,
            complete=not self._cut_reason,
            cut_reason=self._cut_reason,
        )

    def rows(self) -> Iterator[ChangeBatch]:
        """Return all changes from the start.

        Raises:
            InputError: a cell that is no time or level, a row of the wrong length, a time
                that goes back; with line and column, after everything before it.
        """
        self._begin()
        source, state = self._source, self._state
        source.restart(text=True)
        source.skip(self._head.rows_at)
        size = BLOCK_BYTES
        buffer = bytearray(size + 1)
        block_at, filled = self._head.rows_at, 0
        times, levels, unknowns = (np.empty(size // 2 + 2, np.uint64) for _ in range(3))
        ended = False
        while not ended:
            try:
                count = source.read_into(memoryview(buffer)[filled:size])
            except InputError:
                yield from self._last_row()
                raise
            filled += count
            ended = not count
            whole = buffer.rfind(b"\n", 0, filled) + 1
            length = whole
            if ended and whole < filled:
                buffer[filled] = 0x0A
                length = filled + 1
            if length:
                self._parse(buffer, length, times, levels, unknowns)
                rows = int(state[cells.ROWS])
                if rows:
                    yield ChangeBatch(
                        times[:rows].copy(), levels[:rows].copy(), unknowns[:rows].copy()
                    )
            if state[cells.FAULT]:
                yield from self._last_row()
                fault_at = int(state[cells.FAULT_AT])
                if ended and fault_at >= whole:
                    self._cut_reason = (
                        source.cut_reason or "it ends in the middle of a row: the file was cut off"
                    )
                    return
                raise self._fault(block_at + fault_at, bytes(buffer[fault_at : fault_at + 80]))
            if ended:
                break
            rest = filled - whole
            if rest >= size:
                if size >= MAX_LINE_BYTES:
                    raise InputError(
                        found=f"a line of more than {MAX_LINE_BYTES:,} bytes",
                        wanted="a row is one short line",
                        file=source.file,
                        place=source.line_and_column(block_at),
                    )
                buffer += bytes(size)
                size *= 2
                times, levels, unknowns = (np.empty(size // 2 + 2, np.uint64) for _ in range(3))
            else:
                buffer[:rest] = buffer[whole:filled]
            block_at += whole
            filled = rest
        yield from self._last_row()
        self._cut_reason = source.cut_reason

    def _parse(
        self,
        buffer: bytearray,
        length: int,
        times: UInt64Column,
        levels: UInt64Column,
        unknowns: UInt64Column,
    ) -> None:
        cells.parse_rows(
            np.frombuffer(buffer, np.uint8),
            length,
            ord(self._head.delimiter),
            self._kinds,
            self._masks,
            self._first_bits,
            self._bit_masks,
            self._bus_widths,
            self._bases,
            self._scale,
            self._head.zero_ps,
            self._state,
            self._counts,
            times,
            levels,
            unknowns,
        )

    def _last_row(self) -> Iterator[ChangeBatch]:
        """Return the row of the last time, which nothing has closed."""
        state = self._state
        if not state[cells.HAS_TIME]:
            return
        level, unknown = (
            state[place : place + 1].copy().view(np.uint64)
            for place in (cells.LEVEL, cells.UNKNOWN)
        )
        if state[cells.HAS_ROW]:
            differs = (state[cells.LEVEL] ^ state[cells.ROW_LEVEL]) | (
                state[cells.UNKNOWN] ^ state[cells.ROW_UNKNOWN]
            )
            if not differs:
                return
            cells.count_changes(np.array([differs]).view(np.uint64)[0], self._counts)
        time = np.array([state[cells.TIME]], np.uint64)
        state[cells.HAS_ROW] = 1
        state[cells.ROW_LEVEL] = state[cells.LEVEL]
        state[cells.ROW_UNKNOWN] = state[cells.UNKNOWN]
        yield ChangeBatch(time, level, unknown)

    def _fault(self, at: int, rest: bytes) -> InputError:
        state = self._state
        fault = int(state[cells.FAULT])
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
        return InputError(
            found=found,
            wanted=f"{wanted} (--keep-going reads up to this point)",
            file=self._source.file,
            place=self._source.line_and_column(at),
        )


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
