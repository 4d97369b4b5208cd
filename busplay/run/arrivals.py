"""The edges at which the frames of a received trace were found.

A recorder of arrivals moves a frame found off the slot grid to a slot, so that the trace plays. The
trace's summary has the shifts; with them `compare` pairs frames as the accounts do.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from busplay.batch import FrameBatch
from busplay.trace.reader import TraceReader


class Shifts:
    """By how many edges the frames of a received trace stand later than they were found.

    In the trace's summary `shift_of_frame_N` applies from frame N on; `shifts_left_out` says that
    there were too many changes for it.
    """

    CHANGES_MAX = 1_000
    PREFIX = "shift_of_frame_"

    def __init__(self) -> None:
        self._frames = 0
        self._last = 0
        self._figures: dict[str, int] = {}
        self._left_out = 0

    def add(self, shifts: NDArray[np.int64]) -> None:
        """Append the shifts of further frames."""
        for row in np.flatnonzero(np.diff(shifts, prepend=self._last)).tolist():
            if len(self._figures) < self.CHANGES_MAX:
                self._figures[f"{self.PREFIX}{self._frames + row}"] = int(shifts[row])
            else:
                self._left_out += 1
        if len(shifts):
            self._last = int(shifts[-1])
        self._frames += len(shifts)

    def as_figures(self) -> dict[str, int]:
        """Return the shifts as figures of the summary."""
        return self._figures | ({"shifts_left_out": self._left_out} if self._left_out else {})


def edges_found(reader: TraceReader, *, sent_frames: int) -> Iterator[FrameBatch] | None:
    """Return a received trace's frames at the edges at which they were found.

    Args:
        reader: of the trace.
        sent_frames: count of frames in the trace of what was sent.

    Returns:
        None if the trace is not a recording of what arrived of that many frames.
    """
    noted = reader.summary()
    if noted.get("frames_sent") != sent_frames or "shifts_left_out" in noted:
        return None
    prefix = Shifts.PREFIX
    changes = sorted(
        (int(name.removeprefix(prefix)), shift)
        for name, shift in noted.items()
        if name.startswith(prefix) and name.removeprefix(prefix).isdigit()
    )
    if noted.get("frames_moved") and not changes:
        return None
    return _shifted_back(reader, changes)


def _shifted_back(reader: TraceReader, changes: list[tuple[int, int]]) -> Iterator[FrameBatch]:
    first_of = np.array([0, *(first for first, _ in changes)], np.int64)
    shift_of = np.array([0, *(shift for _, shift in changes)], np.int64)
    first = 0
    for batch in reader.chunks():
        numbers = np.arange(first, first + len(batch))
        shift = shift_of[np.searchsorted(first_of, numbers, side="right") - 1]
        edge = np.maximum(batch.edge.astype(np.int64) - shift, 0)
        yield FrameBatch(edge.astype(np.uint64), batch.word)
        first += len(batch)
