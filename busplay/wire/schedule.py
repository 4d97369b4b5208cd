"""When each fault occurs: a plan's random streams, and the spans in which a wire is faulty.

Random faults are taken up to an edge, each once. A wire that is faulty on every edge of a span is
not a stream: it is in `dense`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from busplay.batch import Int64Column
from busplay.description.faults import EarlyLane, Faults, LateLane, Span
from busplay.units import NS_PER_S, Ratio
from busplay.wire.streams import NEVER, EdgeStream, FlipStream, Hits, generator

# Stream numbers, which seed a generator together with the seed and the index in the plan.
FLIPS, BURSTS, LATE, LOST, EXTRA, EARLY = range(6)


@dataclass(frozen=True, slots=True)
class Dense:
    """Faults of every edge of a piece: masks of wires, and the levels of stuck ones."""

    late: int = 0
    early: int = 0
    stuck: int = 0
    level: int = 0


class Schedule:
    """When each fault of a plan occurs.

    Args:
        plan: the faults.
        edge_hz: edges in a second.
        wires: lanes and strobe.

    Attributes:
        dense: (first edge, stop edge, faults of every edge between), in the plan's order.
    """

    def __init__(self, plan: Faults, *, edge_hz: int, wires: int) -> None:
        self._seed = plan.seed
        self._edges_of_ns = Ratio.of(edge_hz, NS_PER_S)
        self.dense: list[tuple[int, int, Dense]] = []
        self._flips = []
        for index, flips in enumerate(plan.bit_flips):
            first, stop = self._edges_of(flips.span)
            self._flips.append(
                FlipStream(
                    generator(plan.seed, FLIPS, index),
                    generator(plan.seed, BURSTS, index),
                    flips.ratio,
                    wires=flips.lanes or tuple(range(wires)),
                    burst_edges=flips.burst_edges,
                    burst_ratio=flips.burst_ratio,
                    first_edge=first,
                    stop_edge=stop,
                )
            )
        self._late = self._make_skews(plan.late_lanes, LATE)
        self._early = self._make_skews(plan.early_lanes, EARLY)
        for stuck in plan.stuck_lanes:
            wire = 1 << stuck.lane
            self.dense.append(
                (*self._edges_of(stuck.span), Dense(stuck=wire, level=wire * stuck.level))
            )
        self._gone: Int64Column = np.empty(0, np.int64)
        self._lost = [
            (one.count, self._edge_stream(LOST, index, one.ratio, one.span, one.at_edges))
            for index, one in enumerate(plan.lost_edges)
        ]
        self._extra = [
            self._edge_stream(EXTRA, index, one.ratio, one.span, one.at_edges)
            for index, one in enumerate(plan.extra_edges)
        ]

    def take_flips(self, stop_edge: int) -> Hits:
        """Return the bits that flip before an edge, each once."""
        return Hits.joined([stream.take(stop_edge) for stream in self._flips]).combined()

    def take_late(self, stop_edge: int) -> Hits:
        """Return the edges before another at which lanes are late at random, each once."""
        return _take(self._late, stop_edge)

    def take_early(self, stop_edge: int) -> Hits:
        """Return the edges before another at which lanes are early at random, each once."""
        return _take(self._early, stop_edge)

    def take_lost(self, stop_edge: int) -> Int64Column:
        """Return the lost edges before another, each once."""
        if not self._lost:
            return self._gone
        parts = [self._gone]
        for count, stream in self._lost:
            begun = stream.take(stop_edge)
            if len(begun):
                parts.append((begun[:, None] + np.arange(count)).reshape(-1))
        lost = np.unique(np.concatenate(parts))
        cut = int(np.searchsorted(lost, stop_edge))
        self._gone = lost[cut:]
        return lost[:cut]

    def take_extra(self, stop_edge: int) -> Int64Column:
        """Return the edges before another that are sampled twice, each once."""
        if not self._extra:
            return np.empty(0, np.int64)
        parts = [stream.take(stop_edge) for stream in self._extra]
        return np.unique(np.concatenate([np.empty(0, np.int64), *parts]))

    def _make_skews(
        self, lanes: Sequence[LateLane | EarlyLane], kind: int
    ) -> list[tuple[int, EdgeStream]]:
        streams = []
        for index, lane in enumerate(lanes):
            mask = 1 << lane.lane
            if lane.ratio == 1:
                dense = Dense(late=mask) if kind == LATE else Dense(early=mask)
                self.dense.append((*self._edges_of(lane.span), dense))
            else:
                streams.append((mask, self._edge_stream(kind, index, lane.ratio, lane.span)))
        return streams

    def _edge_stream(
        self, kind: int, index: int, ratio: float, span: Span, at_edges: tuple[int, ...] = ()
    ) -> EdgeStream:
        first, stop = self._edges_of(span)
        random = generator(self._seed, kind, index)
        return EdgeStream(random, ratio, first_edge=first, stop_edge=stop, at_edges=at_edges)

    def _edges_of(self, span: Span) -> tuple[int, int]:
        first = min(self._edges_of_ns.ceil(span.first_ns), NEVER)
        if span.stop_ns is None:
            return first, NEVER
        return first, min(self._edges_of_ns.ceil(span.stop_ns), NEVER)


def _take(lanes: Sequence[tuple[int, EdgeStream]], stop_edge: int) -> Hits:
    hits = []
    for mask, stream in lanes:
        edge = stream.take(stop_edge)
        hits.append(Hits(edge, np.full(len(edge), mask, np.uint64)))
    return Hits.joined(hits)
