"""What damage has in common: a lane, a range of addresses, a frequency, bursts.

Every claim has its evidence: how many pieces of damage fit, how many are expected to without a
pattern, and how probable as many are then. Frames that were damaged next to each other are one
piece where they have one cause: a receiver out of sync loses hundreds in a row, at neighbouring
addresses.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from busplay.analysis.compare.background import SCALES, Background
from busplay.analysis.compare.comparison import WrongBit
from busplay.analysis.compare.frame_comparison import Differences, FrameComparison
from busplay.analysis.compare.pattern import (
    TESTS,
    Pattern,
    PatternKind,
    is_significant,
    log_binomial_tail,
    log_interval_probability,
)
from busplay.analysis.compare.periods import find_period
from busplay.analysis.compare.streams import Kind
from busplay.program.places import PlaceNames

EVENTS_LEAST = 5
# A range of addresses may leave out this share of the damage.
RANGE_SHARES = (1.0, 0.95, 0.9, 0.8, 0.6)
BURST_SHARES = (1.0, 0.95, 0.9)
BURST_FRAMES_LEAST = 3
# The frames that a frequency is sought in; more make it no clearer.
PERIOD_EVENTS_MOST = 1 << 17
_WORDS = {
    Kind.MISSING: "missing frames",
    Kind.CHANGED: "changed frames",
    Kind.ADDED: "added frames",
}
_LOG_TESTS = math.log(TESTS)


def find_all_patterns(comparison: FrameComparison, background: Background) -> tuple[Pattern, ...]:
    """Return all patterns that there is evidence for, the surest first."""
    found = [one for one in _lane_patterns(comparison) if is_significant(one.probability_ln)]
    for kind in (Kind.MISSING, Kind.CHANGED, Kind.ADDED):
        rows = comparison.differences.of_kind(kind)
        if len(rows) < EVENTS_LEAST:
            continue
        # Which frames a stuck lane changes depends on what they say, which may well be periodic.
        if kind != Kind.CHANGED or not any("stuck_at" in one.figures for one in found):
            found += _period_patterns(comparison, background, kind, rows)
        if kind != Kind.ADDED:
            found += _address_patterns(comparison, background, kind, rows)
            found += _burst_patterns(comparison, background, kind, rows)
    found = [one for one in found if is_significant(one.probability_ln)]
    return tuple(sorted(found, key=lambda one: one.probability_ln))


def _pattern(
    kind: PatternKind,
    about: Kind,
    sentence: str,
    *,
    events: int,
    fits: int,
    share: float,
    probability_ln: float,
    **figures: int | float | str,
) -> Pattern:
    """Make a pattern; without it each event fits with the probability `share`."""
    ln = min(0.0, probability_ln + _LOG_TESTS)
    return Pattern(kind, about, sentence, events, fits, share * events, ln, figures)


def _pieces(rows: Differences) -> Differences:
    """Take differences that follow each other for one, the first of them."""
    index = rows.actual_index if rows.kind[0] == Kind.ADDED else rows.expected_index
    return rows.select(np.diff(index, prepend=-2) > 1)


# -- lanes


def _lane_patterns(comparison: FrameComparison) -> Iterator[Pattern]:
    sides, figures = comparison.sides, comparison.figures
    changed = figures.frames_changed
    if changed < EVENTS_LEAST:
        return
    if sides.lanes > 1:
        lane = int(np.argmax(figures.changed_on_lane_alone))
        fits, share = figures.changed_on_lane_alone[lane], 1 / sides.lanes
        stuck_at = _stuck_at([one for one in figures.wrong_bits if one.lane == lane])
        stuck = f"; its bit errors all read {stuck_at}, as of a lane that is stuck"
        yield _pattern(
            "lane",
            Kind.CHANGED,
            f"{fits:,} of {changed:,} changed frames are wrong on lane {lane} alone"
            f" ({share * changed:,.1f} expected at most){'' if stuck_at is None else stuck}",
            events=changed,
            fits=fits,
            share=share,
            probability_ln=log_binomial_tail(fits, changed, share) + math.log(sides.lanes),
            lane=lane,
            **({} if stuck_at is None else {"stuck_at": stuck_at}),
        )
    if len(figures.wrong_bits) == 1:
        bit = figures.wrong_bits[0]
        fits = bit.ones_lost + bit.zeros_lost
        used = sum(one is not None for one in sides.bits)
        where = "" if bit.lane is None else f" (lane {bit.lane}, symbol {bit.symbol})"
        yield _pattern(
            "bit",
            Kind.CHANGED,
            f"every wrong bit is bit {bit.bit} of the field {bit.field}{where}",
            events=changed,
            fits=fits,
            share=1 / used,
            probability_ln=log_binomial_tail(fits, changed, 1 / used) + math.log(used),
            field=bit.field,
            bit=bit.bit,
            **({} if bit.lane is None else {"lane": bit.lane}),
        )


def _stuck_at(bits: list[WrongBit]) -> int | None:
    """Return the level that all of a lane's bit errors have; None where that is not significant."""
    low = sum(one.ones_lost for one in bits)
    high = sum(one.zeros_lost for one in bits)
    chance_ln = log_binomial_tail(low + high, low + high, 0.5) + math.log(2)
    if min(low, high) or not is_significant(chance_ln):
        return None
    return 0 if low else 1


