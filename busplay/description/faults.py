"""A faults file as typed values; `read_faults` reads it.

Times are nanoseconds from link edge 0. Every kind draws from a stream of its own, set by the seed
and the kind's place in the file, so the same plan injects the same faults, and appending one does
not change the others.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Span:
    """When a fault is present.

    Attributes:
        first_ns: start, from link edge 0 on.
        stop_ns: end, not included; None: the end of the run.
    """

    first_ns: int = 0
    stop_ns: int | None = None


@dataclass(frozen=True, slots=True)
class BitFlips:
    """Bit errors, independent or in bursts.

    Attributes:
        ratio: probability that a bit on one of the lanes is hit.
        lanes: the wires; empty: all, the strobe (numbered after the last lane) included.
        burst_edges: a hit bit begins a burst of this many edges.
        burst_ratio: probability that each further bit of the burst is flipped too.
        span: from when to when.
    """

    ratio: float
    lanes: tuple[int, ...] = ()
    burst_edges: int = 1
    burst_ratio: float = 0.5
    span: Span = Span()

    def __post_init__(self) -> None:
        # Sorted, each once, so that the same wires have the same faults.
        object.__setattr__(self, "lanes", tuple(sorted(set(self.lanes))))


@dataclass(frozen=True, slots=True)
class StuckLane:
    """A wire stuck at one level.

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
    """A wire that runs ahead of the clock: an edge samples the next symbol.

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
    """Clock edges that the receiver misses, and with each a symbol.

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
    """Extra clock edges: the receiver samples the same symbol again.

    Attributes:
        ratio: probability that an edge is doubled.
        at_edges: further link edges that are doubled.
        span: from when to when.
    """

    ratio: float = 0.0
    at_edges: tuple[int, ...] = ()
    span: Span = Span()


@dataclass(frozen=True, slots=True)
class Stalls:
    """Times without service: one in each period, at a random point.

    Attributes:
        period_ns: the period.
        length_ns: length of each stall.
    """

    period_ns: int
    length_ns: int


@dataclass(frozen=True, slots=True, init=False)
class Faults:
    """The faults to inject, and the seed that repeats them.

    The usual faults have short forms, as on the command line; they are appended to the attribute of
    the same kind.

    Args:
        ber: bit error rate, of all lanes or by lane.
        burst_edges: each bit that `ber` flips begins a burst of that many edges; half of its
            further bits are flipped.
        lost_edges, extra_edges: probability of losing or adding a clock edge, or fault objects.
        stuck: level, 0 or 1, at which a lane is stuck, by lane.
        late, early: share of the edges at which a lane is an edge late or early, by lane.
        stalls: (length_ns, period_ns) of times without service, one in each period, or fault
            objects.

    Attributes:
        seed: random seed.
        bit_flips: bit errors.
        stuck_lanes: wires stuck at one level.
        late_lanes: wires that are late against the clock.
        early_lanes: wires that are early against the clock.
        lost_edges: clock edges that the receiver misses.
        extra_edges: extra clock edges.
        stalls: times without service.
        file: where it was read from; for messages only.

    Raises:
        ValueError: bursts of no bit errors.

    >>> import busplay
    >>> faults = busplay.Faults(ber={2: 1e-3}, lost_edges=1e-6, seed=7)
    >>> faults.bit_flips[0].lanes, faults.lost_edges[0].ratio, faults.seed
    ((2,), 1e-06, 7)
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

    def __init__(
        self,
        *,
        ber: float | Mapping[int, float] | None = None,
        burst_edges: int | None = None,
        lost_edges: float | Iterable[LostEdges] = (),
        extra_edges: float | Iterable[ExtraEdges] = (),
        stuck: Mapping[int, int] | None = None,
        late: Mapping[int, float] | None = None,
        early: Mapping[int, float] | None = None,
        stalls: Iterable[tuple[int, int] | Stalls] = (),
        seed: int = 1,
        bit_flips: Iterable[BitFlips] = (),
        stuck_lanes: Iterable[StuckLane] = (),
        late_lanes: Iterable[LateLane] = (),
        early_lanes: Iterable[EarlyLane] = (),
        file: str = "",
    ) -> None:
        if burst_edges is not None and ber is None:
            raise ValueError("burst_edges is the length of the bursts of ber; give both")
        burst_edges = 1 if burst_edges is None else burst_edges
        by_lane: Mapping[int, float] = ber if isinstance(ber, Mapping) else {}
        flips = [BitFlips(ratio, (lane,), burst_edges) for lane, ratio in by_lane.items()]
        if isinstance(ber, int | float):
            flips.append(BitFlips(float(ber), (), burst_edges))
        if isinstance(lost_edges, int | float):
            lost_edges = (LostEdges(float(lost_edges)),)
        if isinstance(extra_edges, int | float):
            extra_edges = (ExtraEdges(float(extra_edges)),)
        values: dict[str, object] = {
            "seed": seed,
            "bit_flips": (*bit_flips, *flips),
            "stuck_lanes": (*stuck_lanes, *(StuckLane(*one) for one in (stuck or {}).items())),
            "late_lanes": (*late_lanes, *(LateLane(*one) for one in (late or {}).items())),
            "early_lanes": (*early_lanes, *(EarlyLane(*one) for one in (early or {}).items())),
            "lost_edges": tuple(lost_edges),
            "extra_edges": tuple(extra_edges),
            "stalls": tuple(
                one if isinstance(one, Stalls) else Stalls(period_ns=one[1], length_ns=one[0])
                for one in stalls
            ),
            "file": file,
        }
        for name, value in values.items():
            object.__setattr__(self, name, value)

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
        """Return whether anything is injected."""
        return self.on_wire or bool(self.stalls)
