"""The differences that the alignment finds, as columns, and what they add up to."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from busplay.analysis.compare.comparison import Comparison
from busplay.analysis.compare.streams import Kind
from busplay.batch import UInt64Column

if TYPE_CHECKING:
    from busplay.analysis.compare.sides import Sides


@dataclass(frozen=True, slots=True, eq=False)
class Differences:
    """Differences in the order of the expected recording, as columns of equal length.

    Attributes:
        kind: uint8; `Kind`.
        expected_index, actual_index: int64; number of the frame in its recording, idle ones not
            counted; -1 where there is none.
        position: int64; number of the expected frame, or of the one that comes next.
        expected_edge, actual_edge: uint64; link edge of its start; 0 where there is none.
        expected_word, actual_word: uint64; as compared (`Sides.bits`); 0 where there is none.
        flipped: uint64; bit errors of a changed frame, the sequence number's and check's too.
    """

    kind: NDArray[np.uint8]
    expected_index: NDArray[np.int64]
    actual_index: NDArray[np.int64]
    position: NDArray[np.int64]
    expected_edge: UInt64Column
    actual_edge: UInt64Column
    expected_word: UInt64Column
    actual_word: UInt64Column
    flipped: UInt64Column

    def __len__(self) -> int:
        return len(self.kind)

    def columns(self) -> tuple[NDArray[np.generic], ...]:
        """Return all columns in the order in which they are declared."""
        return tuple(getattr(self, name) for name in self.__slots__)

    def select(self, rows: slice | NDArray[np.intp] | NDArray[np.bool_]) -> Differences:
        """Return some of the rows."""
        return Differences(*(column[rows] for column in self.columns()))  # type: ignore[arg-type]

    def of_kind(self, *kinds: Kind) -> Differences:
        """Return the rows of some kinds."""
        return self.select(np.isin(self.kind, kinds))

    @classmethod
    def empty(cls) -> Differences:
        """Make columns of no rows."""
        return cls.join([])

    @classmethod
    def join(cls, blocks: list[Differences]) -> Differences:
        """Put blocks behind each other."""
        types = (np.uint8, np.int64, np.int64, np.int64, *[np.uint64] * 5)
        columns = [
            np.concatenate([np.empty(0, kind), *(block.columns()[i] for block in blocks)])
            for i, kind in enumerate(types)
        ]
        return cls(*columns)


@dataclass(frozen=True, slots=True)
class FrameComparison:
    """What `compare_frames` found, with all columns.

    Attributes:
        sides: what was compared, and how.
        figures: what came of it; without the list of differences.
        differences: the first of them.
    """

    sides: Sides
    figures: Comparison
    differences: Differences