# -- addresses


def _address_patterns(
    comparison: FrameComparison, background: Background, kind: Kind, rows: Differences
) -> Iterator[Pattern]:
    fields = comparison.sides.unpack(rows.expected_word)
    areas, area_of = np.unique(np.stack([fields.unit, fields.space]), axis=1, return_inverse=True)
    area = int(np.argmax(np.bincount(area_of.ravel())))
    unit, space = (int(one) for one in areas[:, area])
    here = area_of.ravel() == area
    offsets = fields.address[here].astype(np.int64) >> background.address_shift
    counts = background.address_counts(unit, space)
    best: tuple[float, int, int, int, int, float] | None = None
    for share in RANGE_SHARES:
        first, last = _tightest(np.sort(offsets), math.ceil(share * len(offsets)))
        inside, outside = _visits(comparison, rows, here, first, last, background)
        events = inside + outside
        if inside < EVENTS_LEAST:
            continue
        expected = counts[first : last + 1].sum() / background.frames
        probability_ln = log_interval_probability(inside, events, float(expected)) + math.log(
            len(RANGE_SHARES)
        )
        if best is None or probability_ln < best[0]:
            best = (probability_ln, first, last, inside, events, float(expected))
    if best is None:
        return
    probability_ln, first, last, fits, events, expected = best
    first, last = first << background.address_shift, ((last + 1) << background.address_shift) - 1
    places = PlaceNames(comparison.sides.board)
    yield _pattern(
        "addresses",
        kind,
        f"{_WORDS[kind]} lie in {places.range_text(unit, space, first, last)}:"
        f" {fits:,} of {events:,} times that frames were {kind.name.lower()},"
        f" where {expected:.2%} of all frames go",
        events=events,
        fits=fits,
        share=expected,
        probability_ln=probability_ln,
        unit=places.unit_name(unit),
        space=space,
        first_offset=first,
        last_offset=last,
    )


def _tightest(ordered: NDArray[np.int64], count: int) -> tuple[int, int]:
    """Find the shortest range with that many of the values."""
    lengths = ordered[count - 1 :] - ordered[: len(ordered) - count + 1]
    start = int(np.argmin(lengths))
    return int(ordered[start]), int(ordered[start + count - 1])


def _visits(
    comparison: FrameComparison,
    rows: Differences,
    here: NDArray[np.bool_],
    first: int,
    last: int,
    background: Background,
) -> tuple[int, int]:
    """Count times that damage fell inside and outside a range of offsets.

    While a program fills a range, one spell of noise damages many frames in it, and that says
    nothing about the range. So damage counts again only once the program has been elsewhere.
    """
    fields = comparison.sides.unpack(rows.expected_word)
    offset = fields.address.astype(np.int64) >> background.address_shift
    inside = here & (offset >= first) & (offset <= last)
    numbers, words = background.sampled_frames
    sampled = comparison.sides.unpack(words)
    unit, space = fields.unit[here][0], fields.space[here][0]
    sampled_offset = sampled.address.astype(np.int64) >> background.address_shift
    elsewhere = (
        (sampled.unit != unit)
        | (sampled.space != space)
        | (sampled_offset < first)
        | (sampled_offset > last)
    )
    # How many sampled frames elsewhere came before each damaged one: equal ones, same visit.
    before = np.searchsorted(numbers[elsewhere], rows.expected_index[inside])
    visits = int(np.count_nonzero(np.diff(before))) + (1 if len(before) else 0)
    outside = rows.select(~inside)
    return visits, len(_pieces(outside)) if len(outside) else 0


