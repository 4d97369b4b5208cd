"""The clock, recovered from its samples: edges as they were seen, or as they must have been.

Two ways, and why. *As seen*: an edge is where the analyser first saw the new level, up to a sample
late. Right for clocks that pause, jitter or are run by software, and where there are about four
samples an edge. *Steady*: a clock that runs on its own is known much better than a sample from the
edges before, so its lanes can be read at 1.5 samples an edge; an edge that the analyser missed is
filled in, one too many is left out, and both are counted.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isqrt

import numpy as np
from numpy.typing import NDArray

from busplay.batch import ChangeBatch
from busplay.capture import edge_picking
from busplay.capture.lane_map import Probe
from busplay.description.link import Edges

Int64Column = NDArray[np.int64]
KindColumn = NDArray[np.uint8]

# A steady clock that has been silent for longer has stopped.
PAUSE_EDGES = 64
# Over how many edges a steady clock is averaged: a crystal's, and one that wanders.
STEADY_MEMORY = edge_picking.LONG_MEMORY
WANDERING_MEMORY = 1 << 5


@dataclass(frozen=True, slots=True)
class ClockPlan:
    """How to follow a clock; made by `survey`.

    Attributes:
        period_ps: usual spacing of the edges on which the link samples.
        steady: take the edges from the steady clock, not as they were seen.
        period_parts: the same spacing in 2**-20 ps, for a steady clock.
        duty_parts: by how much the clock's levels differ, in 2**-20 ps; see `edge_picking.DUTY`.
        wanders: the period changes within a capture, by more than crystals do.
        is_gated: the clock stands still between frames as a rule.
        resolution_ps: the analyser's sample period; 0: finer than matters.
        glitch_ps: levels of the clock that are shorter do not count.
    """

    period_ps: int
    steady: bool = False
    period_parts: int = 0
    duty_parts: int = 0
    wanders: bool = False
    is_gated: bool = False
    resolution_ps: int = 0
    glitch_ps: int = 0


@dataclass(frozen=True, slots=True)
class ClockCounters:
    """What a clock did.

    Attributes:
        edges: transitions of both kinds, glitches left out.
        edges_used: those on which the link samples.
        edges_missing: that would have fitted into spacings of one and a half periods or more,
            pauses left out.
        edges_early: that came less than half a period after the one before.
        edges_filled: of a steady clock, put where the analyser saw none.
        edges_left_out: of a steady clock, seen where none belongs.
        glitches: levels too short to count.
        pauses: times that the clock stood still.
        period_ps: mean spacing of edges that are used.
        jitter_ps: root mean square deviation of that spacing, sampling included.
        spacing_least_ps, spacing_most_ps: extremes of regular spacings.
        duty_ratio: share of time that the clock is high.
        unknown: changes at which the clock's level was neither high nor low.
    """

    edges: int
    edges_used: int
    edges_missing: int
    edges_early: int
    edges_filled: int
    edges_left_out: int
    glitches: int
    pauses: int
    period_ps: int
    jitter_ps: int
    spacing_least_ps: int
    spacing_most_ps: int
    duty_ratio: float
    unknown: int


class ClockFollower:
    """The edges on which a link samples, from the changes of a capture.

    Args:
        probe: the clock's.
        edges: of the link.
        plan: what was found out about the clock.
    """

    def __init__(self, probe: Probe, *, edges: Edges, plan: ClockPlan) -> None:
        self.plan = plan
        self._mask = np.uint64(1 << probe.index)
        self._inverted = int(probe.inverted)
        self._both = int(edges == "both")
        self._wanted = edge_picking.FALLS if edges == "falling" else edge_picking.RISES
        self._pause_ps = (PAUSE_EDGES if not plan.is_gated else 4) * plan.period_ps
        self._picked = np.zeros(edge_picking.PICK_STATE, np.int64)
        for place in (
            edge_picking.CLOCK_LEVEL,
            edge_picking.PENDING_PS,
            edge_picking.LAST_ANY_PS,
            edge_picking.LAST_ACTIVE_PS,
            edge_picking.FIRST_PS,
        ):
            self._picked[place] = -1
        self._picked[edge_picking.SPACING_LEAST_PS] = np.iinfo(np.int64).max
        self._square = np.zeros(1, np.float64)
        self._steady = np.zeros(edge_picking.STEADY_STATE, np.int64)
        self._steady[edge_picking.PERIOD] = plan.period_parts
        self._steady[edge_picking.DUTY] = plan.duty_parts
        memory_edges = WANDERING_MEMORY if plan.wanders else STEADY_MEMORY
        self._steady[edge_picking.MEMORY_EDGES] = memory_edges
        self._steady[edge_picking.FOLLOWS_PERIOD] = int(plan.wanders)
        self._steady[edge_picking.LAST_GIVEN_PS] = -1
        self._used = 0

    @property
    def first_edge_ps(self) -> int | None:
        """Time of the first transition of either kind, or None."""
        first = int(self._picked[edge_picking.FIRST_PS])
        return first if first >= 0 else None

    @property
    def level(self) -> int:
        """The clock's level now; -1 before the first change."""
        return int(self._picked[edge_picking.CLOCK_LEVEL])

    def feed(self, changes: ChangeBatch) -> tuple[Int64Column, KindColumn]:
        """Take changes; return the edges that are settled: int64[edges] ps, uint8[edges] kinds."""
        return self._settled(*self._pick(changes, is_last=False))

    def flush(self) -> tuple[Int64Column, KindColumn]:
        """Return the edges that were held back, as no more changes come."""
        return self._settled(*self._pick(ChangeBatch.empty(), is_last=True))

    def _pick(self, changes: ChangeBatch, *, is_last: bool) -> tuple[Int64Column, KindColumn]:
        room = len(changes) + 2
        edge_ps = np.empty(room, np.int64)
        kind = np.empty(room, np.uint8)
        count = edge_picking.pick_edges(
            changes.time_ps,
            changes.level,
            changes.unknown,
            int(is_last),
            self._mask,
            self._inverted,
            self._both,
            self._wanted,
            self.plan.glitch_ps,
            self.plan.period_ps,
            self._pause_ps,
            self._picked,
            self._square,
            edge_ps,
            kind,
        )
        return edge_ps[:count], kind[:count]

    def _settled(self, seen_ps: Int64Column, kind: KindColumn) -> tuple[Int64Column, KindColumn]:
        if not self.plan.steady:
            self._used += len(seen_ps)
            return seen_ps, kind
        parts: list[tuple[Int64Column, KindColumn]] = []
        done = 0
        while done < len(seen_ps):
            room = len(seen_ps) - done + 2 * PAUSE_EDGES
            out_ps = np.empty(room, np.int64)
            out_kind = np.empty(room, np.uint8)
            count, done = edge_picking.steady_edges(
                seen_ps, kind, self._both, PAUSE_EDGES, self._steady, out_ps, out_kind, done
            )
            parts.append((out_ps[:count], out_kind[:count]))
        if len(parts) == 1:
            given = parts[0]
        else:
            given = (
                np.concatenate([part[0] for part in parts] or [np.empty(0, np.int64)]),
                np.concatenate([part[1] for part in parts] or [np.empty(0, np.uint8)]),
            )
        self._used += len(given[0])
        return given

    @property
    def counters(self) -> ClockCounters:
        """What the clock did so far."""
        picked = self._picked
        spacings = int(picked[edge_picking.SPACINGS])
        mean_deviation = int(picked[edge_picking.SPACING_PS]) / spacings if spacings else 0.0
        variance = float(self._square[0]) / spacings - mean_deviation**2 if spacings else 0.0
        high = _mean(int(picked[edge_picking.HIGH_PS]), int(picked[edge_picking.HIGH_COUNT]))
        low = _mean(int(picked[edge_picking.LOW_PS]), int(picked[edge_picking.LOW_COUNT]))
        return ClockCounters(
            edges=int(picked[edge_picking.RISING] + picked[edge_picking.FALLING]),
            edges_used=self._used,
            edges_missing=int(picked[edge_picking.EDGES_MISSING]),
            edges_early=int(picked[edge_picking.EDGES_EARLY]),
            edges_filled=int(self._steady[edge_picking.EDGES_FILLED]),
            edges_left_out=int(self._steady[edge_picking.EDGES_LEFT_OUT]),
            glitches=int(picked[edge_picking.GLITCHES]),
            pauses=int(picked[edge_picking.PAUSES]),
            period_ps=self.plan.period_ps + round(mean_deviation),
            jitter_ps=isqrt(max(0, round(variance))),
            spacing_least_ps=int(picked[edge_picking.SPACING_LEAST_PS]) if spacings else 0,
            spacing_most_ps=int(picked[edge_picking.SPACING_MOST_PS]),
            duty_ratio=round(high / (high + low), 4) if high + low else 0.0,
            unknown=int(picked[edge_picking.UNKNOWN]),
        )


def _mean(total: int, count: int) -> float:
    return total / count if count else 0.0
