"""Write value change dumps: wires, and texts that a waveform viewer shows along with them."""

# Follows: IEEE 1364-2001, clause 18.2; texts as `$var string`, which viewers read though the
#   standard has none, with blanks escaped as \x20
# Read in: files of other writers; the standard itself from memory

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import BinaryIO

import numpy as np

from busplay.batch import ChangeBatch, Int64Column, UInt64Column
from busplay.formats.signal_choice import MAX_SIGNALS
from busplay.formats.writing import text_rows

ROWS_AT_ONCE = 1 << 13
_TIMESCALES = {
    10 ** (3 * step + power): f"{10**power} {unit}"
    for step, unit in enumerate(("ps", "ns", "us", "ms", "s"))
    for power in range(3)
    if 3 * step + power <= 12
}
_FIRST_ID, _IDS = 33, 94
_ESCAPES = {code: f"\\x{code:02x}" for code in (*range(33), 127)} | {ord("\\"): "\\\\"}


@dataclass(frozen=True, slots=True, eq=False)
class TextBatch:
    """Texts that variables of their own take on.

    Attributes:
        time_ps: uint64[texts], never falling.
        place: int64[texts]; which of the writer's text variables.
        text: the texts; blanks and control characters are escaped by the writer.
    """

    time_ps: UInt64Column
    place: Int64Column
    text: Sequence[str]

    def __post_init__(self) -> None:
        if not len(self.time_ps) == len(self.place) == len(self.text):
            raise ValueError("columns of one batch of texts differ in length")

    @classmethod
    def empty(cls) -> TextBatch:
        """Make a batch of no texts."""
        return cls(np.empty(0, np.uint64), np.empty(0, np.int64), ())


class VcdWriter:
    """A value change dump that grows as rows come.

    Args:
        stream: binary, for writing.
        wires: names of the wires; bit i of a batch is `wires[i]`.
        texts: names of text variables.
        scope: module in which all of them are declared.
        tick_ps: unit of the times: 1, 10, 100, ... 10^12. Times are rounded down to it. Some
            readers turn every tick into a sample, so the coarsest that fits serves them best.
        comment: for readers; a line, `$` is written as it is.

    Raises:
        ValueError: there are more than 64 wires, or a name is empty or has white space.
    """

    def __init__(
        self,
        stream: BinaryIO,
        *,
        wires: Sequence[str],
        texts: Sequence[str] = (),
        scope: str = "link",
        tick_ps: int = 1,
        comment: str = "",
    ) -> None:
        if len(wires) > MAX_SIGNALS:
            raise ValueError(f"{len(wires)} wires; a dump is written from {MAX_SIGNALS} at most")
        for name in (*wires, *texts, scope):
            if not name or any(character.isspace() for character in name):
                raise ValueError(f"{name!r} is no name of a variable: it is empty or has blanks")
        if tick_ps not in _TIMESCALES:
            raise ValueError(f"tick_ps is {tick_ps}; it must be 1, 10, 100, ... or 10^12")
        self._stream = stream
        self._tick_ps = tick_ps
        self._wires, self._texts = len(wires), len(texts)
        self._state = np.zeros(text_rows.STATE_SIZE, np.uint64)
        self._ids = np.zeros(2 * (len(wires) + len(texts)), np.uint8)
        lines = ["$version busplay $end"]
        if comment:
            lines.append(f"$comment {' '.join(comment.replace('$end', '').split())} $end")
        lines += [f"$timescale {_TIMESCALES[tick_ps]} $end", f"$scope module {scope} $end"]
        for number, name in enumerate((*wires, *texts)):
            code = _id_code(number)
            self._ids[2 * number : 2 * number + len(code)] = list(code)
            kind = "wire" if number < len(wires) else "string"
            lines.append(f"$var {kind} 1 {code.decode('ascii')} {name} $end")
        lines += ["$upscope $end", "$enddefinitions $end", ""]
        stream.write("\n".join(lines).encode("utf-8"))

    def write(self, changes: ChangeBatch, texts: TextBatch | None = None) -> None:
        """Write rows, and texts in the same stretch of time.

        Args:
            changes: later than what was written.
            texts: none is earlier than what was written; one at the time of a row stands
                behind it.

        Raises:
            ValueError: a time goes back, or a text is for a variable that does not exist.
            OSError: as the stream's `write`.
        """
        texts = texts if texts is not None else TextBatch.empty()
        self._require_order(changes.time_ps, texts.time_ps)
        if len(texts.place) and not 0 <= texts.place.min() <= texts.place.max() < self._texts:
            raise ValueError(f"there are {self._texts} text variables, not {texts.place.max() + 1}")
        done = 0
        for first in range(0, max(1, len(changes)), ROWS_AT_ONCE):
            rows = changes[first : first + ROWS_AT_ONCE]
            stop = len(texts.time_ps)
            if first + ROWS_AT_ONCE < len(changes):
                stop = int(np.searchsorted(texts.time_ps, rows.time_ps[-1]))
            self._put(rows, texts, done, stop)
            done = stop

    def _put(self, rows: ChangeBatch, texts: TextBatch, first: int, stop: int) -> None:
        encoded = [text.translate(_ESCAPES).encode("utf-8") for text in texts.text[first:stop]]
        text_first = np.zeros(len(encoded) + 1, np.int64)
        np.cumsum([len(text) for text in encoded], out=text_first[1:])
        blob = np.frombuffer(b"".join(encoded) or b"\0", np.uint8)
        size = len(rows) * (text_rows.MAX_DIGITS + 2 + 4 * self._wires)
        size += len(encoded) * (text_rows.MAX_DIGITS + 8) + len(blob)
        out = np.empty(size, np.uint8)
        count = text_rows.put_changes(
            rows.time_ps,
            rows.level,
            rows.unknown,
            texts.time_ps[first:stop],
            texts.place[first:stop],
            text_first,
            blob,
            self._ids,
            self._wires,
            np.uint64(self._tick_ps),
            self._state,
            out,
        )
        self._stream.write(out[:count].tobytes())

    def close(self, *, stop_ps: int | None = None) -> None:
        """End the dump at a time; the stream stays open.

        Raises:
            ValueError: the time is before the last row.
        """
        if stop_ps is None:
            return
        last = int(self._state[text_rows.TIME])
        stop = stop_ps // self._tick_ps
        has_time = bool(self._state[text_rows.HAS_TIME])
        if has_time and stop < last:
            last_ps = last * self._tick_ps
            raise ValueError(f"the dump has rows up to {last_ps} ps and cannot end at {stop_ps}")
        if stop != last or not has_time:
            self._stream.write(b"#%d\n" % stop)

    def _require_order(self, *columns: UInt64Column) -> None:
        last_ps = self._state[text_rows.TIME] * np.uint64(self._tick_ps)
        for column in columns:
            if len(column) and (column[0] < last_ps or (column[1:] < column[:-1]).any()):
                raise ValueError("times go back; write rows and texts in their order")


def _id_code(number: int) -> bytes:
    """Return the id of a variable: one printable character, then two."""
    if number < _IDS:
        return bytes([_FIRST_ID + number])
    high, low = divmod(number - _IDS, _IDS)
    if high >= _IDS:
        raise ValueError(f"{number + 1} variables; a dump is written with {_IDS + _IDS**2} at most")
    return bytes([_FIRST_ID + high, _FIRST_ID + low])
