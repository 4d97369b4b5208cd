"""Find which signal is which wire, by trying what is plausible and keeping what checks best.

In steps: which signals move, and which of them move like a clock; for each such clock when the
others rest; which may be the strobe, where the link has one; which orders and inversions of lanes
make the check hold (`lane_orders`) or, where it is weak, fit what else frames show (`lane_grades`).
What is left is decoded by a receiver, and the map with the most valid frames wins. The next best
one is kept, so that the user sees by how much it won.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from busplay.batch import ChangeBatch
from busplay.capture.found_map import FoundMap, MapCandidate
from busplay.capture.lane_grades import LaneGrader, Order
from busplay.capture.lane_map import LaneMap, Probe, named_wires, remarks
from busplay.capture.lane_orders import LaneOrders
from busplay.capture.moments import ReceiverTrial, try_receiver
from busplay.capture.survey import (
    ClockSurvey,
    find_openings,
    moves_by_signal,
    phases,
    survey_clock,
)
from busplay.description.link import Link, StrobeFraming
from busplay.errors import InputError
from busplay.link.layout import FrameLayout

_CLOCKS_TRIED = 3
_OPENINGS_TRIED = 3
# A signal rests for this part of a period at least, if it follows the clock.
_FOLLOWS = 4
_WINDOW_FRAMES = 14
_WINDOWS_TRIED = 10
_TRIALS_MAX = 400
_ORDERS_MAX = 40
# Ways to find frames that show this share of idle frames rule out those that show none.
_IDLE_SHARE = 0.02
# Orders that fit worse than the best so far by more than this are not tried.
_FITTING_REACH = 0.4
# A check of fewer bits fits too many orders to say which is right.
_STRONG_CHECK_BITS = 3
_LOOK_ROWS = 120_000
_SHORT_ROWS = 12_000


def find_map(
    changes: ChangeBatch,
    layout: FrameLayout,
    signals: Sequence[str],
    *,
    sample_ps: int | None,
    glitch_filter_ps: int | None = None,
    on_trial: Callable[[int], None] | None = None,
) -> FoundMap:
    """Find the map of a capture from its beginning.

    Args:
        changes: the beginning of a capture, with all of its signals.
        layout: of the link.
        signals: their names.
        sample_ps: the analyser's sample period, if it is known.
        glitch_filter_ps: clock levels shorter than this do not count; None: from the data.
        on_trial: called with the number of maps tried so far.

    Raises:
        InputError: too few signals move, none moves like a clock, or there are too many.
    """
    look = _liveliest(changes, _LOOK_ROWS)
    moves = moves_by_signal(look).tolist()
    live = [index for index in range(len(signals)) if moves[index]]
    dead = tuple(signals[index] for index in range(len(signals)) if not moves[index])
    _require_enough(layout.link, signals, live, dead)
    search = _Search(look, layout, signals, live, sample_ps, glitch_filter_ps, on_trial)
    candidates = search.run(moves)
    if not candidates:
        raise InputError(
            place="--find-map",
            found="no signal that moves like a clock, or none that frames can be found with",
            wanted="take a longer capture, or give the wires with --map",
        )
    candidates.sort(key=lambda one: one.trial.score, reverse=True)
    candidates += search.neighbours(candidates[0])
    ordered = sorted(
        candidates,
        key=lambda one: (one.trial.score, one.grade.rough, _plainness(one, signals, layout)),
        reverse=True,
    )
    best = ordered[0]
    others = [one for one in ordered[1:] if _wiring(one) != _wiring(best)]
    tied = len({_wiring(one) for one in others if one.trial.score == best.trial.score})
    return FoundMap(
        best=best,
        runner_up=others[0] if others else None,
        tied=tied,
        tried=search.tried,
        dead=dead,
        remarks=remarks(best.lane_map, layout.link, signals, dead),
    )


def _require_enough(
    link: Link, signals: Sequence[str], live: Sequence[int], dead: Sequence[str]
) -> None:
    strobe = isinstance(link.framing, StrobeFraming)
    needed = 1 + link.lanes + strobe
    if len(live) >= needed:
        return
    wires = f"a clock, {link.lanes} lane{'s' if link.lanes > 1 else ''}" + (
        " and a strobe" if strobe else ""
    )
    idle = f"; {', '.join(dead)} never changed" if dead else ""
    raise InputError(
        place="--find-map",
        found=f"{len(live)} of {len(signals)} signals that change{idle}",
        wanted=f"link {link.name} has {wires}; check for dead probes, or give the wires with --map",
    )


def _wiring(candidate: MapCandidate) -> str:
    """Name the wiring: the clock's other edge, half a period away, is no other wiring."""
    lane_map = candidate.lane_map
    return str(replace(lane_map, clock=replace(lane_map.clock, inverted=False)))


