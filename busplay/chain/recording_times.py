"""Times of a recording: of a trace since the processor's cycle 0, of a capture in its own time."""

from __future__ import annotations

import numpy as np

from busplay.conversion.decode import DecodedCapture
from busplay.errors import InputError
from busplay.history.history import History
from busplay.units import PS_PER_S


class RecordingTimes:
    """When the frames of a recording went over the link.

    Args:
        history: of the trace.
        decoded: the capture that the trace was decoded from, or None.
    """

    def __init__(self, history: History, decoded: DecodedCapture | None) -> None:
        self._history = history
        self._decoded = decoded

    def moment_at(self, at_ps: int | None) -> int:
        """Return how many frames count at a time; None: all.

        Raises:
            InputError: the time lies outside the recording.
        """
        history = self._history
        if at_ps is None:
            return history.frames
        if self._decoded is not None:
            return self._moment_in_capture(self._decoded, at_ps)
        clock_hz, cycles = history.board.clock_hz, history.reader.cycles
        if at_ps * clock_hz > cycles * PS_PER_S:
            raise InputError(
                file=str(history.reader.path),
                place="--at",
                found=f"{at_ps / PS_PER_S:g} s",
                wanted=f"the recording ends at {cycles / clock_hz:.6f} s",
            )
        return history.frame_at_cycle(at_ps * clock_hz // PS_PER_S)

    def edge_at(self, at_ps: int | None) -> int | None:
        """Return the link edge of a time within the recording; None: not known, or the end.

        Refreshes count up to there, as frames do for `moment_at`.
        """
        if at_ps is None or self._decoded is not None:
            return None
        return self._history.start_edge(at_ps * self._history.board.clock_hz // PS_PER_S)

    def _moment_in_capture(self, decoded: DecodedCapture, at_ps: int) -> int:
        health, edges = decoded.health, decoded.edges
        assert edges is not None
        if not health.start_ps <= at_ps <= health.stop_ps:
            raise InputError(
                file=health.file,
                place="--at",
                found=f"{at_ps / PS_PER_S:g} s",
                wanted=f"the capture reaches from {health.start_ps / PS_PER_S:.6f} s"
                f" to {health.stop_ps / PS_PER_S:.6f} s",
            )
        low, high = 0, self._history.frames
        while low < high:
            middle = (low + high) // 2
            if self.time_ps(self._history.edge_of_frame(middle)) + edges.frame_ps <= at_ps:
                low = middle + 1
            else:
                high = middle
        return low

    def time_ps(self, edge: int) -> int:
        """Return when a link edge was, in the capture's own time."""
        assert self._decoded is not None
        edges = self._decoded.edges
        assert edges is not None
        return int(edges.times.at(np.array([edge], np.int64))[0])

    def time_s(self, edge: int) -> float | None:
        """Return when a link edge was, in seconds; None: no clock is known."""
        if self._decoded is not None:
            return self.time_ps(edge) / PS_PER_S
        header = self._history.reader.header
        rate = header.edges_per_second
        return None if not rate else (edge - header.edge_at(0)) / rate

    def seconds_of(self, at_ps: int | None) -> float:
        """Return a moment in seconds; None: the end of the recording."""
        if at_ps is not None:
            return at_ps / PS_PER_S
        if self._decoded is not None:
            return self._decoded.health.stop_ps / PS_PER_S
        return self._history.reader.cycles / self._history.board.clock_hz
