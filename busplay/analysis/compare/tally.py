"""Gathers the findings of the alignment: counts all, keeps the first differences."""

from __future__ import annotations

from collections import Counter

import numpy as np
from numpy.typing import NDArray

from busplay.analysis.compare.comparison import Delays, WrongBit
from busplay.analysis.compare.frame_comparison import Differences
from busplay.analysis.compare.reordering import find_reordered
from busplay.analysis.compare.sides import Sides
from busplay.analysis.compare.streams import Kind, TimeUnit
from busplay.units import NS_PER_S

# A delay that changes all the time has no usual value, and need not fill the memory.
DELAYS_MOST = 1 << 16


class DelayTally:
    """Delays of the frames that are in both recordings, run by run."""

    def __init__(self, unit: TimeUnit, *, edges_per_second: int | None) -> None:
        self._unit: TimeUnit = unit
        self._edges_per_second = edges_per_second if unit == "edges" else None
        self._frames: Counter[int] | None = Counter()
        self._first: int | None = None
        self._last = self._least = self._most = 0
        self._longer = self._shorter = 0

    def add(self, delays: NDArray[np.int64], frames: NDArray[np.int64]) -> None:
        """Add runs: a delay each, and how many frames running had it."""
        if len(delays) == 0:
            return
        if self._first is None:
            self._first = self._last = self._least = self._most = int(delays[0])
        steps = np.diff(delays, prepend=self._last)
        self._longer += int(np.count_nonzero(steps > 0))
        self._shorter += int(np.count_nonzero(steps < 0))
        self._last = int(delays[-1])
        self._least = min(self._least, int(delays.min()))
        self._most = max(self._most, int(delays.max()))
        if self._frames is None:
            return
        different, places = np.unique(delays, return_inverse=True)
        sums = np.zeros(len(different), np.int64)
        np.add.at(sums, places, frames)
        self._frames.update(dict(zip(different.tolist(), sums.tolist(), strict=True)))
        if len(self._frames) > DELAYS_MOST:
            self._frames = None

    def result(self) -> Delays | None:
        """Return what was gathered; None if no frame was in both."""
        if self._first is None:
            return None
        usual = late = early = None
        rate = self._edges_per_second
        if self._frames:
            most = max(self._frames.values())
            usual = min(delay for delay, count in self._frames.items() if count == most)
            late = sum(count for delay, count in self._frames.items() if delay > usual)
            early = sum(count for delay, count in self._frames.items() if delay < usual)
        return Delays(
            unit=self._unit,
            first=self._first,
            first_ns=self._first * NS_PER_S // rate if rate else None,
            last=self._last,
            least=self._least,
            most=self._most,
            usual=usual,
            frames_late=late or 0,
            frames_early=early or 0,
            changes=self._longer + self._shorter,
            longer=self._longer,
            shorter=self._shorter,
        )


