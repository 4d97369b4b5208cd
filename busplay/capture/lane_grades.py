"""How well an order of lanes fits what frames must show: idle frames, constants, their count.

How to think about it. A check of many bits finds the order by itself (`lane_orders`). A parity bit
or none does not, but a frame says more: an idle link shows each lane's idle pattern, a constant is
the same in every frame, the lowest bit of the sequence field changes with every frame and the next
with every second one. Each of these concerns one lane, so they say which signal may be on which
lane, and whether inverted. Orders that are left are graded by whole frames: valid ones, those that
continue the sequence, those whose space exists. Where even that leaves several, programs that draw
write near to where they wrote last, so the order with the smoothest addresses is the likeliest;
that is a guess, and the search says so.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from busplay.batch import UInt64Column
from busplay.capture.blame import lanes_of_wire_bits
from busplay.description.link import SPACE_MEMORY, SPACE_REGISTERS, StrobeFraming
from busplay.link.layout import FrameLayout

# Frames in a row that are looked at, and those of them that are unpacked for every order.
FRAMES_MAX = 600
_GRADED_MAX = 300
# Shares of frames that may break a rule because they are damaged.
_BROKEN_SHARE = 0.15
_LEAST_FRAMES = 8
_ORDERS_GRADED = 600
_CLIMBS = 3

Order = tuple[tuple[int, ...], tuple[bool, ...]]


@dataclass(frozen=True, slots=True, order=True)
class Grade:
    """How well an order fits; the higher the better.

    Attributes:
        fitting: shares of frames that are valid, that continue the sequence, and whose space
            exists, summed.
        smoothness: how plausible addresses are; only for orders that fit alike.
    """

    fitting: float
    smoothness: float

    @property
    def rough(self) -> tuple[float, float]:
        """The same, with smoothness in steps that mean something."""
        return self.fitting, round(2 * self.smoothness) / 2


class LaneGrader:
    """Grades orders and inversions of lanes by frames that follow each other.

    Args:
        layout: of the link.
        levels: uint64[frames, frame_symbols]; all signals at the symbols of frames, or of
            slots where idle ones are sent.
        signals: bits of the signals that may be lanes.
    """

    def __init__(
        self, layout: FrameLayout, levels: NDArray[np.uint64], signals: Sequence[int]
    ) -> None:
        self._layout = layout
        self._signals = list(signals)
        levels = _liveliest(levels)
        self._bits = {
            signal: (levels >> np.uint64(signal) & np.uint64(1)).astype(np.uint8)
            for signal in signals
        }
        is_idle = np.zeros(len(levels), np.bool_)
        if not isinstance(layout.link.framing, StrobeFraming) and len(levels):
            is_idle = self._find_idle(len(levels))
        idle_frames = int(np.count_nonzero(is_idle))
        self._knows_idle = idle_frames >= _LEAST_FRAMES
        self._idle = {signal: bits[is_idle] for signal, bits in self._bits.items()}
        self._busy = {signal: bits[~is_idle] for signal, bits in self._bits.items()}
        self._count = len(levels) - idle_frames
        self.idle_share = idle_frames / max(1, len(levels))

    def _find_idle(self, frames: int) -> NDArray[np.bool_]:
        """Return the frames in which as many signals as there are lanes look like an idle lane."""
        symbols = self._layout.frame_symbols
        weights = np.uint64(1) << np.arange(symbols, dtype=np.uint64)
        idle = self._layout.idle_symbols[:symbols].astype(np.uint64)
        shown = set()
        for lane in range(self._layout.lanes):
            pattern = int((idle >> np.uint64(lane) & np.uint64(1)) @ weights)
            shown |= {pattern, pattern ^ (1 << symbols) - 1}
        looks = np.array(sorted(shown), np.uint64)
        are_idle = np.zeros(frames, np.int64)
        for bits in self._bits.values():
            are_idle += np.isin(bits.astype(np.uint64) @ weights, looks)
        return np.asarray(are_idle >= self._layout.lanes, np.bool_)

    def orders(self, most: int) -> list[tuple[Order, Grade]]:
        """Return the orders that fit best, the best first; none where a lane has no signal."""
        options = self._options()
        if not all(options):
            return []
        graded: dict[Order, Grade] = {}
        for order in self._fillings(options):
            graded[order] = self.grade(order)
            if len(graded) >= _ORDERS_GRADED:
                self._climb(graded, options)
                break
        ranked = sorted(graded.items(), key=lambda item: (item[1], -sum(item[0][1])), reverse=True)
        return ranked[:most]

    def grade(self, order: Order) -> Grade:
        """Grade one order."""
        words = self._words(order)
        layout = self._layout
        words = words[~layout.is_idle(words)] if not layout.strobe_mask else words
        if not len(words):
            return Grade(0.0, 0.0)
        fitting = float(np.mean(layout.is_valid(words))) if layout.syndrome_bits else 0.0
        names = {one.name: one for one in layout.link.fields}
        smoothness = 0.0
        if "sequence" in names and len(words) > 1:
            count = layout.unpack_field(words, "sequence").astype(np.int64)
            mask = (1 << names["sequence"].bits) - 1
            fitting += float(np.mean((np.diff(count) & mask) == 1))
        if "space" in names:
            space = layout.unpack_field(words, "space")
            fitting += float(np.mean((space == SPACE_MEMORY) | (space == SPACE_REGISTERS)))
            smoothness += float(np.mean(space == SPACE_MEMORY))
        if "unit" in names:
            smoothness -= float(np.mean(layout.unpack_field(words, "unit") > 0))
        if "address" in names and len(words) > 1:
            address = layout.unpack_field(words, "address").astype(np.int64)
            step = np.minimum(np.abs(np.diff(address)), 1 << 16)
            smoothness -= float(np.mean(np.log2(1 + step)))
        return Grade(round(fitting, 2), round(smoothness, 3))

    # -- inside

    def _words(self, order: Order) -> UInt64Column:
        rows = slice(0, _GRADED_MAX)
        symbols = np.zeros((min(self._count, _GRADED_MAX), self._layout.frame_symbols), np.uint32)
        for lane, (signal, is_inverted) in enumerate(zip(*order, strict=True)):
            bits = self._busy[signal][rows] ^ np.uint8(is_inverted)
            symbols |= bits.astype(np.uint32) << np.uint32(lane)
        if self._layout.strobe_mask:
            # What the strobe does has been used to cut the frames.
            symbols[:, 0] |= np.uint32(self._layout.strobe_mask)
        flat = symbols.reshape(-1).astype(self._layout.symbol_dtype)
        return self._layout.to_words(flat)

    def _options(self) -> list[list[tuple[int, bool]]]:
        """Return for each lane the signals that may be on it, and whether inverted."""
        return [
            [
                (signal, is_inverted)
                for is_inverted in (False, True)
                for signal in self._signals
                if self._may_be(lane, signal, is_inverted=is_inverted)
            ]
            for lane in range(self._layout.lanes)
        ]

    def _may_be(self, lane: int, signal: int, *, is_inverted: bool) -> bool:
        if self._knows_idle:
            idle = self._layout.idle_symbols[: self._layout.frame_symbols] >> lane & 1
            fits = (self._idle[signal] ^ np.uint8(is_inverted) == idle).all(axis=1)
            if np.mean(fits) < 1 - _BROKEN_SHARE:
                return False
        if self._count < _LEAST_FRAMES:
            return True
        busy = self._busy[signal]
        for symbol, period in self._counting(lane):
            changes = busy[period:, symbol] ^ busy[:-period, symbol]
            if len(changes) >= _LEAST_FRAMES and np.mean(changes == 0) > _BROKEN_SHARE:
                return False
        return all(
            np.mean(busy[:, symbol] ^ is_inverted != value) <= _BROKEN_SHARE
            for symbol, value in self._constant(lane)
        )

    def _places(self, name: str, lane: int) -> Iterator[tuple[int, int]]:
        """Return the bits of a field that a lane carries: value bit and symbol."""
        layout = self._layout
        lane_of = lanes_of_wire_bits(layout)
        for bit, place in enumerate(layout.bit_places(name)):
            wire_bit = layout.frame_bits - 1 - place
            if lane_of[wire_bit] == lane:
                yield bit, wire_bit // layout.lanes

    def _counting(self, lane: int) -> list[tuple[int, int]]:
        """Return the symbols of sequence bits on a lane, and after how many frames each changes."""
        if self._layout.link.field_named("sequence") is None:
            return []
        return [(symbol, 1 << bit) for bit, symbol in self._places("sequence", lane)]

    def _constant(self, lane: int) -> list[tuple[int, int]]:
        """Return the symbols of constant bits on a lane, and what they are."""
        return [
            (symbol, one.value >> bit & 1)
            for one in self._layout.link.fields
            if one.value is not None
            for bit, symbol in self._places(one.name, lane)
        ]

    def _fillings(self, options: list[list[tuple[int, bool]]]) -> Iterator[Order]:
        """Return the ways to fill the lanes, those with few inversions first."""
        lanes = len(options)
        sequence = sorted(range(lanes), key=lambda lane: len(options[lane]))

        def fill(
            depth: int, taken: dict[int, tuple[int, bool]], left: int
        ) -> Iterator[dict[int, tuple[int, bool]]]:
            if depth == lanes:
                if left == 0:
                    yield dict(taken)
                return
            lane = sequence[depth]
            used = {signal for signal, _ in taken.values()}
            for signal, is_inverted in options[lane]:
                if signal in used or is_inverted > left:
                    continue
                taken[lane] = signal, is_inverted
                yield from fill(depth + 1, taken, left - is_inverted)
                del taken[lane]

        for inversions in range(lanes + 1):
            for filled in fill(0, {}, inversions):
                yield (
                    tuple(filled[lane][0] for lane in range(lanes)),
                    tuple(filled[lane][1] for lane in range(lanes)),
                )

    def _climb(self, graded: dict[Order, Grade], options: list[list[tuple[int, bool]]]) -> None:
        """Climb from the best of those graded to better neighbours, as long as there are any."""
        best = sorted(graded, key=lambda order: graded[order], reverse=True)[:_CLIMBS]
        for start in best:
            here = start
            while True:
                for order in _neighbours(here, options):
                    if order not in graded:
                        graded[order] = self.grade(order)
                around = [order for order in _neighbours(here, options) if order in graded]
                next_one = max(around, key=lambda order: graded[order], default=here)
                if graded[next_one] <= graded[here]:
                    break
                here = next_one


def _neighbours(order: Order, options: list[list[tuple[int, bool]]]) -> Iterator[Order]:
    """Return the orders in which two lanes are swapped, or one has another signal."""
    signals, inverted = order
    lanes = len(signals)
    for a in range(lanes):
        for signal, is_inverted in options[a]:
            changed, flips = list(signals), list(inverted)
            if (signal, is_inverted) == (signals[a], inverted[a]):
                continue
            if signal in signals:
                other = signals.index(signal)
                if other != a:
                    changed[other], flips[other] = signals[a], inverted[a]
                    if (changed[other], flips[other]) not in options[other]:
                        continue
            changed[a], flips[a] = signal, is_inverted
            yield tuple(changed), tuple(flips)


def _liveliest(levels: NDArray[np.uint64]) -> NDArray[np.uint64]:
    """Take the frames that differ most among themselves, as many as are looked at."""
    if len(levels) <= FRAMES_MAX:
        return levels
    starts = np.linspace(0, len(levels) - FRAMES_MAX, 12).astype(np.int64).tolist()
    variety = [len(np.unique(levels[a : a + FRAMES_MAX, :], axis=0)) for a in starts]
    first = starts[int(np.argmax(variety))]
    return levels[first : first + FRAMES_MAX]
