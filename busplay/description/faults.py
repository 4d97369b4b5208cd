"""What a faults file says, as typed values: what damage to inject. Reading lives in `read_faults`.

Times are nanoseconds from link edge 0. Every kind draws from a stream of its own that the seed
and the kind's place in the file determine, so the same plan gives the same faults, and a kind
that is added behind the others leaves theirs as they were.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
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

    def __post_init__(self) -> None:
        # In one order and each once, so that the same wires have the same faults.
        object.__setattr__(self, "lanes", tuple(sorted(set(self.lanes))))


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


@dataclass(frozen=True, slots=True, init=False)
class Faults:
    """The faults to inject, and the seed that repeats them.

    The usual faults have short forms, as the options of the command line have; they stand behind
    what the attribute of the same kind says.

    Args:
        ber: bit error rate, of all lanes or by lane.
        burst_edges: each bit that `ber` flips begins a burst of that many edges; half of its
            further bits are wrong.
        lost_edges, extra_edges: probability of losing or adding a clock edge, or the whole faults.
        stuck: level, 0 or 1, that a lane shows whatever is sent, by lane.
        late, early: share of the edges at which a lane comes an edge late or early, by lane.
        stalls: (length_ns, period_ns) of times in which the receiver serves nothing, one in each
            period, or the whole faults.

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
        """Return whether anything is injected at all."""
        return self.on_wire or bool(self.stalls)
