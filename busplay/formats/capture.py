"""Captures of wires that other people's analysers and simulators wrote, read alike.

    with open_capture("run3.vcd", signals=["clk", "d0", "d1"]) as capture:
        for batch in capture.batches():  # ChangeBatch: time_ps, level, unknown
            ...
    capture.info  # format, signals, times, whether it was whole

Every format gives the same columns. A reader module per format has a class with the protocol
`CaptureReader`; what all have in common (a part by time or count, going on after damage) is
here and only here.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from types import TracebackType
from typing import Self

from busplay.batch import CaptureInfo, ChangeBatch

MAX_SIGNALS = 64
"""Wires that one batch can hold."""


class Capture:
    """A capture that was opened; made by `open_capture`.

    Attributes:
        signals: full names of the chosen wires; `signals[i]` is bit i of every batch.
    """

    signals: tuple[str, ...]

    @property
    def info(self) -> CaptureInfo:
        """What is known so far; counts, `stop_ps` and `complete` are final after `batches()`."""
        raise NotImplementedError

    @property
    def bytes_total(self) -> int:
        """Length of the file on disk, compressed or not."""
        raise NotImplementedError

    @property
    def bytes_read(self) -> int:
        """How far the last `batches()` has come in the file, for a progress bar."""
        raise NotImplementedError

    def batches(self) -> Iterator[ChangeBatch]:
        """Give the changes from the start, in batches of bounded size; may be called again.

        Raises:
            InputError: the file is damaged, with line and column (or byte); every change
                before it has been given. With `keep_going` the batches just end there, and
                `info` says so.
        """
        raise NotImplementedError

    def close(self) -> None:
        """Close the file."""

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


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
        bits: for raw samples: which bits of a sample are wires, such as `0-4` or `0,2,5-7`;
            makes any file raw samples.
        timescale: unit of the file's times, such as `1ns`; overrides what the file says.
        signals: names of the wires wanted, in order. A name may be full (`top.bus.clk`) or
            its end, if only one signal ends so (`clk`); a bit of a vector is `data[3]`, and
            a vector's name alone stands for all its bits, lowest first. None: all wires of
            the file, or the first 64.
        keep_going: end quietly at damage, and say so in `info`.
        from_ps: leave out what is earlier, in the file's own time. The first row then has
            this time and the levels at it.
        to_ps: leave out this time and what is later.
        first: give at most so many rows.

    Raises:
        InputError: there is no such file, the format is not known, its head is damaged, a
            signal is not in it or not the only one of that name, or a rate is missing.
    """
    raise NotImplementedError