class DifferenceTally:
    """Differences: sorts out what is only out of order, counts, keeps the first ones.

    Args:
        sides: what is compared.
        keep: how many differences to keep.

    Attributes:
        counts: differences by kind.
        by_lane: int64[lanes]; changed frames with a wrong bit on each lane.
        lane_alone: int64[lanes]; changed frames whose bit errors are all on that lane.
        by_field: changed frames with a wrong bit in each field.
    """

    def __init__(self, sides: Sides, keep: int) -> None:
        self._sides = sides
        self._keep = keep
        self._kept: list[Differences] = []
        self._kept_rows = 0
        self._pending = Differences.empty()
        self.counts = dict.fromkeys(Kind, 0)
        self._lane_masks = [np.uint64(sides.lane_mask(lane)) for lane in range(sides.lanes)]
        self._field_masks = {name: np.uint64(sides.field_mask(name)) for name in sides.field_names}
        self._ones_lost = np.zeros(len(sides.bits), np.int64)
        self._zeros_lost = np.zeros(len(sides.bits), np.int64)
        self.by_lane = np.zeros(sides.lanes, np.int64)
        self.lane_alone = np.zeros(sides.lanes, np.int64)
        self.by_field = dict.fromkeys(sides.field_names, 0)

    def add(self, rows: Differences, *, final: bool = False) -> None:
        """Add differences as the alignment finds them; `final`: these are the last."""
        sorted_out = rows if self._sides.same_run else self._reordered(rows, final=final)
        self._count(sorted_out)
        room = self._keep - self._kept_rows
        if room > 0 and len(sorted_out):
            self._kept.append(sorted_out.select(slice(room)))
            self._kept_rows += len(self._kept[-1])

    def _reordered(self, rows: Differences, *, final: bool) -> Differences:
        """Sort out frames that are only out of order; what is not decided yet is kept back."""
        pending = Differences.join([self._pending, rows])
        if len(pending) == 0:
            return pending
        room = 2 * len(pending)
        kind = np.empty(room, np.uint8)
        expected_row, actual_row = np.empty(room, np.int64), np.empty(room, np.int64)
        done, filled = find_reordered(
            pending.position,
            pending.kind,
            pending.expected_word,
            pending.actual_word,
            self._sides.rules.content,
            final,
            kind,
            expected_row,
            actual_row,
            np.full(len(pending), -1, np.int64),
            np.zeros(len(pending), np.bool_),
        )
        self._pending = pending.select(slice(done, None))
        return _put_together(pending, kind[:filled], expected_row[:filled], actual_row[:filled])

    def _count(self, rows: Differences) -> None:
        for kind in Kind:
            self.counts[kind] += int(np.count_nonzero(rows.kind == kind))
        changed = rows.of_kind(Kind.CHANGED)
        flipped = changed.flipped
        if len(changed) == 0:
            return
        for place, bit in enumerate(self._sides.bits):
            if bit is None:
                continue
            mask = np.uint64(1 << place)
            wrong = (flipped & mask) != 0
            reads_one = (changed.actual_word & mask) != 0
            self._zeros_lost[place] += np.count_nonzero(wrong & reads_one)
            self._ones_lost[place] += np.count_nonzero(wrong & ~reads_one)
        for lane, mask in enumerate(self._lane_masks):
            touched = (flipped & mask) != 0
            self.by_lane[lane] += np.count_nonzero(touched)
            self.lane_alone[lane] += np.count_nonzero(touched & ((flipped & ~mask) == 0))
        for name, mask in self._field_masks.items():
            self.by_field[name] += int(np.count_nonzero(flipped & mask))

    def differences(self) -> Differences:
        """Return the differences that were kept."""
        return Differences.join(self._kept)

    def wrong_bits(self) -> tuple[WrongBit, ...]:
        """Return the bits that changed frames have wrong."""
        counts = zip(self._ones_lost.tolist(), self._zeros_lost.tolist(), strict=True)
        return tuple(
            WrongBit(bit.field, bit.bit, bit.symbol, bit.lane, *lost)
            for bit, lost in zip(self._sides.bits, counts, strict=True)
            if bit is not None and any(lost)
        )


def _put_together(
    rows: Differences,
    kind: NDArray[np.uint8],
    expected_row: NDArray[np.int64],
    actual_row: NDArray[np.int64],
) -> Differences:
    """Make rows whose expected and actual halves come from the rows named; -1 is none."""
    if len(kind) == 0:
        return Differences.empty()
    has_expected, has_actual = expected_row >= 0, actual_row >= 0
    nothing = np.uint64(0)
    changed = kind == Kind.CHANGED
    return Differences(
        kind=kind,
        expected_index=np.where(has_expected, rows.expected_index[expected_row], -1),
        actual_index=np.where(has_actual, rows.actual_index[actual_row], -1),
        position=np.where(has_expected, rows.position[expected_row], rows.position[actual_row]),
        expected_edge=np.where(has_expected, rows.expected_edge[expected_row], nothing),
        actual_edge=np.where(has_actual, rows.actual_edge[actual_row], nothing),
        expected_word=np.where(has_expected, rows.expected_word[expected_row], nothing),
        actual_word=np.where(has_actual, rows.actual_word[actual_row], nothing),
        flipped=np.where(changed, rows.flipped[expected_row], nothing),
    )
