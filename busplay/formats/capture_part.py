"""A part of a capture: from a time, to a time, up to a number of rows."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace

import numpy as np

from busplay.batch import CaptureInfo, ChangeBatch
from busplay.formats.change_counts import count_changes, least_gap


class PartOfRows:
    """The rows of a part of a capture, taken from all rows once.

    Args:
        from_ps: first time, in the file's own time; None: its start.
        to_ps: time at which the part ends.
        rows_most: rows at most.
        signal_masks: bits of the level that each of the capture's signals has.
    """

    def __init__(
        self,
        *,
        from_ps: int | None,
        to_ps: int | None,
        rows_most: int | None,
        signal_masks: Sequence[int],
    ) -> None:
        self._from_ps, self._to_ps = from_ps, to_ps
        self._left = rows_most
        self._before: ChangeBatch | None = None
        self._has_begun = False
        self._last_ps: int | None = None
        self._least_gap_ps: int | None = None
        self.is_full = rows_most is not None and rows_most <= 0
        self._is_all = from_ps is None and to_ps is None and rows_most is None
        self._counted = [index for index, mask in enumerate(signal_masks) if mask]
        self._masks = np.array([signal_masks[index] for index in self._counted], np.uint64)
        self._counts = np.zeros(len(self._masks), np.uint64)
        self._last: ChangeBatch | None = None
        self._zero_ps: int | None = None

    def take(self, batch: ChangeBatch, info: Callable[[], CaptureInfo]) -> Iterator[ChangeBatch]:
        """Return what belongs to the part; `info` has where the file's time begins."""
        if self._zero_ps is None:
            # Known from the start on, and `info` takes its time where there are many signals.
            has_times = (self._from_ps, self._to_ps) != (None, None)
            self._zero_ps = info().zero_ps if has_times else 0
        zero_ps = self._zero_ps
        if self._to_ps is not None and len(batch):
            stop = _place(batch, self._to_ps - zero_ps)
            if stop < len(batch):
                self.is_full = True
                batch = batch[:stop]
        if self._from_ps is not None and not self._has_begun and len(batch):
            from_ps = self._from_ps - zero_ps
            place = _place(batch, from_ps)
            if place:
                self._before = batch[place - 1 : place]
            batch = batch[place:]
            if not len(batch):
                return
            if self._before is not None and int(batch.time_ps[0]) != from_ps:
                yield from self._give(_moved(self._before, from_ps))
        yield from self._give(batch)

    def rest(self, info: CaptureInfo) -> Iterator[ChangeBatch]:
        """Return the state at the start of a part in which nothing changes."""
        if self._from_ps is None or self._has_begun or self._before is None:
            return
        if self._to_ps is not None and self._to_ps <= self._from_ps:
            return
        if self._from_ps <= info.stop_ps or self.is_full:
            yield from self._give(_moved(self._before, self._from_ps - info.zero_ps))

    def _give(self, batch: ChangeBatch) -> Iterator[ChangeBatch]:
        if self._left is not None:
            batch = batch[: self._left]
            self._left -= len(batch)
            self.is_full = self.is_full or not self._left
        if len(batch):
            self._has_begun = True
            self._measure(batch)
            yield batch

    def _measure(self, batch: ChangeBatch) -> None:
        time_ps = batch.time_ps
        gaps = [int(least_gap(time_ps))] if len(time_ps) > 1 else []
        if self._last_ps is not None:
            gaps.append(int(time_ps[0]) - self._last_ps)
        self._last_ps = int(time_ps[-1])
        if not self._is_all:
            last = self._last or batch[:1]
            if self._last is None:
                self._counts += np.uint64(1)
            count_changes(
                batch.level,
                batch.unknown,
                last.level[0],
                last.unknown[0],
                self._masks,
                self._counts,
            )
            self._last = batch[-1:]
        if gaps:
            least = min(gaps)
            self._least_gap_ps = (
                least if self._least_gap_ps is None else min(least, self._least_gap_ps)
            )

    def narrowed(self, info: CaptureInfo) -> CaptureInfo:
        """Narrow what is known of the whole to the part."""
        start_ps, stop_ps = info.start_ps, info.stop_ps
        if self._from_ps is not None:
            start_ps = max(start_ps, self._from_ps)
        if self._to_ps is not None:
            stop_ps = min(stop_ps, self._to_ps)
        if self._left == 0 and self._last_ps is not None:
            stop_ps = min(stop_ps, self._last_ps + info.zero_ps)
        signals = info.signals
        if not self._is_all:
            counts = dict(zip(self._counted, self._counts.tolist(), strict=True))
            signals = tuple(
                replace(signal, changes=counts.get(index, 0))
                for index, signal in enumerate(signals)
            )
        return replace(
            info,
            signals=signals,
            start_ps=start_ps,
            stop_ps=max(start_ps, stop_ps),
            least_gap_ps=self._least_gap_ps or 0,
        )


def _place(batch: ChangeBatch, time_ps: int) -> int:
    if time_ps <= 0:
        return 0
    return int(np.searchsorted(batch.time_ps, np.uint64(min(time_ps, (1 << 64) - 1))))


def _moved(row: ChangeBatch, time_ps: int) -> ChangeBatch:
    return ChangeBatch(np.array([max(0, time_ps)], np.uint64), row.level, row.unknown)
