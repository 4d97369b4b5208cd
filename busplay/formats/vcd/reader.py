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

import numpy as np

from busplay.batch import CaptureInfo, ChangeBatch, UInt8Column
from busplay.errors import InputError
from busplay.formats.byte_source import ByteSource
from busplay.formats.capture_format import FormatOptions
from busplay.formats.quantities import parse_rate_hz
from busplay.formats.text_reader import RowRoom, TextReader
from busplay.formats.vcd import changes
from busplay.formats.vcd.header import read_header
from busplay.formats.vcd.ids import IdTable
from busplay.wording import counted

_SPACE = b" \t\r\n\v\f"
_LOOKED_BYTES = 1 << 16
_COMMENT = re.compile(rb"\$comment\s.*?\$end", re.DOTALL)
_TIME = re.compile(rb"(?:^|\s)#(-?)0*([0-9]{1,18})(?=\s)")


class VcdReader(TextReader):
    """A value change dump.

    Args:
        source: the file.
        options: how to read it; the rate is the analyser's, which a dump has no place for.

    Raises:
        InputError: as `read_header` and `choose_signals`.
    """

    ITEM_WANTED = "a value change is a value and an id"
    STATE = changes.STATE

    def __init__(self, source: ByteSource, options: FormatOptions) -> None:
        self._source = source
        self._header = header = read_header(source, options)
        widths = np.zeros(len(header.ids), np.int64)
        for variable in header.variables:
            widths[variable.place] = max(variable.bits, widths[variable.place])
        self._ids = IdTable(header.ids, widths.tolist(), file=source.file)
        self._zero_ticks = 0 if header.cut_reason else self._find_zero_ticks()
        rate_hz = options.rate_hz
        if rate_hz is None and header.rate_text:
            rate_hz = parse_rate_hz(header.rate_text)
        info = CaptureInfo(
            file=source.file,
            format="vcd",
            zero_ps=-int(self._zero_ticks * header.timescale_ps),
            sample_rate_hz=rate_hz,
            tick=header.timescale,
            written_by=header.written_by,
            notes=header.notes,
        )
        super().__init__(
            source,
            header.variables,
            widths,
            signals=options.signals,
            info=info,
            body_at=header.body_at,
        )

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

    def info(self) -> CaptureInfo:
        """Return what is known so far."""
        info = super().info()
        notes = list(info.notes)
        for name, what in (("reals", "real number"), ("texts", "text")):
            if count := self._kept(name):
                notes.append(f"{counted(count, what)} passed over")
        if count := self._kept("dumps_off"):
            times = "once" if count == 1 else f"{count:,} times"
            notes.append(f"recording was switched off {times}")
        return replace(info, notes=tuple(notes))

    def rows(self) -> Iterator[ChangeBatch]:
        """Return all changes from the start; none of a dump whose head was cut.

        Raises:
            InputError: a word that is no value change, an id that is not declared, a time
                that goes back; with line and column, after everything before it.
        """
        if not self._header.cut_reason:
            yield from super().rows()
            return
        self._begin()
        self._cut_reason = self._header.cut_reason

    def _whole(self, buffer: bytearray, filled: int) -> int:
        while filled and buffer[filled - 1] > 0x20:
            filled -= 1
        return filled

    def _parse(self, text: UInt8Column, length: int, room: RowRoom) -> int:
        scale, ids = self._header.timescale_ps, self._ids
        return changes.parse_changes(
            text,
            length,
            self._state,
            ids.wires,
            ids.short,
            ids.long_keys,
            ids.long_places,
            self._widths,
            *self._bits,
            self._counts,
            np.uint64(scale.numerator),
            np.uint64(scale.denominator),
            np.uint64(((1 << 64) - 1) // scale.numerator),
            np.uint64(self._zero_ticks),
            *room,
        )

    def _changes(self) -> list[int]:
        return [int(self._counts[variable.place]) for variable in self._variables]

    def _has_values(self) -> bool:
        return super()._has_values() or bool(self._counts.any())

    def _is_cut(self, rest: bytes) -> bool:
        return bool(rest) and not any(byte <= 0x20 for byte in rest)

    def _cut_at_end(self, rest: bytes) -> str:
        if word := rest.strip(_SPACE):
            shown = word[:40].decode("latin-1")
            return f"it ends after {shown!r}, which lacks its id: the file was cut off"
        if self._kept("skipping"):
            return "it ends in a command that lacks its $end: the file was cut off"
        if self._kept("in_dump"):
            return "it ends in a $dump command that lacks its $end"
        return ""

    def _fault(self, fault: int, rest: bytes) -> tuple[str, str]:
        word = rest.split(maxsplit=1)[0][:40].decode("latin-1") if rest.split() else ""
        scale = self._header.timescale_ps
        if fault == changes.TIME_BACK:
            before = Fraction(self._kept("time")) / scale
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
        return found, wanted
