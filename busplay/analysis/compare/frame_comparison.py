"""What the alignment finds: accounts, delays, wrong bits, the differences as columns."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from busplay.analysis.compare.kinds import Kind, TimeUnit
from busplay.batch import UInt64Column

if TYPE_CHECKING:
    from busplay.analysis.compare.pattern import Pattern
    from busplay.analysis.compare.sides import Sides


@dataclass(frozen=True, slots=True)
class FrameCounts:
    """Where every frame went: `expected = same + changed + missing`, `actual = same + changed +
    added`.

    Attributes:
        expected, actual: frames in each recording, idle ones left out.
        same: frames that are in both, those out of order included.
        changed: frames that are in both with other bits.
        missing: expected frames that the actual recording lacks.
        added: frames that nothing in the expected recording stands for.
        out_of_order: of `same`: those in another place.
        missing_at_start, missing_at_end: of `missing`: before the first and after the last
            frame that both have.
        expected_idle, actual_idle: idle frames that were recorded as frames.
    """

    expected: int
    actual: int
    same: int
    changed: int
    missing: int
    added: int
    out_of_order: int
    missing_at_start: int = 0
    missing_at_end: int = 0
    expected_idle: int = 0
    actual_idle: int = 0

    @property
    def differences(self) -> int:
        """Frames about which something is wrong."""
        return self.changed + self.missing + self.added + self.out_of_order


@dataclass(frozen=True, slots=True)
class Delays:
    """How much later than expected the frames came that are in both.

    Attributes:
        unit: link edges, or processor cycles where the links differ.
        first, last, least, most: delays, negative: earlier.
        first_ns: the first one; None where it is in cycles, or no clock is known.
        usual: the delay of most frames; None where there are too many different ones.
        frames_late, frames_early: frames with a longer or shorter delay than usual; 0 where
            `usual` is None.
        changes: how often the delay differed from that of the frame before.
        longer, shorter: of `changes`, in which direction.
    """

    unit: TimeUnit
    first: int
    first_ns: int | None
    last: int
    least: int
    most: int
    usual: int | None
    frames_late: int
    frames_early: int
    changes: int
    longer: int
    shorter: int


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
        flipped: uint64; wrong bits of a changed frame, the sequence number's and check's too.
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
class WrongBits:
    """Bits that changed frames have wrong, over all of them.

    Attributes:
        ones_lost, zeros_lost: how often each bit of a word (0 is lowest) read 0 for 1, 1 for 0.
        frames_by_lane: changed frames with a wrong bit on each lane.
        frames_on_lane_alone: changed frames whose wrong bits are all on that lane.
        frames_by_field: changed frames with a wrong bit in each field.
    """

    ones_lost: tuple[int, ...]
    zeros_lost: tuple[int, ...]
    frames_by_lane: tuple[int, ...]
    frames_on_lane_alone: tuple[int, ...]
    frames_by_field: dict[str, int]


@dataclass(frozen=True, slots=True)
class FrameComparison:
    """What `compare_frames` found, with all columns.

    Attributes:
        sides: what was compared, and how.
        accounts: every frame's fate.
        delays: None where no frame is in both, or their times cannot be compared.
        wrong_bits: of the changed frames.
        differences: the first of them, `kept_all` tells whether all.
        interrupted: it was stopped before the end.
        patterns: what the damage has in common, each with its evidence.
    """

    sides: Sides
    accounts: FrameCounts
    delays: Delays | None
    wrong_bits: WrongBits
    differences: Differences
    interrupted: bool = False
    patterns: tuple[Pattern, ...] = field(default=())

    @property
    def compared_anything(self) -> bool:
        """There was a frame in either recording."""
        return bool(self.accounts.expected or self.accounts.actual)

    @property
    def kept_all(self) -> bool:
        """`differences` has all of them."""
        return len(self.differences) == self.accounts.differences

    @property
    def frames_equal(self) -> bool:
        """Something was compared, and every frame is there, right and in order."""
        return self.compared_anything and not self.accounts.differences

    @property
    def times_equal(self) -> bool:
        """All frames that are in both come with the same delay, as far as that can be told."""
        return self.delays is None or not self.delays.changes