def _plainness(
    candidate: MapCandidate, signals: Sequence[str], layout: FrameLayout
) -> tuple[int, int, int]:
    """Of maps that do equally well the plainer is better: as named, not inverted, in order."""
    meant = named_wires(link=layout.link, signals=signals)
    wires = candidate.lane_map.wires
    as_named = sum(meant.get(wire) == probe.index for wire, probe in wires.items())
    inverted = sum(probe.inverted for probe in wires.values())
    lanes = [probe.index for probe in candidate.lane_map.lanes]
    in_order = sum(a < b for a, b in pairwise(lanes))
    return as_named, -inverted, in_order


class _Search:
    def __init__(
        self,
        changes: ChangeBatch,
        layout: FrameLayout,
        signals: Sequence[str],
        live: list[int],
        sample_ps: int | None,
        glitch_filter_ps: int | None,
        on_trial: Callable[[int], None] | None,
    ) -> None:
        self.tried = 0
        self._changes = changes
        self._short = _liveliest(changes, _SHORT_ROWS)
        self._layout = layout
        self._link = layout.link
        self._signals = signals
        self._live = live
        self._sample_ps = sample_ps
        self._glitch_filter_ps = glitch_filter_ps
        self._on_trial = on_trial
        self._orders = LaneOrders(layout)
        self._surveys: dict[tuple[int, bool], ClockSurvey] = {}
        self._graders: dict[str, LaneGrader] = {}
        self._fitting = 0.0

    def run(self, moves: list[int]) -> list[MapCandidate]:
        found: dict[str, MapCandidate] = {}
        for probe in self._clocks(moves):
            survey = self._surveys[probe.index, probe.inverted]
            for lane_map, offset_ps, grader in self._maps(probe, survey):
                wires = len(lane_map.data)
                trial = self._try(self._short, lane_map, survey, (offset_ps,) * wires)
                name = str(lane_map)
                if name not in found or trial.score > found[name].trial.score:
                    grade = grader.grade(_order_of(lane_map))
                    found[name] = MapCandidate(lane_map, trial, (offset_ps,) * wires, grade)
                    self._graders[name] = grader
                if self.tried >= _TRIALS_MAX:
                    break
        # The whole stretch decides between those that did well on its beginning.
        promising = sorted(found.values(), key=lambda one: one.trial.score, reverse=True)[:40]
        return [self._longer(one) for one in promising]

    def neighbours(self, best: MapCandidate) -> list[MapCandidate]:
        """Try the maps next to the best: two lanes swapped, or one inverted."""
        lanes = best.lane_map.lanes
        maps = []
        for a in range(len(lanes)):
            flipped = list(lanes)
            flipped[a] = replace(lanes[a], inverted=not lanes[a].inverted)
            maps.append(replace(best.lane_map, lanes=tuple(flipped)))
            for b in range(a):
                swapped = list(lanes)
                swapped[a], swapped[b] = lanes[b], lanes[a]
                maps.append(replace(best.lane_map, lanes=tuple(swapped)))
        clock = best.lane_map.clock
        survey = self._surveys[clock.index, clock.inverted]
        grader = self._graders[str(best.lane_map)]
        return [
            MapCandidate(
                one,
                self._try(self._changes, one, survey, best.offsets_ps),
                best.offsets_ps,
                grader.grade(_order_of(one)),
            )
            for one in maps
        ]

    def _longer(self, candidate: MapCandidate) -> MapCandidate:
        clock = candidate.lane_map.clock
        survey = self._surveys[clock.index, clock.inverted]
        trial = self._try(self._changes, candidate.lane_map, survey, candidate.offsets_ps)
        return replace(candidate, trial=trial)

    def _try(
        self,
        changes: ChangeBatch,
        lane_map: LaneMap,
        survey: ClockSurvey,
        offsets_ps: tuple[int, ...],
    ) -> ReceiverTrial:
        self.tried += 1
        if self._on_trial is not None:
            self._on_trial(self.tried)
        return try_receiver(changes, self._layout, lane_map, survey, offsets_ps)

    def _clocks(self, moves: list[int]) -> list[Probe]:
        """Return the signals that move most like a clock, inverted too where that matters."""
        graded = []
        named = named_wires(link=self._link, signals=self._signals).get("clock")
        for index in self._live:
            survey = self._survey(Probe(index, self._signals[index]))
            if survey is None:
                continue
            spacing = np.diff(survey.edge_ps)
            near = np.abs(spacing - survey.plan.period_ps) * 2 <= survey.plan.period_ps
            regular = int(np.count_nonzero(near)) / max(1, len(spacing))
            grade = (regular + 0.1 * (index == named)) * moves[index]
            graded.append((grade, index))
        probes = []
        for _, index in sorted(graded, reverse=True)[:_CLOCKS_TRIED]:
            probes.append(Probe(index, self._signals[index]))
            if self._link.edges != "both":
                turned = Probe(index, self._signals[index], inverted=True)
                if self._survey(turned) is not None:
                    probes.append(turned)
        return probes

    def _survey(self, probe: Probe) -> ClockSurvey | None:
        survey = survey_clock(
            self._changes,
            probe,
            edges=self._link.edges,
            sample_ps=self._sample_ps,
            glitch_filter_ps=self._glitch_filter_ps,
        )
        if survey is not None:
            self._surveys[probe.index, probe.inverted] = survey
        return survey

    def _maps(self, clock: Probe, survey: ClockSurvey) -> Iterator[tuple[LaneMap, int, LaneGrader]]:
        others = [index for index in self._live if index != clock.index]
        probes = [Probe(index, self._signals[index]) for index in others]
        period_ps = survey.plan.period_ps
        own = [phases(self._changes, probe, survey.edge_ps, period_ps) for probe in probes]
        # Signals that do not follow this clock change at any time and would leave no opening.
        follow = [
            one
            for one in own
            if len(one) and _FOLLOWS * find_openings(one, period_ps)[0].width_ps >= period_ps
        ]
        openings = find_openings(np.concatenate(follow or own), period_ps, most=_OPENINGS_TRIED)
        lane_mask = np.uint64(sum(1 << index for index in others))
        for opening in openings:
            rows = np.searchsorted(
                self._changes.time_ps,
                np.maximum(survey.edge_ps + opening.middle_ps, 0).astype(np.uint64),
                side="right",
            )
            # Without the clock: where a frame has an odd number of edges of both kinds, it would
            # make two of each frame.
            levels = self._changes.level[np.maximum(rows - 1, 0)] & lane_mask
            for strobe, frames, lanes, grader in self._graded(levels, rows, others):
                for order, inverted in self._lane_orders(frames, lanes, grader):
                    yield (
                        LaneMap(
                            clock,
                            tuple(
                                Probe(index, self._signals[index], flip)
                                for index, flip in zip(order, inverted, strict=True)
                            ),
                            strobe,
                        ),
                        opening.middle_ps,
                        grader,
                    )

    def _graded(
        self, levels: NDArray[np.uint64], rows: NDArray[np.intp], others: list[int]
    ) -> list[tuple[Probe | None, NDArray[np.uint64], list[int], LaneGrader]]:
        """Return the ways to find frames, each with its grader, as far as idle frames decide."""
        ways = []
        for strobe, frames in self._framings(levels, rows, others):
            lanes = [index for index in others if strobe is None or index != strobe.index]
            if len(lanes) >= self._link.lanes and len(frames):
                ways.append((strobe, frames, lanes, LaneGrader(self._layout, frames, lanes)))
        most = max((grader.idle_share for *_, grader in ways), default=0.0)
        if most < _IDLE_SHARE or self._layout.syndrome_bits >= _STRONG_CHECK_BITS:
            return ways
        return [way for way in ways if way[3].idle_share * 2 >= most]

    def _framings(
        self, levels: NDArray[np.uint64], rows: NDArray[np.intp], others: list[int]
    ) -> Iterator[tuple[Probe | None, NDArray[np.uint64]]]:
        """Return all frames, uint64[frames, frame_symbols], for each way to find them.

        Args:
            levels: uint64[edges]; all signals at each edge's moment.
            rows: int[edges]; changes up to each moment.
            others: signals that may be the strobe.
        """
        framing = self._link.framing
        symbols = self._layout.frame_symbols
        if not isinstance(framing, StrobeFraming):
            for first in range(symbols):
                count = (len(levels) - first) // symbols
                if count > 1:
                    yield None, levels[first : first + count * symbols].reshape(count, symbols)
            return
        for index in others:
            for inverted in (False, True):
                bit = (levels >> np.uint64(index) & np.uint64(1)).astype(np.int64)
                active = bit ^ int((framing.active == "low") ^ inverted)
                starts = np.flatnonzero(active)
                if framing.span == "frame":
                    # It may have rested between two edges, while the clock stood still.
                    changes = self._changes.level >> np.uint64(index) & np.uint64(1)
                    at_rest = (changes != bit[starts[0]]) if len(starts) else changes == 2
                    rests = np.concatenate([[0], np.cumsum(at_rest)])[rows]
                    rested = (active[starts - 1] == 0) | (rests[starts] > rests[starts - 1])
                    starts = starts[(starts > 0) & rested]
                elif len(starts) * 2 > len(levels):
                    continue
                starts = starts[starts + symbols <= len(levels)]
                spread = starts[:, None] + np.arange(symbols)
                yield Probe(index, self._signals[index], inverted), levels[spread]

    def _windows(self, frames: NDArray[np.uint64]) -> list[NDArray[np.uint64]]:
        """Cut frames to windows, the most informative first.

        On an idle link nearly all frames are the same, and so are those of a window; too many
        orders would fit. So of the most frequent frame one is kept, and none where idle frames
        break the check, as a marker may: it would rule out every order.
        """
        layout = self._layout
        rows, counts = np.unique(frames, axis=0, return_counts=True)
        if len(rows) > 1 and not layout.strobe_mask:
            usual = rows[int(np.argmax(counts))]
            frames = frames[(frames != usual).any(axis=1)]
            idle = np.array([layout.idle_word], np.uint64)
            if not int(layout.syndrome(idle)[0]):
                every = np.arange(0, len(frames), _WINDOW_FRAMES - 1)
                frames = np.insert(frames, every, usual, axis=0)
        windows = [
            frames[first : first + _WINDOW_FRAMES]
            for first in range(0, max(1, len(frames) - _WINDOW_FRAMES + 1), _WINDOW_FRAMES)
        ]
        windows = windows[:: max(1, len(windows) // 64)]
        variety = [len(np.unique(window, axis=0)) for window in windows]
        order = np.argsort(variety)[::-1][:_WINDOWS_TRIED]
        return [windows[int(one)] for one in order]

    def _lane_orders(
        self, frames: NDArray[np.uint64], lanes: list[int], grader: LaneGrader
    ) -> list[Order]:
        """Return the orders of lanes that may be right, the likeliest first."""
        layout = self._layout
        if layout.syndrome_bits < _STRONG_CHECK_BITS:
            plain = self._plain_order(lanes)
            graded = grader.orders(_ORDERS_MAX)
            if graded:
                self._fitting = max(self._fitting, graded[0][1].fitting)
            orders = [
                order for order, grade in graded if grade.fitting >= self._fitting - _FITTING_REACH
            ]
            return orders if plain is None or plain in orders else [*orders, plain]
        if not self._orders.can_try(len(lanes)):
            raise InputError(
                place="--find-map",
                found=f"{len(lanes)} signals for {self._link.lanes} lanes",
                wanted="that is too many to try, so give the wires with --map",
            )
        for window in self._windows(frames):
            if len(window):
                orders = self._orders.find(window, lanes)
                if orders:
                    some = orders[:_TRIALS_MAX]
                    return sorted(some, key=grader.grade, reverse=True)[:_ORDERS_MAX]
        return []

    def _plain_order(self, lanes: list[int]) -> Order | None:
        """Return the order that the signals' names say."""
        named = named_wires(link=self._link, signals=self._signals)
        by_name = [named.get(f"lane{number}") for number in range(self._link.lanes)]
        order = tuple(index for index in by_name if index in lanes and index is not None)
        return (order, (False,) * len(order)) if len(order) == len(by_name) else None


def _order_of(lane_map: LaneMap) -> Order:
    lanes = lane_map.lanes
    return tuple(one.index for one in lanes), tuple(one.inverted for one in lanes)


def _liveliest(changes: ChangeBatch, rows: int) -> ChangeBatch:
    """Take the stretch in which most signals change, rather than one of them most often."""
    if len(changes) <= rows:
        return changes
    starts = list(range(0, len(changes) - rows, max(1, rows // 4)))
    liveliness = [
        float(np.log2(1 + moves_by_signal(changes[first : first + rows])).sum()) for first in starts
    ]
    first = starts[int(np.argmax(liveliness))]
    return changes[first : first + rows]
