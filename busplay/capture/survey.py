"""A look at the beginning of a capture: what the clock is like, and when lanes are at rest.

How to think about it. The spacing of clock edges gives the period; how far the edges stray from an
even grid tells whether the clock runs on its own. If the analyser samples at a fixed rate, spacings
differ by whole samples, which is how the rate is found where a file does not state it. Then every
change of a lane is put at its place between two edges, folded to one period; where no lane ever
changes is where lanes are best read. Moments are times from an edge, from half a period before it
to half a period after.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from busplay.batch import ChangeBatch
from busplay.capture import edge_picking
from busplay.capture.clock import ClockFollower, ClockPlan, Int64Column, KindColumn
from busplay.capture.lane_map import Probe
from busplay.description.link import Edges

# From this many samples an edge, edges as seen are good enough: the usual rule of thumb.
SAMPLES_FOR_CERTAINTY = 4
LEAST_EDGES = 4
_BLOCK_EDGES = 48
EDGES_TO_JUDGE = 2 * _BLOCK_EDGES  # fewer do not show whether a clock is steady
_STEADY_SHARE = 0.9
_FINE_BINS = 512
_PART_BITS = 20


@dataclass(frozen=True, slots=True)
class ClockSurvey:
    """What was found out about a clock.

    Attributes:
        plan: how to follow it.
        edges: edges that were looked at.
        is_steady: it runs on its own, without pauses.
        samples_per_edge: sample periods in one level of the clock, so from one edge of either
            kind to the next; 0: finer than matters.
        rate_is_told: the sample rate was stated, not inferred.
        edge_ps, kind: the edges, as the plan gives them.
    """

    plan: ClockPlan
    edges: int
    is_steady: bool
    samples_per_edge: float
    rate_is_told: bool
    edge_ps: Int64Column
    kind: KindColumn


def survey_clock(
    changes: ChangeBatch,
    probe: Probe,
    *,
    edges: Edges,
    sample_ps: int | None,
    glitch_filter_ps: int | None = None,
    clock_recovery: str = "auto",
) -> ClockSurvey | None:
    """Look at a clock; return None where it has fewer than LEAST_EDGES edges.

    Args:
        changes: the beginning of a capture, as much as should be looked at.
        probe: the clock's.
        edges: of the link.
        sample_ps: the analyser's sample period, if it is known.
        glitch_filter_ps: clock levels shorter than this do not count; None: a quarter of the usual.
        clock_recovery: `steady`, `seen`, or `auto`: steady if it is and the samples are few.
    """
    rough = ClockFollower(probe, edges=edges, plan=ClockPlan(period_ps=0))
    edge_ps, kind = rough.feed(changes)
    if len(edge_ps) < LEAST_EDGES:
        return None
    spacing = np.diff(edge_ps)
    period_ps = _usual(spacing, pair=edges == "both")
    glitch = _glitch_ps(changes, probe, glitch_filter_ps, period_ps)
    if glitch:
        clean = ClockFollower(probe, edges=edges, plan=ClockPlan(period_ps=0, glitch_ps=glitch))
        clean_ps, clean_kind = clean.feed(changes)
        if len(clean_ps) >= LEAST_EDGES:
            edge_ps, kind = clean_ps, clean_kind
            spacing = np.diff(edge_ps)
            period_ps = _usual(spacing, pair=edges == "both")
    resolution = sample_ps or _guessed_sample_ps(spacing, period_ps)
    pauses = int(np.count_nonzero(spacing >= 4 * period_ps))
    is_gated = pauses > 0 and pauses * 400 > len(spacing)
    fit = None if is_gated else _fit(edge_ps, kind, period_ps, resolution, both=edges == "both")
    is_steady = fit is not None
    samples = _samples_per_level(period_ps, resolution, edges)
    is_coarse = is_steady and 0 < samples < SAMPLES_FOR_CERTAINTY
    follow = is_coarse if clock_recovery == "auto" else clock_recovery == "steady"
    parts, duty, wanders = fit if fit is not None else (period_ps << _PART_BITS, 0, True)
    if is_steady:
        period_ps = parts >> _PART_BITS
        samples = _samples_per_level(period_ps, resolution, edges)
    plan = ClockPlan(
        period_ps=period_ps,
        steady=bool(follow),
        period_parts=parts,
        duty_parts=duty,
        wanders=wanders,
        is_gated=is_gated,
        resolution_ps=resolution,
        glitch_ps=glitch,
    )
    final = ClockFollower(probe, edges=edges, plan=plan)
    edge_ps, kind = final.feed(changes)
    return ClockSurvey(plan, len(edge_ps), is_steady, samples, sample_ps is not None, edge_ps, kind)


def moves_by_signal(changes: ChangeBatch, before: np.uint64 | None = None) -> Int64Column:
    """Count each signal's changes: int64[64]; from the levels before the first row, if given."""
    first = changes.level[:1] if before is None else np.array([before], np.uint64)
    moved = changes.level ^ np.concatenate([first, changes.level[:-1]])
    some = int(np.bitwise_or.reduce(moved)) if len(moved) else 0
    counts = np.zeros(64, np.int64)
    for bit in range(some.bit_length()):
        if some >> bit & 1:
            counts[bit] = np.count_nonzero(moved & np.uint64(1 << bit))
    return counts


