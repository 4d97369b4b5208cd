"""Captures of wires, from any analyser or simulator, read in one way.

    with open_capture("run3.vcd", signals=["clk", "d0", "d1"]) as capture:
        for batch in capture.batches():  # ChangeBatch: time_ps, level, unknown
            ...
    capture.info  # format, signals, times, whether it was whole

Every format gives the same columns. Formats are in `capture_format`; what all have in common
(a part by time or count, reading on after damage) is in `Capture` only.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Self, TypedDict, Unpack

from busplay.batch import CaptureInfo, ChangeBatch
from busplay.errors import InputError
from busplay.formats.byte_source import ByteSource
from busplay.formats.capture_format import (
    VECTOR_BITS_MOST,
    CaptureFormat,
    FormatOptions,
    find_format,
)
from busplay.formats.capture_part import PartOfRows
from busplay.formats.doubts import find_doubts
from busplay.formats.signal_choice import MAX_SIGNALS


class ReadOptions(TypedDict, total=False):
    """How a capture is read, and which part of it; each may be left out.

    Attributes:
        rate_hz: samples in a second, for raw samples and for CSV without times; overrides
            what the file says.
        bits: for raw samples: which bits of a sample are wires, such as `0-4` or `0,2,5-7`, or
            `0-4/16` of samples of 16 bits; makes any file raw samples.
        timescale: unit of the file's times, such as `1ns`; overrides what the file says.
        keep_going: end quietly at damage, and say so in `info`.
        from_ps: leave out what is earlier, in the file's own time. The first row then has
            this time and the levels at it.
        to_ps: leave out this time and what is later.
        max_changes: return at most this many rows.
        max_unpacked_bytes: unpack at most this many bytes, and take vectors of as many bits; None:
            what `ByteSource` and `VECTOR_BITS_MOST` allow.
    """

    rate_hz: int | None
    bits: str | None
    timescale: str | None
    keep_going: bool
    from_ps: int | None
    to_ps: int | None
    max_changes: int | None
    max_unpacked_bytes: int | None


class Capture:
    """A capture that was opened; made by `open_capture`.

    Attributes:
        signals: full names of the chosen wires; `signals[i]` is bit i of every batch.
    """

    signals: tuple[str, ...]

    def __init__(
        self,
        source: ByteSource,
        capture_format: CaptureFormat,
        options: FormatOptions,
        reading: ReadOptions,
    ) -> None:
        self._source = source
        self._format = capture_format
        self._options = options
        self._reading = reading
        self.choose(options.signals)

    @property
    def info(self) -> CaptureInfo:
        """What is known so far; counts, `stop_ps` and `complete` are final after `batches()`."""
        info = self._reader.info()
        if self._damage:
            info = replace(info, complete=False, cut_reason=self._damage)
        info = self._part.narrowed(info)
        notes = (*info.notes, *find_doubts(info))
        if self._options.signals is None:
            count = self._reader.wire_count
            if count > MAX_SIGNALS:
                some = len(self.signals)
                verb = "is" if some == 1 else "are"
                notes += (f"{some} of {count:,} wires {verb} read at a time",)
        return replace(info, notes=notes)

    @property
    def wires(self) -> tuple[str, ...]:
        """Full names of all wires of the file, chosen or not; a wire with two names has its first.

        Not more than 64 can be chosen, so a large dump has wires that are not in `signals`.
        """
        return self._reader.wires

    def choose(self, signals: Sequence[str] | None) -> None:
        """Choose other wires for the next `batches()`.

        Args:
            signals: as for `open_capture`.

        Raises:
            InputError: as `open_capture`; the wires chosen before stay so.
        """
        options = replace(self._options, signals=signals)
        self._reader = self._format.open(self._source, options)
        self._options = options
        self.signals = self._reader.signals
        self._damage = ""
        self._part = self._new_part()

    @property
    def bytes_total(self) -> int:
        """Length of the file on disk, compressed or not."""
        return self._source.bytes_total

    @property
    def bytes_read(self) -> int:
        """How far the last `batches()` has come in the file, for a progress bar."""
        return self._source.bytes_read

    def batches(self) -> Iterator[ChangeBatch]:
        """Return the changes from the start, in batches of bounded size; may be called again.

        Raises:
            InputError: the file is damaged, with line and column (or byte); every change
                before it has been returned. With `keep_going` the batches just end there, and
                `info` says so. A file that was cut off is no damage: the batches end with
                it, and `info` says so.
        """
        self._damage = ""
        self._part = self._new_part()
        rows = self._reader.rows()
        while not self._part.is_full:
            try:
                batch = next(rows, None)
            except InputError as error:
                if not self._options.keep_going:
                    yield from self._part.rest(self._reader.info())
                    raise
                self._damage = _without_file(error)
                break
            if batch is None:
                break
            yield from self._part.take(batch, self._reader.info)
        yield from self._part.rest(self._reader.info())

    def _new_part(self) -> PartOfRows:
        return PartOfRows(
            from_ps=self._reading.get("from_ps"),
            to_ps=self._reading.get("to_ps"),
            rows_most=self._reading.get("max_changes"),
            signal_masks=self._reader.signal_masks,
        )

    def close(self) -> None:
        """Close the file."""
        self._source.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def _without_file(error: InputError) -> str:
    return re.sub(r" \(--keep-going [^)]*\)", "", str(InputError(error.message, place=error.place)))


def open_capture(
    path: str | Path, *, signals: Sequence[str] | None = None, **reading: Unpack[ReadOptions]
) -> Capture:
    """Open a capture: VCD, CSV, a session file (.sr), or raw samples; .gz and .zst too.

    The content decides the format, then the suffix.

    Args:
        path: the file.
        signals: names of the wires wanted, in order. A name may be full (`top.bus.clk`) or
            its end, if only one signal ends so (`clk`); a bit of a vector is `data[3]`, and
            a vector's name alone stands for all its bits, lowest first. None: all wires of
            the file, or 64 of them, those that stand alone before those of vectors.
        reading: how to read it, and which part.

    Raises:
        InputError: there is no such file, it is a pipe, the format is not known, its head is
            damaged, a signal is not in it or not the only one of that name, or a rate is
            missing.
    """
    unknown = reading.keys() - ReadOptions.__annotations__.keys()
    if unknown:
        raise TypeError(f"open_capture has no option {', '.join(sorted(unknown))}")
    allowed = reading.get("max_unpacked_bytes")
    source = ByteSource(path, max_unpacked_bytes=allowed)
    try:
        options = FormatOptions(
            rate_hz=reading.get("rate_hz"),
            bits=reading.get("bits"),
            timescale=reading.get("timescale"),
            signals=signals,
            keep_going=reading.get("keep_going", False),
            vector_bits_most=max(VECTOR_BITS_MOST, allowed or 0),
        )
        return Capture(source, find_format(source, options), options, reading)
    except BaseException:
        source.close()
        raise
