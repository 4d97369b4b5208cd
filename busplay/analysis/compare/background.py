"""What all expected frames do: where they go, how they come in bursts, when they come.

Damage is held against this. A program that draws sixty times a second loses frames sixty times
a second, whatever the cause; only what damage does *more* than the frames themselves is a pattern.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from busplay.analysis.compare import background_sample
from busplay.batch import FrameBatch, UInt64Column

if TYPE_CHECKING:
    from busplay.analysis.compare.sides import Sides

SCALES = background_sample.SCALES
OFFSET_BITS_MOST = 16
SAMPLE_FRAMES = 1 << 16


class Background:
    """Counts over the expected frames.

    Attributes:
        slot_edges: link edges of a slot.
        address_shift: bits of an offset that are too fine to be counted apart.
    """

    def __init__(self, sides: Sides) -> None:
        self._sides = sides
        self.slot_edges = sides.slot_edges
        units = sides.board.units if sides.board is not None else ()
        numbers = [unit.number for unit in units] or [0]
        # Row 0 is for numbers that no unit has.
        self._unit_rows = np.zeros(max(numbers) + 2, np.int64)
        for row, number in enumerate(numbers, 1):
            self._unit_rows[number] = row
        bits = sides.address_bits
        self.address_shift = max(0, bits - OFFSET_BITS_MOST)
        shape = (len(numbers) + 1, background_sample.SPACES, 1 << min(bits, OFFSET_BITS_MOST))
        self._addresses = np.zeros(shape, np.int64)
        self._carried = np.zeros(background_sample.CARRIED_NUMBERS, np.int64)
        self._lengths = np.zeros((SCALES, background_sample.LENGTH_MOST + 1), np.int64)
        self._beyond = np.zeros(SCALES, np.int64)
        self._level = 0
        self._numbers = np.empty(0, np.int64)
        self._edges = np.empty(0, np.int64)
        self._words = np.empty(0, np.uint64)
        self._asked: list[NDArray[np.int64]] = []
        self._places: list[NDArray[np.int64]] = []

    def add(self, frames: FrameBatch, asked: NDArray[np.int64]) -> None:
        """Count frames that follow those before.

        Args:
            asked: indexes of frames of the batch whose place in their burst is to be kept,
                rising.
        """
        count = len(frames)
        if count == 0:
            return
        first = int(self._carried[background_sample.FRAMES])
        places = np.empty((len(asked), SCALES), np.int64)
        numbers, edges = np.empty(count, np.int64), np.empty(count, np.int64)
        taken = background_sample.count_frames(
            frames.edge,
            self._sides.words_in_pieces(frames.word),
            self._sides.field_table,
            self._unit_rows,
            self.address_shift,
            self.slot_edges,
            self._addresses,
            self._carried,
            self._lengths,
            self._beyond,
            asked,
            places,
            self._level,
            numbers,
            edges,
        )
        if len(asked):
            self._asked.append(asked + first)
            self._places.append(places)
        self._numbers = np.concatenate([self._numbers, numbers[:taken]])
        self._edges = np.concatenate([self._edges, edges[:taken]])
        here = numbers[:taken] - first
        self._words = np.concatenate([self._words, frames.word[here]])
        while len(self._numbers) > SAMPLE_FRAMES:
            self._level += 1
            kept = np.empty(len(self._numbers), np.bool_)
            background_sample.find_sampled(self._numbers, self._level, kept)
            self._numbers, self._edges = self._numbers[kept], self._edges[kept]
            self._words = self._words[kept]

    @property
    def frames(self) -> int:
        """Frames that were counted."""
        return int(self._carried[background_sample.FRAMES])

    @property
    def sampled_edges(self) -> NDArray[np.int64]:
        """Start edges of a random sample of all frames, rising."""
        return self._edges

    @property
    def usual_gap_edges(self) -> float:
        """Link edges from a frame to the next, as they usually follow each other."""
        if len(self._edges) < 2:
            return float(self.slot_edges)
        return max(
            float(np.median(np.diff(self._edges) / np.diff(self._numbers))), float(self.slot_edges)
        )

    @property
    def sampled_frames(self) -> tuple[NDArray[np.int64], UInt64Column]:
        """Numbers and compared words of the same sample."""
        return self._numbers, self._words

    def address_counts(self, unit_number: int, space: int) -> NDArray[np.int64]:
        """Return int64[offsets]: frames to each offset of a unit's space."""
        row = self._unit_rows[min(unit_number, len(self._unit_rows) - 1)]
        counts: NDArray[np.int64] = self._addresses[row, min(space, background_sample.SPACES - 1)]
        return counts

    def places(self, indexes: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return int64[frames, SCALES]: places in bursts of frames that were asked for."""
        asked = np.concatenate([np.empty(0, np.int64), *self._asked])
        found = np.searchsorted(asked, indexes)
        rows = np.concatenate([np.empty((0, SCALES), np.int64), *self._places])
        return rows[found]

    def share_from_place(self, scale: int) -> NDArray[np.float64]:
        """Return float64[LENGTH_MOST + 1]: share of all frames that have this place or a later one.

        The last stands for all places from LENGTH_MOST on.
        """
        lengths, beyond = self._lengths[scale].copy(), int(self._beyond[scale])
        running = self.frames - int(self._carried[background_sample.FIRST_START + scale])
        lengths[min(running, background_sample.LENGTH_MOST)] += 1
        beyond += max(running - background_sample.LENGTH_MOST, 0)
        # A burst of length n has one frame at each place below n.
        at_place = lengths[::-1].cumsum()[::-1][1:]
        at_place = np.append(at_place, beyond)
        later = at_place[::-1].cumsum()[::-1].astype(np.float64)
        return later / max(1, self.frames)
