"""What a sweep varies: one figure of board or wire at a time, all else as it is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from busplay.description.board import Board, BusyTime
from busplay.description.faults import BitFlips, Faults, LostEdges

DEFAULT_BUSY_PERIOD_NS = 1_000_000


class Figure(StrEnum):
    """A figure that can be swept."""

    BER = "ber"
    LOST_EDGES = "lost_edges"
    FIFO_DEPTH = "fifo_depth"
    SERVICE_NS = "service_ns"
    BUSY_NS = "busy_ns"


TITLES = {
    Figure.BER: "probability of a bit error",
    Figure.LOST_EDGES: "probability of losing an edge",
    Figure.FIFO_DEPTH: "receiver FIFO depth",
    Figure.SERVICE_NS: "service time of a frame, ns",
    Figure.BUSY_NS: "length of a busy time, ns",
}
DEFAULTS: dict[Figure, tuple[float, ...]] = {
    Figure.BER: (1e-7, 1e-6, 1e-5, 1e-4, 1e-3, 1e-2),
    Figure.LOST_EDGES: (1e-8, 1e-7, 1e-6, 1e-5, 1e-4),
    Figure.FIFO_DEPTH: (1, 2, 4, 8, 16, 32, 64, 128),
    Figure.SERVICE_NS: (50, 100, 200, 300, 400, 500, 750, 1_000, 1_500, 2_000),
    Figure.BUSY_NS: (1_000, 2_000, 5_000, 10_000, 20_000, 50_000),
}


@dataclass(frozen=True, slots=True)
class Point:
    """One place of a sweep.

    Attributes:
        figure: what is varied.
        value: to what; whole for counts and times.
    """

    figure: Figure
    value: float


def apply(
    point: Point | None, board: Board, faults: Faults, *, busy_period_ns: int
) -> tuple[Board, Faults]:
    """Return board and faults with a point's figure in its place.

    Args:
        point: None leaves both as they are.
        board, faults: to begin with. A probability replaces the plan's first of its kind, a
            busy time's length that of the board's first.
        busy_period_ns: of the busy time where the board has none.
    """
    if point is None:
        return board, faults
    value = point.value
    receiver = board.receiver
    match point.figure:
        case Figure.BER:
            first = faults.bit_flips[0] if faults.bit_flips else BitFlips(0.0)
            flips = (replace(first, ratio=value), *faults.bit_flips[1:])
            return board, replace(faults, bit_flips=flips)
        case Figure.LOST_EDGES:
            lost = faults.lost_edges[0] if faults.lost_edges else LostEdges()
            edges = (replace(lost, ratio=value), *faults.lost_edges[1:])
            return board, replace(faults, lost_edges=edges)
        case Figure.FIFO_DEPTH:
            receiver = replace(receiver, fifo_depth=int(value))
        case Figure.SERVICE_NS:
            receiver = replace(receiver, service_ns=int(value))
        case Figure.BUSY_NS:
            busy = receiver.busy[0] if receiver.busy else BusyTime(busy_period_ns, 1)
            length, rest = int(value), receiver.busy[1:]
            jitter = min(busy.jitter_ns, max(0, busy.period_ns - length))
            busy = replace(busy, length_ns=length, jitter_ns=jitter)
            receiver = replace(receiver, busy=(busy, *rest) if length else rest)
    return replace(board, receiver=receiver), faults


def points_of(sweeps: dict[Figure, Sequence[float]]) -> list[Point]:
    """List the points of some sweeps, in order."""
    return [Point(figure, value) for figure, values in sweeps.items() for value in values]


def is_random(board: Board, faults: Faults) -> bool:
    """Return whether a second trial can come out otherwise than the first."""
    return (
        any(one.ratio > 0 for one in faults.bit_flips)
        or any(0 < one.ratio < 1 for one in faults.late_lanes)
        or any(0 < one.ratio < 1 for one in faults.early_lanes)
        or any(one.ratio > 0 for one in faults.lost_edges)
        or any(one.ratio > 0 for one in faults.extra_edges)
        or bool(faults.stalls)
        or any(one.jitter_ns > 0 for one in board.receiver.busy)
    )
