"""Read value change dumps: the head once, the body block by block."""

# Follows: IEEE 1364-2001, clause 18.2.3 (value changes) and 18.4.3 (ports)
# Read in: tables of what real writers do; the standard itself from memory
# Departs: takes times with a fraction or below 0, a blank before a scalar's id, values of VHDL
#   (u w h l -)

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from functools import cached_property

import numpy as np

from busplay.batch import CaptureInfo, ChangeBatch, SignalInfo
from busplay.errors import InputError
from busplay.formats.byte_source import ByteSource
from busplay.formats.capture_format import FormatOptions
from busplay.formats.quantities import parse_rate_hz
from busplay.formats.signal_choice import choose_signals, count_wires, signal_masks, wire_names
from busplay.formats.vcd import changes
from busplay.formats.vcd.header import read_header
from busplay.formats.vcd.ids import IdTable

BLOCK_BYTES = 1 << 18
MAX_ITEM_BYTES = 1 << 26
_SPACE = b" \t\r\n\v\f"
_LOOKED_BYTES = 1 << 16
_COMMENT = re.compile(rb"\$comment\s.*?\$end", re.DOTALL)
_TIME = re.compile(rb"(?:^|\s)#(-?)0*([0-9]{1,18})(?=\s)")


class VcdReader:
    """A value change dump.

    Args:
        source: the file.
        options: how to read it; the rate is the analyser's, which a dump has no place for.

    Raises:
        InputError: as `read_header` and `choose_signals`.
    """

    def __init__(self, source: ByteSource, options: FormatOptions) -> None:
        self._source = source
        self._header = read_header(source, options)
        variables = self._header.variables
        chosen = choose_signals(variables, options.signals, file=source.file)
        self.wire_count = count_wires(variables)
        self.signals = tuple(bit.name for bit in chosen)
        self.signal_masks = signal_masks(variables, chosen)
        count = len(self._header.ids)
        self._widths = np.zeros(count, np.int64)
        for variable in variables:
            self._widths[variable.place] = max(variable.bits, self._widths[variable.place])
        self._ids = IdTable(self._header.ids, self._widths.tolist(), file=source.file)
        self._masks = np.zeros(count, np.uint64)
        self._first_bits = np.full(count, -1, np.int64)
        # Bits of a vector that stand above all that are wanted need not be looked at.
        self._read_bits = np.zeros(count, np.int64)
        for bit in chosen:
            self._read_bits[bit.place] = max(self._read_bits[bit.place], bit.bit + 1)
        bit_masks: list[int] = []
        for place in dict.fromkeys(bit.place for bit in chosen):
            self._first_bits[place] = len(bit_masks)
            bit_masks += [0] * int(self._read_bits[place])
        for index, bit in enumerate(chosen):
            bit_masks[int(self._first_bits[bit.place]) + bit.bit] = 1 << index
            if self._widths[bit.place] == 1:
                self._masks[bit.place] = 1 << index
        self._bit_masks = np.array(bit_masks or [0], np.uint64)
        self._zero_ticks = 0 if self._header.cut_reason else self._find_zero_ticks()
        rate_hz = options.rate_hz
        if rate_hz is None and self._header.rate_text:
            rate_hz = parse_rate_hz(self._header.rate_text)
        self._info = CaptureInfo(
            file=source.file,
            format="vcd",
            compression=source.compression,
            signals=tuple(SignalInfo(one.name, one.bits, one.kind) for one in variables),
            zero_ps=self._zero_ps,
            sample_rate_hz=rate_hz,
            tick=self._header.timescale,
            written_by=self._header.written_by,
            notes=self._header.notes,
        )
        self._begin()

    @cached_property
    def wires(self) -> tuple[str, ...]:
        """Full names of all wires."""
        return wire_names(self._header.variables)

    def _find_zero_ticks(self) -> int:
        """Find how far below 0 the first time is."""
        source = self._source
        source.restart(text=True)
        source.skip(self._header.body_at)
        try:
            first = _TIME.search(_COMMENT.sub(b" ", source.head(_LOOKED_BYTES)))
        except InputError:
            return 0
        if first is None or not first.group(1):
            return 0
        # Further down, 64 bits of picoseconds would not hold it.
        zero = int(first.group(2))
        return zero if zero * self._header.timescale_ps < 1 << 62 else 0

    @property
    def _zero_ps(self) -> int:
        return -int(self._zero_ticks * self._header.timescale_ps)

    def _begin(self) -> None:
        self._counts = np.zeros(len(self._widths), np.uint64)
        self._state = np.zeros(changes.STATE_SIZE, np.uint64)
        # Nothing is known of a signal before its first value.
        self._state[changes.UNKNOWN] = (1 << len(self.signals)) - 1
        self._cut_reason = ""

    def info(self) -> CaptureInfo:
        """Return what is known so far."""
        state = self._state
        notes = list(self._info.notes)
        for place, what in ((changes.REALS, "real number"), (changes.TEXTS, "text")):
            if count := int(state[place]):
                notes.append(f"{count:,} {what}{'s' if count > 1 else ''} passed over")
        if count := int(state[changes.DUMPS_OFF]):
            times = "once" if count == 1 else f"{count:,} times"
            notes.append(f"recording was switched off {times}")
        return replace(
            self._info,
            signals=tuple(
                replace(signal, changes=int(self._counts[variable.place]))
                for signal, variable in zip(self._info.signals, self._header.variables, strict=True)
            ),
            start_ps=int(state[changes.FIRST_TIME]) + self._zero_ps,
            stop_ps=int(state[changes.TIME]) + self._zero_ps,
            complete=not self._cut_reason,
            cut_reason=self._cut_reason,
            notes=tuple(notes),
        )

    def rows(self) -> Iterator[ChangeBatch]:
        """Return all changes from the start.

        Raises:
            InputError: a word that is no value change, an id that is not declared, a time
                that goes back; with line and column, after everything before it.
        """
        self._begin()
        source, header, state = self._source, self._header, self._state
        if header.cut_reason:
            self._cut_reason = header.cut_reason
            return
        source.restart(text=True)
        source.skip(header.body_at)
        scale = header.timescale_ps
        last_tick = ((1 << 64) - 1) // scale.numerator
        # Two bytes more than are read: a space at the end of the file, and one for the
        # parser to look at.
        buffer = bytearray(BLOCK_BYTES + 2)
        filled = 0
        block_at = header.body_at
        times, levels, unknowns = (np.empty(BLOCK_BYTES // 2 + 2, np.uint64) for _ in range(3))
        ended = False
        while not ended:
            size = len(buffer) - 2
            try:
                count = source.read_into(memoryview(buffer)[filled:size])
            except InputError:
                yield from self._last_row()
                raise
            filled += count
            ended = not count
            length = filled
            if ended:
                # A last word without white space behind it may have been cut.
                buffer[filled] = 0x0A
                length += 1
            else:
                while length and buffer[length - 1] > 0x20:
                    length -= 1
            taken = 0
            if length:
                taken = changes.parse_changes(
                    np.frombuffer(buffer, np.uint8),
                    length,
                    state,
                    self._ids.wires,
                    self._ids.short,
                    self._ids.long_keys,
                    self._ids.long_places,
                    self._masks,
                    self._widths,
                    self._read_bits,
                    self._first_bits,
                    self._bit_masks,
                    self._counts,
                    np.uint64(scale.numerator),
                    np.uint64(scale.denominator),
                    np.uint64(last_tick),
                    np.uint64(self._zero_ticks),
                    times,
                    levels,
                    unknowns,
                )
                rows = int(state[changes.ROWS])
                if rows:
                    yield ChangeBatch(
                        times[:rows].copy(), levels[:rows].copy(), unknowns[:rows].copy()
                    )
            if state[changes.FAULT]:
                yield from self._last_row()
                fault_at = int(state[changes.FAULT_AT])
                if ended and self._is_cut(bytes(buffer[fault_at:filled])):
                    self._cut_reason = (
                        source.cut_reason or "it ends in the middle of a word: the file was cut off"
                    )
                    return
                raise self._fault(block_at + fault_at, bytes(buffer[fault_at : fault_at + 80]))
            if ended:
                yield from self._last_row()
                self._look_at_end(bytes(buffer[taken:filled]))
                return
            rest = filled - taken
            if rest >= size:
                if size >= MAX_ITEM_BYTES:
                    raise InputError(
                        found=f"a word of more than {MAX_ITEM_BYTES:,} bytes",
                        wanted="a value change is a value and an id",
                        file=source.file,
                        place=source.line_and_column(block_at),
                    )
                buffer += bytes(size)
                times, levels, unknowns = (np.empty(size, np.uint64) for _ in range(3))
            else:
                buffer[:rest] = buffer[taken:filled]
            block_at += taken if rest < size else 0
            filled = rest

    def _last_row(self) -> Iterator[ChangeBatch]:
        """Return the row of the last time, which nothing has closed."""
        state = self._state
        same = (
            state[changes.HAS_ROW]
            and state[changes.LEVEL] == state[changes.ROW_LEVEL]
            and state[changes.UNKNOWN] == state[changes.ROW_UNKNOWN]
        )
        if same or not (state[changes.HAS_TIME] or self._counts.any()):
            return
        places = (changes.TIME, changes.LEVEL, changes.UNKNOWN)
        time, level, unknown = (state[place : place + 1].copy() for place in places)
        state[changes.HAS_ROW] = 1
        state[changes.ROW_LEVEL], state[changes.ROW_UNKNOWN] = level[0], unknown[0]
        yield ChangeBatch(time, level, unknown)

    def _is_cut(self, rest: bytes) -> bool:
        """Return whether a fault is the file's last word, which nothing closes."""
        return bool(rest) and not any(byte <= 0x20 for byte in rest)

    def _look_at_end(self, rest: bytes) -> None:
        if self._source.cut_reason:
            self._cut_reason = self._source.cut_reason
        elif rest.strip(_SPACE):
            shown = rest.strip(_SPACE)[:40].decode("latin-1")
            self._cut_reason = f"it ends after {shown!r}, which lacks its id: the file was cut off"
        elif self._state[changes.SKIPPING]:
            self._cut_reason = "it ends in a command that lacks its $end: the file was cut off"
        elif self._state[changes.IN_DUMP]:
            self._cut_reason = "it ends in a $dump command that lacks its $end"

    def _fault(self, at: int, rest: bytes) -> InputError:
        state = self._state
        word = rest.split(maxsplit=1)[0][:40].decode("latin-1") if rest.split() else ""
        scale = self._header.timescale_ps
        fault = int(state[changes.FAULT])
        if fault == changes.TIME_BACK:
            before = Fraction(int(state[changes.TIME])) / scale
            last = -(-before.numerator // before.denominator) - self._zero_ticks
            found = f"time {word} after #{last}"
            wanted = "time never goes back; the file is damaged here"
        elif fault == changes.TIME_LONG:
            days = ((1 << 64) - 1) // 10**12 // 86_400
            found = f"time {word} of {self._header.timescale}"
            wanted = (
                f"a capture ends within {days} days; if the timescale is wrong,"
                " --in-timescale 1ns sets it"
            )
        elif fault == changes.BAD_TIME:
            found, wanted = f"{word!r}", "a time is # and digits"
        elif fault == changes.NO_ID:
            found, wanted = f"{word!r} without an id", "a value is followed by its id"
        elif fault == changes.BAD_ID:
            found = f"id {word!r}, which is not declared"
            wanted = "each id has its $var in the head; the file is damaged here"
        elif fault == changes.BAD_DIGIT:
            found, wanted = f"{word!r} in a value", "the digits of a value are 0, 1, x and z"
        else:
            found = f"{word!r}" if word else f"byte {rest[0]:02X}"
            wanted = "a value change is 0, 1, x, z, b..., r... or s... and an id"
        return InputError(
            found=found,
            wanted=f"{wanted} (--keep-going reads up to this point)",
            file=self._source.file,
            place=self._source.line_and_column(at),
        )
