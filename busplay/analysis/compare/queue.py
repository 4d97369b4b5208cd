"""One recording's frames on their way into the alignment: a window that moves along."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

import numpy as np

from busplay.batch import FrameBatch
from busplay.errors import InputError

# Batches of any size are taken in pieces, so that the window stays as small as it is meant to.
PIECE_FRAMES = 1 << 16


class FrameQueue:
    """Frames that the alignment has not used up.

    Args:
        batches: frames in order.
        prepare: returns the frames to compare and how many idle ones were left out.
        name: of the recording, for messages.

    Attributes:
        frames: those in the window.
        first_index: number of the window's first frame in its recording.
        taken: frames that came in so far, idle ones not counted.
        idle: idle ones that were left out.
        last_edge: of the latest frame.
        ended: nothing follows the window.
    """

    def __init__(
        self,
        batches: Iterable[FrameBatch],
        prepare: Callable[[FrameBatch], tuple[FrameBatch, int]],
        *,
        name: str,
    ) -> None:
        self.frames = FrameBatch.empty()
        self.first_index = self.taken = self.idle = self.last_edge = 0
        self.ended = False
        self._pieces = _pieces(batches)
        self._prepare = prepare
        self._name = name

    def __len__(self) -> int:
        return len(self.frames)

    def drop(self, count: int) -> None:
        """Move the window over frames that are used up."""
        self.first_index += count
        self.frames = FrameBatch(self.frames.edge[count:], self.frames.word[count:])

    def fill(self, wanted: int) -> None:
        """Take frames in until the window has that many, or all there are.

        Raises:
            InputError: edges fall.
        """
        came: list[FrameBatch] = []
        have = len(self.frames)
        while have < wanted and not self.ended:
            piece = next(self._pieces, None)
            if piece is None:
                self.ended = True
                break
            if len(piece) == 0:
                continue
            falls = piece.edge[1:] < piece.edge[:-1]
            if int(piece.edge[0]) < self.last_edge or falls.any():
                raise InputError(
                    file=self._name,
                    found=f"a frame that starts before the one before it, near edge"
                    f" {int(piece.edge[0]):,}",
                    wanted="frames in the order of time",
                )
            self.last_edge = int(piece.edge[-1])
            kept, idle = self._prepare(piece)
            self.idle += idle
            have += len(kept)
            self.taken += len(kept)
            came.append(kept)
        if came:
            window = [self.frames, *came]
            self.frames = FrameBatch(
                np.concatenate([one.edge for one in window]),
                np.concatenate([one.word for one in window]),
            )


def _pieces(batches: Iterable[FrameBatch]) -> Iterator[FrameBatch]:
    for batch in batches:
        for start in range(0, len(batch), PIECE_FRAMES):
            stop = start + PIECE_FRAMES
            yield FrameBatch(
                np.ascontiguousarray(batch.edge[start:stop], np.uint64),
                np.ascontiguousarray(batch.word[start:stop], np.uint64),
            )
