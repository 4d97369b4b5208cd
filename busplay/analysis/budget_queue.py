"""How deep the sender FIFO must be, by exact arithmetic, whatever the phase of the slot grid.

How to think about it. A sender is a queue whose server takes one slot a frame. Measure time in
slots of `slot_cycles` processor cycles. Between two stores that are x cycles apart at least
floor(x / slot) starts of slots fall, and at the worst phase of the grid not one more. Let k be
the store with which a stretch without a free slot begins. When store i comes, frames of
stores k to i stand against the floor((t_i - t_k) / slot) slots that began since k's; what is
left over waits, store i included. So

    depth = max over k <= i of (i - k) - floor((t_i - t_k) / slot)

is what a FIFO must hold so that nothing is lost at any phase, and at the worst one less does
lose. That is the same question as the virtual scheduling of ITU-T I.371 asks: a FIFO of depth
d loses nothing exactly when all stores conform to GCRA(slot, d x slot).

Where one of N slots stays idle, of D slots after a frame's own only D - floor((D + 1) / N)
carry frames: the sender lets N - 1 frames go back to back and then keeps one slot idle.

Grids finer than a slot (`start = "cycle"`) come to the same: both roundings are down.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from math import ceil
from typing import Any

import numpy as np
from numpy.typing import NDArray

from busplay.analysis.budget import LinkBudget
from busplay.batch import UInt64Column

# Past this many stores a burst counts as endless: at 8 MHz it lasts for seconds.
BURST_STORES_MAX = 1 << 22
_SAFE = 1 << 62


@dataclass(frozen=True, slots=True)
class SlotService:
    """How fast the link takes frames off the sender.

    Attributes:
        slot_cycles: processor cycles a slot.
        idle_every: one slot in this many stays idle; None: none has to.
    """

    slot_cycles: Fraction
    idle_every: int | None = None

    @classmethod
    def of_budget(cls, budget: LinkBudget) -> SlotService:
        """Take both from a link's budget."""
        return cls(budget.slot_cycles, budget.idle_every)

    @property
    def frame_cycles(self) -> Fraction:
        """Processor cycles a frame in the long run."""
        if self.idle_every is None:
            return self.slot_cycles
        return self.slot_cycles * self.idle_every / (self.idle_every - 1)

    def least_served(self, span_cycles: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return the fewest frames that start within a count of cycles after another's start."""
        slots = span_cycles * self.slot_cycles.denominator // self.slot_cycles.numerator
        if self.idle_every is None:
            return slots
        return slots - (slots + 1) // self.idle_every


@dataclass(frozen=True, slots=True)
class StorePattern:
    """Stores that repeat: every `period_cycles`, one in each of `offset_cycles` after its start.

    Attributes:
        period_cycles: processor cycles from one round to the next.
        offset_cycles: rising, the first 0, all below the period.
    """

    period_cycles: int
    offset_cycles: tuple[int, ...] = (0,)

    @property
    def store_cycles(self) -> Fraction:
        """Processor cycles a store in the long run."""
        return Fraction(self.period_cycles, len(self.offset_cycles))

    def cycles(self, stores: int, *, first: int = 0) -> NDArray[np.int64]:
        """Return int64[stores]: in which cycle each falls, from the one numbered `first` on."""
        rounds, within = np.divmod(
            np.arange(first, first + stores, dtype=np.int64), len(self.offset_cycles)
        )
        return rounds * self.period_cycles + np.array(self.offset_cycles, np.int64)[within]


def growth_per_cycle(pattern: StorePattern, service: SlotService) -> Fraction:
    """Return how many more frames wait a processor cycle while the pattern lasts."""
    return max(1 / pattern.store_cycles - 1 / service.frame_cycles, Fraction(0))


def depth_for_burst(pattern: StorePattern, service: SlotService, *, stores: int) -> int:
    """Return the FIFO depth at which a count of stores of a pattern loses nothing, at any phase."""
    if stores <= 0:
        return 0
    return int(_waiting(pattern, service, stores).max())


def longest_burst(pattern: StorePattern, service: SlotService, *, fifo_depth: int) -> int | None:
    """Return how many stores of a pattern a FIFO takes without loss; None: any number.

    For a regular burst this is 1 + floor(d x slot / (slot - spacing)), the longest burst that
    GCRA lets pass. Bursts of more than `BURST_STORES_MAX` count as any number.
    """
    if len(pattern.offset_cycles) == 1 and service.idle_every is None:
        excess = service.slot_cycles - pattern.period_cycles
        return None if excess <= 0 else 1 + int(fifo_depth * service.slot_cycles // excess)
    stores = 1024 + 4 * (service.idle_every or 0)
    while True:
        waiting = _waiting(pattern, service, stores)
        over = np.flatnonzero(waiting > fifo_depth)
        if len(over):
            return int(over[0])
        if stores >= BURST_STORES_MAX or growth_per_cycle(pattern, service) == 0:
            return None
        stores *= 16


def _waiting(pattern: StorePattern, service: SlotService, stores: int) -> NDArray[np.int64]:
    """Return int64[stores]: frames that wait as each comes, itself included, at its worst phase."""
    worst = np.zeros(stores, np.int64)
    # A stretch that begins a whole round later is a stretch from the first round, moved.
    for first in range(min(len(pattern.offset_cycles), stores)):
        cycles = pattern.cycles(stores - first, first=first)
        served = service.least_served(cycles - cycles[0])
        worst[first:] = np.maximum(worst[first:], np.arange(stores - first) - served)
    return worst


class DepthMeter:
    """Stores at any cycles: the FIFO depth that they need, fed piece by piece.

    Attributes:
        depth: what the stores so far need, at any phase of the grid; exact for a link none of
            whose slots has to stay idle.

    Where one of N slots stays idle, pass the mean spacing of frames, slot x N / (N - 1). In m
    times that spacing exactly m frames start after another's at least, so the depth is enough
    there too; it may be one too deep.
    """

    def __init__(self, slot_cycles: Fraction) -> None:
        self.depth = 0
        self._most_ahead = 0  # most of (stores x slot - cycles) over all stretches, as `_least`
        self._slot = slot_cycles
        self._stores = 0
        self._first_cycle = 0
        # Least so far of (store number x slot - its cycle), in 1/denominator of a cycle.
        self._least: int | None = None

    def depth_without_register(self, budget: LinkBudget) -> int:
        """Return the depth of a FIFO in which a frame stands until it starts.

        `depth` is of a FIFO as `sender.fifo_depth` of a board counts it: it holds the frames that
        wait for others, and the one that only waits for the next start on the grid stands in an
        output register besides. Without such a register a frame waits up to a grid less a phase
        longer. Where slots have to stay idle, this may be one too deep.

        Args:
            budget: of the link whose slot the meter has.
        """
        if not self._stores:
            return 0
        if budget.idle_every is not None:
            return self.depth + budget.grid_places
        slot = self._slot.numerator
        grid = Fraction(slot * budget.grid_edges, budget.step_edges)
        return max(self.depth, ceil((self._most_ahead + grid - 1) / slot))

    def feed(self, cycles: UInt64Column | Iterable[int]) -> None:
        """Take more stores, in the order of their cycles."""
        column = np.asarray(cycles, np.uint64)
        if not len(column):
            return
        if self._least is None:
            self._first_cycle = int(column[0])
        first, slot = int(column[0]), self._slot
        span = int(column[-1]) - first
        offset = self._stores * slot.numerator - (first - self._first_cycle) * slot.denominator
        # This piece's own first store has 0 here; what lies above it cannot be the least.
        before = 0 if self._least is None else min(0, self._least - offset)
        # Exact in 64 bits where they hold the products, else in Python's integers.
        largest = max(len(column) * slot.numerator, span * slot.denominator) - before
        kind = np.int64 if largest < _SAFE else np.object_
        ahead: NDArray[Any] = np.arange(len(column)).astype(kind) * slot.numerator
        ahead -= (column - np.uint64(first)).astype(kind) * slot.denominator
        least = np.minimum(np.minimum.accumulate(ahead), before)
        most = int((ahead - least).max())
        self._most_ahead = max(self._most_ahead, most)
        self.depth = -(-self._most_ahead // slot.numerator)
        self._least = int(least[-1]) + offset
        self._stores += len(column)
