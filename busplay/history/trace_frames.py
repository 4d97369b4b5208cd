"""The frames of a trace by their numbers."""

from __future__ import annotations

import numpy as np

from busplay.batch import FrameBatch
from busplay.trace.reader import TraceReader


class TraceFrames:
    """The frames of a trace, by number; one that grows may have dropped its beginning.

    Args:
        reader: the trace, which must stay open.

    Attributes:
        reader: the trace as it is now.
        first_frame: number of the first frame that the trace has.
        frames: number behind the last frame, the moment at the trace's end.
    """

    def __init__(self, reader: TraceReader) -> None:
        self._go_on_in(reader)

    def _go_on_in(self, reader: TraceReader) -> None:
        """Take the same trace as it is now."""
        self.reader = reader
        self.frames = reader.frames
        self._before = reader.frames_before.astype(np.int64)
        self.first_frame = int(self._before[0])

    def batch(self, first: int, stop: int) -> FrameBatch:
        """Return frames by their numbers; those that the trace does not have are left out.

        Raises:
            InputError: a chunk is damaged.
        """
        first, stop = max(self.first_frame, first), min(stop, self.frames)
        parts = []
        while first < stop:
            number = int(np.searchsorted(self._before, first, side="right")) - 1
            frames = self.reader.frame_chunk(number).frames
            begin = int(self._before[number])
            parts.append(frames.between(first - begin, min(stop - begin, len(frames))))
            first = begin + len(frames)
        return FrameBatch.joined(parts)

    def frame(self, number: int) -> FrameBatch:
        """Return one frame.

        Raises:
            InputError: the trace is damaged there.
            ValueError: the trace has no such frame.
        """
        if not self.first_frame <= number < self.frames:
            raise ValueError(f"frame {number}: the trace has {self.first_frame} to {self.frames}")
        return self.batch(number, number + 1)

    def edge_of_frame(self, frame: int) -> int:
        """Return the link edge at which a frame starts; errors as for `frame`."""
        return int(self.frame(frame).edge[0])

    def word_of_frame(self, frame: int) -> int:
        """Return the word of a frame as sent; errors as for `frame`."""
        return int(self.frame(frame).word[0])

    def frame_at_edge(self, edge: int) -> int:
        """Return the count of frames that start before a link edge.

        Raises:
            InputError: the trace is damaged there.
        """
        return self.reader.frames_before_edge(edge)