# -- time


def _period_patterns(
    comparison: FrameComparison, background: Background, kind: Kind, rows: Differences
) -> Iterator[Pattern]:
    sides, delays = comparison.sides, comparison.figures.delay
    if kind == Kind.ADDED:
        if sides.time_unit != "edges" or delays is None or delays.usual is None:
            return
        edges = rows.actual_edge.astype(np.float64) - delays.usual
    else:
        edges = rows.expected_edge.astype(np.float64)
    edges = np.sort(edges[:PERIOD_EVENTS_MOST])
    frames = background.sampled_edges.astype(np.float64)
    found = find_period(edges, frames, finest=background.usual_gap_edges)
    if found is None:
        return
    rate = sides.expected.edges_per_second
    figures: dict[str, int | float | str] = {}
    text = f"every {found.length:,.6g} link edges (±{found.length_error:.2g})"
    if rate:
        hz, error = rate / found.length, rate * found.length_error / found.length**2
        text = f"{hz:,.6g} times a second (±{error:.2g}; every {1e3 / hz:,.6g} ms)"
        figures = {"frequency_hz": hz, "frequency_error_hz": error}
    fits = round(found.inside * len(edges))
    yield _pattern(
        "period",
        kind,
        f"{_WORDS[kind]} come {text}: {fits:,} of {len(edges):,} within {found.arc:.2g} of the"
        f" period, where {found.background:.2g} of all frames fall",
        events=len(edges),
        fits=fits,
        share=found.background,
        probability_ln=found.probability_ln,
        **figures,
        period_edges=found.length,
        arc_ratio=found.arc,
    )


# -- bursts


def _burst_patterns(
    comparison: FrameComparison, background: Background, kind: Kind, rows: Differences
) -> Iterator[Pattern]:
    index = _pieces(rows).expected_index
    places = background.places(index)
    best: tuple[float, int, int, int, int, float] | None = None
    for scale in range(SCALES):
        place = places[:, scale].astype(np.int64)
        # One burst has one FIFO to fill: only its first damage counts.
        _, first_rows = np.unique(index - place, return_index=True)
        first_places = np.sort(place[first_rows])
        count = len(first_places)
        if count < EVENTS_LEAST:
            continue
        from_place = background.share_from_place(scale)
        for share in BURST_SHARES:
            fits = math.ceil(share * count)
            least = int(first_places[count - fits])
            if least + 1 < BURST_FRAMES_LEAST:
                continue
            expected = float(from_place[min(least, len(from_place) - 1)])
            probability_ln = log_binomial_tail(fits, count, expected) + math.log(
                SCALES * (1 if fits == count else count)
            )
            if best is None or probability_ln < best[0]:
                best = (probability_ln, scale, least + 1, fits, count, expected)
    if best is None:
        return
    probability_ln, scale, frames, fits, count, expected = best
    all_or_some = f"all {count:,} do" if fits == count else f"{fits:,} of {count:,} do"
    only = "only" if fits == count else "nearly only"
    slots = 1 << scale
    near = "one slot after another" if slots == 1 else f"at most {slots} slots apart"
    yield _pattern(
        "burst",
        kind,
        f"{_WORDS[kind]} begin {only} in bursts of {frames:,} or more frames {near}:"
        f" {all_or_some}, where {expected:.1%} of all frames stand as far on; a FIFO of about"
        " that depth that runs over looks like this",
        events=count,
        fits=fits,
        share=expected,
        probability_ln=probability_ln,
        burst_frames=frames,
        burst_gap_slots=slots,
    )
