"""What a faults file says, as typed values: what damage to inject. Reading lives in `read_faults`.

Times are nanoseconds from link edge 0. Every kind draws from a stream of its own that the seed
and the kind's place in the file determine, so the same plan gives the same faults, and a kind
that is added behind the others leaves theirs as they were.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Span:
    """From when to when a fault is there.

    Attributes:
        first_ns: start, from link edge 0 on.
        stop_ns: end, not included; None: the end of the run.
    """

    first_ns: int = 0
    stop_ns: int | None = None


@dataclass(frozen=True, slots=True)
class BitFlips:
    """Bits that arrive wrong, each independent of the others, or in bursts.

    Attributes:
        ratio: probability that a bit on one of the lanes is hit.
        lanes: the wires; empty: all, the strobe (numbered after the last lane) included.
        burst_edges: a hit bit begins a burst of this many edges.
        burst_ratio: probability that each further bit of the burst is wrong too.
        span: from when to when.
    """

    ratio: float
    lanes: tuple[int, ...] = ()
    burst_edges: int = 1
    burst_ratio: float = 0.5
    span: Span = Span()


@dataclass(frozen=True, slots=True)
class StuckLane:
    """A wire that shows one level whatever is sent.

    Attributes:
        lane: the wire.
        level: its level, 0 or 1.
        span: from when to when.
    """

    lane: int
    level: int
    span: Span = Span()


@dataclass(frozen=True, slots=True)
class LateLane:
    """A wire that is skewed past its sampling edge: that edge samples the symbol before.

    Attributes:
        lane: the wire.
        ratio: share of the edges that come too early for it.
        span: from when to when.
    """

    lane: int
    ratio: float = 1.0
    span: Span = Span()


@dataclass(frozen=True, slots=True)
class EarlyLane:
    """A wire that runs ahead of the clock: an edge samples the symbol behind.

    Attributes:
        lane: the wire.
        ratio: share of the edges that come too late for it.
        span: from when to when.
    """

    lane: int
    ratio: float = 1.0
    span: Span = Span()


@dataclass(frozen=True, slots=True)
class LostEdges:
    """Clock edges that the receiver does not see, so that it misses a symbol.

    Attributes:
        ratio: probability that an edge is the first of a loss.
        count: edges lost in a row.
        at_edges: link edges at which further losses begin.
        span: from when to when.
    """

    ratio: float = 0.0
    count: int = 1
    at_edges: tuple[int, ...] = ()
    span: Span = Span()


@dataclass(frozen=True, slots=True)
class ExtraEdges:
    """Clock edges that nobody sent: the receiver samples the same symbol once more.

    Attributes:
        ratio: probability that an edge is doubled.
        at_edges: link edges that are doubled besides.
        span: from when to when.
    """

    ratio: float = 0.0
    at_edges: tuple[int, ...] = ()
    span: Span = Span()


@dataclass(frozen=True, slots=True)
class Stalls:
    """Times in which the receiver serves nothing: one in each period, at a random place.

    Attributes:
        period_ns: the period.
        length_ns: how long each stall takes.
    """

    period_ns: int
    length_ns: int


@dataclass(frozen=True, slots=True)
class FaultPlan:
    """All faults to inject, and the seed that repeats them.

    Attributes:
        seed: seed of everything random.
        bit_flips: bits that arrive wrong.
        stuck_lanes: wires that show one level.
        late_lanes: wires that are late against the clock.
        early_lanes: wires that are early against the clock.
        lost_edges: clock edges that the receiver misses.
        extra_edges: clock edges that nobody sent.
        stalls: times in which the receiver serves nothing.
        file: where it was read from; for messages only.
    """

    seed: int = 1
    bit_flips: tuple[BitFlips, ...] = ()
    stuck_lanes: tuple[StuckLane, ...] = ()
    late_lanes: tuple[LateLane, ...] = ()
    early_lanes: tuple[EarlyLane, ...] = ()
    lost_edges: tuple[LostEdges, ...] = ()
    extra_edges: tuple[ExtraEdges, ...] = ()
    stalls: tuple[Stalls, ...] = ()
    file: str = ""

    @property
    def on_wire(self) -> bool:
        """Whether anything is injected between the two ends."""
        return bool(
            self.bit_flips
            or self.stuck_lanes
            or self.late_lanes
            or self.early_lanes
            or self.lost_edges
            or self.extra_edges
        )

    def __bool__(self) -> bool:
        """Return whether anything is injected at all."""
        return self.on_wire or bool(self.stalls)
