"""Captures of wires that other people's analysers and simulators wrote, read alike.

    with open_capture("run3.vcd", signals=["clk", "d0", "d1"]) as capture:
        for batch in capture.batches():  # ChangeBatch: time_ps, level, unknown
            ...
    capture.info  # format, signals, times, whether it was whole

Every format gives the same columns. A reader of a format has the shape `CaptureReader`; what
all have in common (a part by time or count, going on after damage) is in `Capture` only.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from types import TracebackType
from typing import Protocol, Self

from busplay.batch import CaptureInfo, ChangeBatch
from busplay.errors import InputError
from busplay.formats.byte_source import ByteSource
from busplay.formats.capture_kind import find_kind
from busplay.formats.capture_part import PartOfRows
from busplay.formats.doubts import find_doubts
from busplay.formats.signal_choice import MAX_SIGNALS


class CaptureReader(Protocol):
    """What a format gives.

    Attributes:
        signals: names of the chosen wires.
        signal_masks: for each signal of `info()`, the bits of a batch's level that it has.
    """

    signals: tuple[str, ...]
    signal_masks: tuple[int, ...]

    @property
    def wires(self) -> tuple[str, ...]:
        """Full names of all wires that could be chosen."""

    def info(self) -> CaptureInfo:
        """Tell what is known so far."""

    def rows(self) -> Iterator[ChangeBatch]:
        """Return all changes from the start; the first row is the state at the start."""


class Capture:
    """A capture that was opened; made by `open_capture`.

    Attributes:
        signals: full names of the chosen wires; `signals[i]` is bit i of every batch.
    """

    signals: tuple[str, ...]

    def __init__(
        self,
        source: ByteSource,
        make_reader: Callable[[Sequence[str] | None], CaptureReader],
        *,
        signals: Sequence[str] | None,
        keep_going: bool,
        from_ps: int | None,
        to_ps: int | None,
        first: int | None,
    ) -> None:
        self._source = source
        self._make_reader = make_reader
        self._reader = make_reader(signals)
        self.signals = self._reader.signals
        self._takes_all = signals is None
        self._keep_going = keep_going
        self._from_ps, self._to_ps, self._first = from_ps, to_ps, first
        self._damage = ""
        self._part = self._new_part()

    @property
    def info(self) -> CaptureInfo:
        """What is known so far; counts, `stop_ps` and `complete` are final after `batches()`."""
        info = self._reader.info()
        if self._damage:
            info = replace(info, complete=False, cut_reason=self._damage)
        info = self._part.narrowed(info)
        notes = (*info.notes, *find_doubts(info))
        if self._takes_all and (count := len(self._reader.wires)) > MAX_SIGNALS:
            notes += (f"of {count:,} wires {len(self.signals)} are read at a time",)
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
        self._reader = self._make_reader(signals)
        self.signals = self._reader.signals
        self._takes_all = signals is None
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
                before it has been given. With `keep_going` the batches just end there, and
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
                if not self._keep_going:
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
            from_ps=self._from_ps,
            to_ps=self._to_ps,
            first=self._first,
            signal_masks=self._reader.signal_masks,
        )

    def close(self) -> None:
        """Close the file."""
        self._source.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


def _without_file(error: InputError) -> str:
    return re.sub(r" \(--keep-going [^)]*\)", "", str(InputError(error.message, place=error.place)))


def open_capture(
    path: str | Path,
    *,
    rate_hz: int | None = None,
    bits: str | None = None,
    timescale: str | None = None,
    signals: Sequence[str] | None = None,
    keep_going: bool = False,
    from_ps: int | None = None,
    to_ps: int | None = None,
    first: int | None = None,
) -> Capture:
    """Open a capture: VCD, CSV, a session file (.sr), or raw samples; .gz and .zst too.

    The content decides the format, then the suffix.

    Args:
        path: the file.
        rate_hz: samples in a second, for raw samples and for CSV without times; overrides
            what the file says.
        bits: for raw samples: which bits of a sample are wires, such as `0-4` or `0,2,5-7`, or
            `0-4/16` of samples of 16 bits; makes any file raw samples.
        timescale: unit of the file's times, such as `1ns`; overrides what the file says.
        signals: names of the wires wanted, in order. A name may be full (`top.bus.clk`) or
            its end, if only one signal ends so (`clk`); a bit of a vector is `data[3]`, and
            a vector's name alone stands for all its bits, lowest first. None: all wires of
            the file, or 64 of them, those that stand alone before those of vectors.
        keep_going: end quietly at damage, and say so in `info`.
        from_ps: leave out what is earlier, in the file's own time. The first row then has
            this time and the levels at it.
        to_ps: leave out this time and what is later.
        first: give at most so many rows.

    Raises:
        InputError: there is no such file, the format is not known, its head is damaged, a
            signal is not in it or not the only one of that name, or a rate is missing.
    """
    source = ByteSource(path)
    try:
        kind = find_kind(source, has_bits=bits is not None, has_rate=rate_hz is not None)

        def make_reader(signals: Sequence[str] | None) -> CaptureReader:
            if kind == "vcd":
                from busplay.formats.vcd.reader import VcdReader

                return VcdReader(
                    source,
                    timescale=timescale,
                    rate_hz=rate_hz,
                    signals=signals,
                    keep_going=keep_going,
                )
            if kind == "sr":
                from busplay.formats.samples.session import read_session

                return read_session(source, rate_hz=rate_hz, signals=signals, keep_going=keep_going)
            if kind == "raw":
                from busplay.formats.samples.raw import read_raw

                return read_raw(source, rate_hz=rate_hz, bits=bits, signals=signals)
            from busplay.formats.capture_csv.reader import CsvReader

            return CsvReader(source, rate_hz=rate_hz, timescale=timescale, signals=signals)

        return Capture(
            source,
            make_reader,
            signals=signals,
            keep_going=keep_going,
            from_ps=from_ps,
            to_ps=to_ps,
            first=first,
        )
    except BaseException:
        source.close()
        raise
