"""Which orders and inversions of lanes make the check hold, by algebra instead of by trying all.

How to think about it. A frame is valid if its syndrome is 0, and the syndrome is an XOR of
what each lane says. So for each pairing of a signal with a lane there is one number a frame,
and an order of lanes is right if those of its pairs XOR to a constant in every frame. An
inverted lane only changes that constant. The difference of two frames has no constant, so
orders are searched there first: all ways to fill the first half of the lanes on one side, all
ways to fill the second half on the other, and equal numbers found by sorting. The inversions
follow from the constant. Twelve lanes take a second; trying them one by one would take years.
"""

from __future__ import annotations

from itertools import permutations

import numpy as np
from numpy.typing import NDArray

from busplay.batch import UInt64Column
from busplay.capture.blame import lanes_of_wire_bits
from busplay.link.layout import FrameLayout

# Ways to fill half of the lanes that are tried; beyond that the user has to name some.
HALVES_MAX = 700_000
# Orders that fit one stretch of frames; with more the stretch decides nothing.
ORDERS_MAX = 5_000


class LaneOrders:
    """Finds orders of lanes for one link.

    Args:
        layout: of the link.
    """

    def __init__(self, layout: FrameLayout) -> None:
        self._layout = layout
        lanes = layout.lanes
        # column[lane, symbol]: what that bit changes in the syndrome.
        self._column = np.zeros((lanes, layout.frame_symbols), np.uint64)
        for bit, lane in enumerate(lanes_of_wire_bits(layout)):
            self._column[lane, bit // lanes] = layout.syndrome_columns[bit]
        self._inverted = [int(np.bitwise_xor.reduce(row)) for row in self._column]
        self._constant = int(layout.syndrome_constant)
        random = np.random.default_rng(20_240_229)
        self._hash = random.integers(1, 1 << 63, (4096, 64), np.uint64)

    def can_try(self, signals: int) -> bool:
        """Return whether all ways to put `signals` signals on the lanes can be tried."""
        count = 1
        for taken in range((self._layout.lanes + 1) // 2):
            count *= signals - taken
        return count <= HALVES_MAX

    def find(
        self, levels: NDArray[np.uint64], signals: list[int]
    ) -> list[tuple[tuple[int, ...], tuple[bool, ...]]]:
        """Find the orders with which all of some frames are valid.

        Args:
            levels: uint64[frames, frame_symbols]; all signals at the symbols of frames.
            signals: bits of the signals that may be lanes.

        Returns:
            for each fit the signals of lane 0, 1 … and which of them are inverted; empty
            where none fits, or too many for the frames to decide.
        """
        partial = self._partial(levels, signals)
        if len(levels) == 1:
            # One frame cannot tell an order from an inversion, so take none to be inverted.
            prints = self._fingerprints(partial)
            target = int(self._fingerprints(np.full((1, 1, 1), self._constant, np.uint64))[0, 0])
        else:
            prints = self._fingerprints(partial[:, :, 1:] ^ partial[:, :, :-1])
            target = 0
        found = []
        for order in self._matching(prints, len(signals), np.uint64(target)):
            rest = self._constant
            for lane, signal in enumerate(order):
                rest ^= int(partial[signal, lane, 0])
            for inverted in self._inversions(rest):
                found.append((tuple(signals[one] for one in order), inverted))
        return found

    def _partial(self, levels: NDArray[np.uint64], signals: list[int]) -> NDArray[np.uint64]:
        """Return uint64[signals, lanes, frames]: what each signal would say on each lane."""
        out = np.zeros((len(signals), self._layout.lanes, len(levels)), np.uint64)
        for row, signal in enumerate(signals):
            bits = (levels >> np.uint64(signal)) & np.uint64(1)
            for lane in range(self._layout.lanes):
                terms = bits * self._column[lane]
                out[row, lane] = np.bitwise_xor.reduce(terms, axis=1)
        return out

    def _fingerprints(self, difference: NDArray[np.uint64]) -> NDArray[np.uint64]:
        """Return uint64[signals, lanes]: one number that stands for all frames, XOR for XOR."""
        out = np.zeros(difference.shape[:2], np.uint64)
        for frame in range(difference.shape[2]):
            for bit in range(self._layout.syndrome_bits):
                is_set = (difference[:, :, frame] >> np.uint64(bit)) & np.uint64(1)
                out ^= is_set * self._hash[frame % len(self._hash), bit % 64]
        return out

    def _matching(
        self, prints: NDArray[np.uint64], signals: int, target: np.uint64
    ) -> list[tuple[int, ...]]:
        lanes = self._layout.lanes
        first_lanes = (lanes + 1) // 2
        left, left_print, left_mask = _fillings(prints[:, :first_lanes], signals)
        if first_lanes == lanes:
            rows = np.flatnonzero(left_print == target)
            return [tuple(left[row].tolist()) for row in rows[:ORDERS_MAX]]
        right, right_print, right_mask = _fillings(prints[:, first_lanes:], signals)
        sorting = np.argsort(right_print, kind="stable")
        ordered = right_print[sorting]
        begin = np.searchsorted(ordered, left_print ^ target, side="left")
        end = np.searchsorted(ordered, left_print ^ target, side="right")
        if int((end - begin).sum()) > 40 * ORDERS_MAX:
            return []
        orders = []
        for row in np.flatnonzero(end > begin):
            for place in sorting[begin[row] : end[row]]:
                if not left_mask[row] & right_mask[place]:
                    orders.append((*left[row].tolist(), *right[place].tolist()))
                    if len(orders) > ORDERS_MAX:
                        return []
        return orders

    def _inversions(self, rest: int) -> list[tuple[bool, ...]]:
        """Return the sets of inverted lanes that make up a constant, the smallest first."""
        found = []
        for chosen in range(1 << len(self._inverted)):
            total = 0
            for lane, change in enumerate(self._inverted):
                if chosen >> lane & 1:
                    total ^= change
            if total == rest:
                found.append(tuple(bool(chosen >> n & 1) for n in range(len(self._inverted))))
        return sorted(found, key=sum)


def _fillings(
    prints: NDArray[np.uint64], signals: int
) -> tuple[NDArray[np.int64], UInt64Column, UInt64Column]:
    """Return all ways to put different signals on some lanes, each with its number and its set."""
    lanes = prints.shape[1]
    ways = np.array(list(permutations(range(signals), lanes)), np.int64).reshape(-1, lanes)
    total = np.zeros(len(ways), np.uint64)
    mask = np.zeros(len(ways), np.uint64)
    for lane in range(lanes):
        total ^= prints[ways[:, lane], lane]
        mask |= np.uint64(1) << ways[:, lane].astype(np.uint64)
    return ways, total, mask
