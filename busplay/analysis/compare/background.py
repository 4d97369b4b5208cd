"""What all expected frames do: where they go, how they come in bursts, when they come.

Damage is held against this. A program that draws sixty times a second loses frames sixty times
a second, whatever the cause; only what damage does *more* than the frames themselves is a pattern.

A burst of scale k is a run of frames of which each starts within 2 ** k slots of the one before.
A frame's place in its burst is how many frames of the burst came before it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from busplay.batch import FrameBatch, UInt64Column

if TYPE_CHECKING:
    from busplay.analysis.compare.sides import Sides

SCALES = 8
# Bursts are counted by length up to this; of longer ones the frames beyond it are counted.
LENGTH_MOST = 1 << 16
SPACES = 4
OFFSET_BITS_MOST = 16
SAMPLE_FRAMES = 1 << 16
_FAR = 1 << 62


class Background:
    """Counts over the expected frames.

    Attributes:
        slot_edges: link edges of a slot.
        address_shift: bits of an offset that are too fine to be counted apart.
        frames: that were counted.
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
        shape = (len(numbers) + 1, SPACES, 1 << min(bits, OFFSET_BITS_MOST))
        self._addresses = np.zeros(shape, np.int64)
        self.frames = self._last_edge = 0
        self._burst_first = np.zeros(SCALES, np.int64)
        self._lengths = np.zeros((SCALES, LENGTH_MOST + 1), np.int64)
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
        if len(frames) == 0:
            return
        first, edges = self.frames, frames.edge.astype(np.int64)
        self._count_addresses(frames.word)
        gaps = np.diff(edges, prepend=self._last_edge)
        gaps[0] = gaps[0] if first else _FAR
        self._count_bursts(gaps, asked + first)
        taken = np.flatnonzero(_is_sampled(np.arange(first, first + len(frames)), self._level))
        self._numbers = np.concatenate([self._numbers, taken + first])
        self._edges = np.concatenate([self._edges, edges[taken]])
        self._words = np.concatenate([self._words, frames.word[taken]])
        while len(self._numbers) > SAMPLE_FRAMES:
            self._level += 1
            kept = _is_sampled(self._numbers, self._level)
            self._numbers, self._edges = self._numbers[kept], self._edges[kept]
            self._words = self._words[kept]
        self.frames, self._last_edge = first + len(frames), int(edges[-1])

    def _count_addresses(self, words: UInt64Column) -> None:
        fields = self._sides.unpack(words)
        _, spaces, offsets = self._addresses.shape
        row = self._unit_rows[np.minimum(fields.unit, len(self._unit_rows) - 1).astype(np.int64)]
        space = np.minimum(fields.space, spaces - 1).astype(np.int64)
        offset = np.minimum(fields.address >> self.address_shift, offsets - 1).astype(np.int64)
        np.add.at(self._addresses.reshape(-1), (row * spaces + space) * offsets + offset, 1)

    def _count_bursts(self, gaps: NDArray[np.int64], asked: NDArray[np.int64]) -> None:
        """Count bursts that end; keep the places of the frames with the numbers asked for."""
        places = np.empty((len(asked), SCALES), np.int64)
        at = np.flatnonzero(gaps > self.slot_edges)
        for scale in range(SCALES):
            at = at[gaps[at] > self.slot_edges << scale]
            begins = self.frames + at
            bounds = np.concatenate([self._burst_first[scale : scale + 1], begins])
            lengths = np.diff(bounds)
            np.add.at(self._lengths[scale], np.minimum(lengths, LENGTH_MOST), 1)
            self._beyond[scale] += np.maximum(lengths - LENGTH_MOST, 0).sum()
            places[:, scale] = asked - bounds[np.searchsorted(begins, asked, side="right")]
            self._burst_first[scale] = bounds[-1]
        if len(asked):
            self._asked.append(asked)
            self._places.append(places)

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
        counts: NDArray[np.int64] = self._addresses[row, min(space, SPACES - 1)]
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
        running = self.frames - int(self._burst_first[scale])
        lengths[min(running, LENGTH_MOST)] += 1
        beyond += max(running - LENGTH_MOST, 0)
        # A burst of length n has one frame at each place below n.
        at_place = lengths[::-1].cumsum()[::-1][1:]
        at_place = np.append(at_place, beyond)
        later = at_place[::-1].cumsum()[::-1].astype(np.float64)
        return later / max(1, self.frames)


def _is_sampled(numbers: NDArray[np.int64], level: int) -> NDArray[np.bool_]:
    """Return which frames a sample of one in 2 ** level takes.

    Their numbers are mixed first, so that no loop of a program is in sync with the sample.
    """
    if level == 0:
        return np.ones(len(numbers), np.bool_)
    mixed = numbers.astype(np.uint64) * np.uint64(0x9E3779B97F4A7C15)
    mixed = (mixed ^ (mixed >> np.uint64(31))) * np.uint64(0xBF58476D1CE4E5B9)
    mixed = (mixed ^ (mixed >> np.uint64(29))) * np.uint64(0x94D049BB133111EB)
    taken: NDArray[np.bool_] = mixed >> np.uint64(64 - level) == 0
    return taken
