"""When random faults occur: streams of events that depend on the seed alone.

How to think about it. A random fault is a sequence of trials, one an edge (or one a bit), each
with the same small probability. The gap from one hit to the next is geometric, so a stream draws
these gaps and skips the trials between. Each stream has its own generator (PCG64), draws in
blocks of fixed size and keeps what is past the edge asked for. So the same seed yields the same
events, however the wire is cut into batches.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from busplay.batch import Int64Column

BLOCK_HITS = 1024
BLOCK_BITS_MAX = 1 << 20
# Longer than any likely gap at a probability of 1e-12; keeps sums of a block within 64 bits.
GAP_MAX = 1 << 50
NEVER = (1 << 63) - 1


@dataclass(frozen=True, slots=True, eq=False)
class Hits:
    """Edges that are hit, in order, and which wires of each.

    Attributes:
        edge: int64[hits].
        mask: uint64[hits]; one bit a wire.
    """

    edge: Int64Column
    mask: NDArray[np.uint64]

    def __len__(self) -> int:
        return len(self.edge)

    @classmethod
    def none(cls) -> Hits:
        """Make empty columns."""
        return _NO_HITS

    @classmethod
    def joined(cls, parts: list[Hits]) -> Hits:
        """Merge streams in order of their edges; an edge may be hit twice."""
        parts = [part for part in parts if len(part)]
        if len(parts) <= 1:
            return parts[0] if parts else cls.none()
        edge = np.concatenate([part.edge for part in parts])
        mask = np.concatenate([part.mask for part in parts])
        order = np.argsort(edge, kind="stable")
        return cls(edge[order], mask[order])

    def combined(self) -> Hits:
        """Combine the hits of each edge; a bit flipped twice is not flipped."""
        if len(self) < 2 or (self.edge[1:] != self.edge[:-1]).all():
            return self
        first = np.flatnonzero(np.concatenate([[True], self.edge[1:] != self.edge[:-1]]))
        edge, mask = self.edge[first], np.bitwise_xor.reduceat(self.mask, first)
        return Hits(edge[mask != 0], mask[mask != 0])

    def between(self, first_edge: int, stop_edge: int) -> Hits:
        """Return the hits from an edge on and before another."""
        if not len(self):
            return self
        low, high = self.edge.searchsorted((first_edge, stop_edge))
        return Hits(self.edge[low:high], self.mask[low:high])


_NO_HITS = Hits(np.empty(0, np.int64), np.empty(0, np.uint64))


def generator(seed: int, kind: int, index: int) -> np.random.Generator:
    """Make a stream's generator from the plan's seed, a kind of fault, and its index."""
    return np.random.Generator(np.random.PCG64(np.random.SeedSequence([seed, kind, index])))


class TrialStream:
    """Rising numbers of the trials that hit, each trial with the same probability."""

    def __init__(self, random: np.random.Generator, ratio: float) -> None:
        self._random = random
        self._ratio = ratio
        self._next = 0
        self._waiting = np.empty(0, np.int64)

    def take(self, stop: int) -> Int64Column:
        """Return the hits before trial `stop`, each once."""
        if self._ratio == 0:
            return np.empty(0, np.int64)
        parts = [self._waiting]
        while self._next < stop:
            gaps = np.minimum(self._random.geometric(self._ratio, BLOCK_HITS), GAP_MAX)
            # With a probability of 2**-60 a gap overflows; NumPy then returns a negative one.
            gaps[gaps <= 0] = GAP_MAX
            hits = self._next - 1 + np.cumsum(gaps)
            self._next = int(hits[-1]) + 1
            parts.append(hits)
        hits = np.concatenate(parts) if len(parts) > 1 else self._waiting
        count = int(hits.searchsorted(stop))
        self._waiting = hits[count:]
        return hits[:count]


class EdgeStream:
    """Edges that are hit, each with the same probability, from one edge up to another."""

    def __init__(
        self,
        random: np.random.Generator,
        ratio: float,
        *,
        first_edge: int = 0,
        stop_edge: int = NEVER,
        at_edges: tuple[int, ...] = (),
    ) -> None:
        self._trials = TrialStream(random, ratio)
        self._first = first_edge
        self._stop = stop_edge
        self._given = np.array(sorted(set(at_edges)), np.int64)

    def take(self, stop_edge: int) -> Int64Column:
        """Return the hits before `stop_edge`, each once, in order."""
        stop = min(stop_edge, self._stop)
        hits = np.empty(0, np.int64)
        if stop > self._first:
            hits = self._trials.take(stop - self._first) + self._first
        count = int(np.searchsorted(self._given, stop_edge))
        if count:
            hits = np.union1d(hits, self._given[:count])
            self._given = self._given[count:]
        return hits


class FlipStream:
    """Bits that are flipped, one by one or in bursts.

    A trial is one bit: the wires of an edge in their order, then the next edge's. A burst is
    drawn at its start; the part past the edge asked for waits.
    """

    def __init__(
        self,
        random: np.random.Generator,
        burst_random: np.random.Generator,
        ratio: float,
        *,
        wires: tuple[int, ...],
        burst_edges: int = 1,
        burst_ratio: float = 0.5,
        first_edge: int = 0,
        stop_edge: int = NEVER,
    ) -> None:
        self._burst_random = burst_random
        self._trials = TrialStream(random, ratio)
        self._wires = np.array(wires, np.uint64)
        self._burst_edges = burst_edges
        self._burst_ratio = burst_ratio
        self._first = first_edge
        self._stop = stop_edge
        self._waiting = Hits.none()

    def take(self, stop_edge: int) -> Hits:
        """Return the bits flipped before `stop_edge`, each once."""
        stop = min(stop_edge, self._stop)
        fresh = Hits.none()
        if stop > self._first:
            fresh = self._bursts(self._trials.take((stop - self._first) * len(self._wires)))
        hits = Hits.joined([self._waiting, fresh])
        self._waiting = hits.between(stop_edge, NEVER)
        return hits.between(0, stop_edge)

    def _bursts(self, trials: Int64Column) -> Hits:
        """Expand hits to bursts."""
        if not len(trials):
            return Hits.none()
        edge = self._first + trials // len(self._wires)
        mask = np.uint64(1) << self._wires[trials % len(self._wires)]
        further = self._burst_edges - 1
        if not further:
            return Hits(edge, mask)
        parts = [Hits(edge, mask)]
        # Drawn hit by hit from the burst generator, so that cuts of a stretch change nothing.
        at_once = max(1, BLOCK_BITS_MAX // (further * len(self._wires)))
        for first in range(0, len(trials), at_once):
            some = edge[first : first + at_once]
            wrong = self._burst_random.random((len(some), further, len(self._wires)))
            masks = ((wrong < self._burst_ratio) << self._wires).astype(np.uint64)
            masks = np.bitwise_or.reduce(masks, axis=2)
            edges = some[:, None] + np.arange(1, further + 1)
            found = masks != 0
            parts.append(Hits(edges[found], masks[found]))
        return Hits.joined(parts)