def _samples_per_level(period_ps: int, resolution_ps: int, edges: Edges) -> float:
    levels = 1 if edges == "both" else 2
    return period_ps / levels / resolution_ps if resolution_ps else 0.0


def _usual(spacing: Int64Column, *, pair: bool) -> int:
    """Return the usual spacing; levels of unequal length count in pairs."""
    if pair and len(spacing) > 2:
        return max(1, (_middle(spacing[1:] + spacing[:-1]) + 1) // 2)
    return max(1, _middle(spacing))


def _middle(spacing: Int64Column) -> int:
    """Return the mean of the usual ones; at few samples an edge the median is a sample off."""
    middle = float(np.median(spacing))
    reach = 2.5
    for _ in range(3):
        usual = spacing[(spacing * 2 >= middle) & (spacing < reach * middle)]
        if not len(usual):
            break
        middle = float(usual.mean())
        reach = 1.6
    return round(middle)


def _glitch_ps(changes: ChangeBatch, probe: Probe, glitch_ps: int | None, period_ps: int) -> int:
    if glitch_ps is not None:
        return glitch_ps
    levels = ClockFollower(probe, edges="both", plan=ClockPlan(period_ps=0))
    edge_ps, _ = levels.feed(changes)
    if len(edge_ps) < LEAST_EDGES:
        return 0
    return min(int(np.median(np.diff(edge_ps))), period_ps) // 4


def _guessed_sample_ps(spacing: Int64Column, period_ps: int) -> int:
    """Infer the sample period from spacings that differ by whole samples; 0 where none do.

    An even clock that is sampled at a fixed rate has spacings of n and n + 1 samples, and
    nothing between. One that was written down as it is, jitter and all, has many spacings.
    """
    near = spacing[(spacing > period_ps // 2) & (spacing < 2 * period_ps)]
    if not len(near):
        return 0
    values, counts = np.unique(near, return_counts=True)
    # Times in a file are rounded to its unit, so values that differ by a hair are one.
    least = max(2, period_ps // 200)
    starts = np.concatenate([[0], np.flatnonzero(np.diff(values) > least) + 1])
    sums = np.add.reduceat(counts, starts)
    middles = np.array(
        [
            int(np.average(values[a:b], weights=counts[a:b]))
            for a, b in zip(starts, [*starts[1:], len(values)], strict=True)
        ]
    )
    middles = middles[sums * 100 > len(near)]
    if not 2 <= len(middles) <= 5:
        return 0
    steps = np.diff(middles)
    if steps.max() - steps.min() > 2 * least:
        return 0
    step = round(float(steps.mean()))
    # Two clusters also come from a duty that is not even; samples fit a whole number of times.
    over = middles % step
    off = np.minimum(over, step - over)
    return step if int(off.max()) * 8 < step else 0


def _fit(
    edge_ps: Int64Column, kind: KindColumn, period_ps: int, resolution_ps: int, *, both: bool
) -> tuple[int, int, bool] | None:
    """Fit an even clock; None where edges stray from it by more than sampling explains.

    Returns:
        the period and the duty's share in 2**-20 ps, and whether the period wanders.
    """
    if len(edge_ps) < EDGES_TO_JUDGE:
        return None
    allowed = 2 * (resolution_ps * 1.1 + period_ps * 0.03)
    number = np.zeros(len(edge_ps), np.int64)
    runs: list[list[int]] = []
    begin_ps = float(edge_ps[0])
    period = float(period_ps)
    counted = strayed = blocks = 0
    for first in range(0, len(edge_ps) - _BLOCK_EDGES, _BLOCK_EDGES):
        part = slice(first, first + _BLOCK_EDGES)
        blocks += 1
        x = _numbered(edge_ps[part].astype(np.float64) - begin_ps, kind[part], period, both=both)
        steps = np.diff(x)
        begin, slope, _, spread = edge_picking.fit_even(x, edge_ps[part], kind[part], int(both))
        if steps.min() < 1 or steps.max() > 8 or spread > allowed:
            strayed += 1
            begin_ps = float(edge_ps[first + _BLOCK_EDGES])
            counted = 0
            continue
        if counted == 0 or not runs:
            runs.append([first, first])
        number[part] = counted + x
        runs[-1][1] = first + _BLOCK_EDGES
        counted += int(x[-1]) + 1
        begin_ps = edge_ps[first] + begin + (x[-1] + 1) * slope
    if not runs or strayed > (1 - _STEADY_SHARE) * blocks:
        return None
    first, stop = max(runs, key=lambda run: run[1] - run[0])
    part = slice(first, stop)
    _, slope, duty, spread = edge_picking.fit_even(
        number[part] - number[first], edge_ps[part], kind[part], int(both)
    )
    scale = 1 << _PART_BITS
    return round(slope * scale), round(duty * scale), spread > allowed


def _numbered(
    since_ps: NDArray[np.float64], kind: KindColumn, period_ps: float, *, both: bool
) -> Int64Column:
    """Number edges by their times; where both kinds count, kinds take turns."""
    if not both:
        return np.rint(since_ps / period_ps).astype(np.int64)
    # An edge may be seen more than half a period late, but not as one of the other kind.
    turn = (kind != kind[0]).astype(np.int64)
    number: Int64Column = np.rint((since_ps - turn * period_ps) / (2 * period_ps)).astype(np.int64)
    return np.asarray(2 * number + turn, np.int64)


def phases(changes: ChangeBatch, probe: Probe, edge_ps: Int64Column, period_ps: int) -> Int64Column:
    """Return when a signal changes, folded to one period after an edge: int64[changes] ps.

    A change within a period of both the edge before and the one behind gives two phases, one
    from each; a change far from all edges gives none.
    """
    bit = (changes.level >> np.uint64(probe.index)) & np.uint64(1)
    rows = np.flatnonzero(bit[1:] != bit[:-1]) + 1
    when = changes.time_ps[rows].astype(np.int64)
    if not len(when) or not len(edge_ps):
        return np.empty(0, np.int64)
    behind = np.searchsorted(edge_ps, when, side="right")
    has_before, has_behind = behind > 0, behind < len(edge_ps)
    after = when[has_before] - edge_ps[behind[has_before] - 1]
    before = edge_ps[behind[has_behind]] - when[has_behind]
    after = after[after < period_ps]
    before = before[before < period_ps]
    return np.concatenate([after, (period_ps - before) % period_ps])


@dataclass(frozen=True, slots=True)
class Opening:
    """A stretch of the period in which no lane changes.

    Attributes:
        middle_ps: its middle, from half a period before an edge to half a period after.
        width_ps: how long it is.
        noise: changes that fell into it all the same.
    """

    middle_ps: int
    width_ps: int
    noise: int = 0


def find_openings(phase_ps: Int64Column, period_ps: int, *, most: int = 6) -> list[Opening]:
    """Find where in the period nothing changes, the widest stretch first.

    Stray changes (glitches, jitter) are passed over if they are few: one in 500.
    """
    if not len(phase_ps):
        return [Opening(0, period_ps)]
    for allowed in (0, len(phase_ps) // 500):
        values, counts = np.unique(phase_ps % period_ps, return_counts=True)
        kept, stray = _without_strays(values, counts, allowed)
        openings = _between(kept, period_ps)
        wide = [one for one in openings if one.width_ps * 12 >= period_ps]
        if wide or allowed == len(phase_ps) // 500:
            break
    found = wide or openings[:1]
    return [Opening(one.middle_ps, one.width_ps, stray) for one in found[:most]]


def _without_strays(
    values: Int64Column, counts: Int64Column, allowed: int
) -> tuple[Int64Column, int]:
    if not allowed or len(values) < 3:
        return values, 0
    order = np.argsort(counts, kind="stable")
    gone = int(np.searchsorted(np.cumsum(counts[order]), allowed, side="right"))
    gone = min(gone, len(values) - 1)
    # Phases of equal count go together: which of equals is a stray cannot be known.
    limit = counts[order[gone]]
    keep = counts >= limit
    return values[keep], int(counts[~keep].sum())


def _between(values: Int64Column, period_ps: int) -> list[Opening]:
    widths = np.diff(np.concatenate([values, [values[0] + period_ps]]))
    openings = []
    for place in np.argsort(-widths, kind="stable"):
        middle = int(values[place] + widths[place] // 2) % period_ps
        # Exactly half a period away is before the edge, where a flip-flop needs its data.
        if 2 * middle >= period_ps:
            middle -= period_ps
        openings.append(Opening(middle, int(widths[place])))
    return openings
