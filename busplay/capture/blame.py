"""Which lanes a damaged frame was damaged on, as far as the frame itself shows.

One wrong bit changes the check in a way that identifies the bit, if no other bit does so too; that
bit's lane is at fault. A damaged idle frame is known besides: what differs from the idle frame is
what is wrong. Beyond that only a comparison with what was sent helps.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busplay.batch import UInt64Column
from busplay.link.layout import FrameLayout

_IDLE_BITS_MAX = 3


class LaneBlame:
    """The lanes at fault in damaged words.

    Args:
        layout: of the link.
    """

    def __init__(self, layout: FrameLayout) -> None:
        self._layout = layout
        self._lane_masks = lane_masks(layout)
        by_syndrome: dict[int, int] = {}
        lane_of = lanes_of_wire_bits(layout)
        for bit, column in enumerate(layout.syndrome_columns):
            # More than one lane for one syndrome: not known.
            lanes = by_syndrome.get(column, 0) | 1 << lane_of[bit]
            by_syndrome[column] = lanes
        by_syndrome.pop(0, None)
        self._by_syndrome = {
            syndrome: lanes for syndrome, lanes in by_syndrome.items() if lanes.bit_count() == 1
        }

    def lanes(self, words: UInt64Column) -> NDArray[np.uint32]:
        """Return uint32[words]: a bit for each lane at fault; 0: not known."""
        blamed = np.zeros(len(words), np.uint32)
        syndromes = self._layout.syndrome(words)
        for syndrome in np.unique(syndromes):
            lanes = self._by_syndrome.get(int(syndrome), 0)
            blamed[syndromes == syndrome] = lanes
        if self._layout.strobe_mask:
            # Between the frames of a strobe link nothing is sent that could be known.
            return blamed
        wrong = words ^ np.uint64(self._layout.idle_word)
        of_idle = np.zeros(len(words), np.uint32)
        for lane, mask in enumerate(self._lane_masks):
            of_idle |= ((wrong & mask) != 0).astype(np.uint32) << np.uint32(lane)
        is_told = (blamed == 0) & (np.bitwise_count(wrong) <= _IDLE_BITS_MAX)
        return np.where(is_told, of_idle, blamed).astype(np.uint32)


def lane_masks(layout: FrameLayout) -> list[np.uint64]:
    """Return for each lane the bits of a word that it carries."""
    masks = [0] * layout.lanes
    for bit, lane in enumerate(lanes_of_wire_bits(layout)):
        masks[lane] |= 1 << (layout.frame_bits - 1 - bit)
    return [np.uint64(mask) for mask in masks]


def lanes_of_wire_bits(layout: FrameLayout) -> list[int]:
    """Return the lane of each bit of a frame, the first on the wire first."""
    lanes = layout.lanes
    highest_first = layout.link.first_bit_lane == "highest"
    return [
        lanes - 1 - bit % lanes if highest_first else bit % lanes
        for bit in range(layout.frame_bits)
    ]
