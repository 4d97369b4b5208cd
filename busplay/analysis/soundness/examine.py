"""The figures that decide whether a link is sound, for the link and for each change tried.

How to think about it. One function computes the figures, one finds the weaknesses in them. Advice
is a changed link that went through both, so a check of that link will confirm it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import comb, inf

from busplay.analysis.soundness.damage import EdgeDamage, LaneDamage, stuck_lanes, swapped_edges
from busplay.analysis.soundness.figures import number, percent
from busplay.analysis.soundness.frame_space import Judge, sent_frames
from busplay.analysis.soundness.idle import IdleFacts, idle_facts
from busplay.analysis.soundness.sync import (
    SyncFigures,
    shows_marker_in_idle_frames_only,
    sync_figures,
    with_idle_slots,
)
from busplay.analysis.soundness.traffic import TrafficKind, traffic_of
from busplay.analysis.soundness.weights import UndetectedErrors, count_undetected
from busplay.description.board import Board
from busplay.description.link import Link, StrobeFraming
from busplay.description.write_link import link_toml
from busplay.errors import DescriptionError
from busplay.link.layout import FrameLayout
from busplay.link.rules import find_faults
from busplay.wording import counted

# Shares of damage, and of stores, above which there is a weakness.
DAMAGE_RATIO = 1 / 8
REPEATED_RATIO = 0.001
# The same for frames lost after a lost edge, and for receivers that never resynchronise: the
# most in a sound link, and the most without a remark.
LOST_FRAMES_MOST, LOST_FRAMES_REMARKED = 1_000.0, 100.0
NEVER_MOST, NEVER_REMARKED = 0.01, 0.0001


@dataclass(frozen=True, slots=True)
class Weakness:
    """A weakness of a link.

    Attributes:
        name: short and fixed, for programs.
        is_fault: whether it makes the link unsound.
        text: what it is, with the figure.
        figure: what the figure counts.
        value: the figure; the larger, the worse.
    """

    name: str
    is_fault: bool
    text: str
    figure: str
    value: float


@dataclass(frozen=True, slots=True, eq=False)
class Examined:
    """The figures that decide about a link.

    Attributes:
        layout: of the link.
        faults: rules of `busplay.link.rules` that it breaks.
        undetected: errors that the check and the constants do not detect.
        stuck, swapped: what stuck lanes and swapped edges do to random frames.
        idle: where an idle link could mislead a receiver; None for a strobe.
        sync: coming into sync, by class of traffic.
        weaknesses: what is wrong, faults first.
    """

    layout: FrameLayout
    faults: tuple[DescriptionError, ...]
    undetected: UndetectedErrors
    stuck: tuple[LaneDamage, ...]
    swapped: EdgeDamage
    idle: IdleFacts | None
    sync: tuple[SyncFigures, ...]
    weaknesses: tuple[Weakness, ...]

    @property
    def worst(self) -> SyncFigures:
        """The class of traffic, one store repeated apart, that fares worst."""
        return worst_of(self.sync)

    def named(self, name: str) -> Weakness | None:
        """Return the weakness of that name, if it is there."""
        return next((one for one in self.weaknesses if one.name == name), None)


def worst_of(sync: tuple[SyncFigures, ...]) -> SyncFigures:
    """Return the figures of the class that fares worst, one store repeated apart.

    Frames lost of a repeated store do no harm: the next one brings the same.
    """
    ordinary = [one for one in sync if one.kind is not TrafficKind.REPEATED]

    def badness(one: SyncFigures) -> tuple[bool, float, float]:
        never = one.worst_never_ratio
        return never > NEVER_REMARKED, never if never > NEVER_REMARKED else 0, one.frames_lost.value

    return max(ordinary, key=badness)


class Examiner:
    """Computes the figures of links, each once.

    Args:
        board: whose units the traffic goes to; None: every unit that the link can address.
        seed: random seed of what is simulated.
    """

    def __init__(self, *, board: Board | None, seed: int) -> None:
        self._board, self._seed = board, seed
        self._known: dict[str, Examined] = {}

    def examine(self, link: Link) -> Examined:
        """Return the figures of a link."""
        text = link_toml(link)
        if text not in self._known:
            self._known[text] = self._work_out(link)
        return self._known[text]

    def quick_figure(self, name: str, link: Link) -> float | None:
        """Return a weakness's figure where it is quick to compute, else None."""
        layout = FrameLayout(link)
        if name in ("no_check", "low_distance"):
            return float(sum(count_undetected(layout.syndrome_columns).counts[1:3]))
        frames, judge = sent_frames(layout), Judge(layout)
        if name == "stuck_lane":
            lanes = stuck_lanes(layout, frames, judge)
            return max(one.share.undetected_ratio for one in lanes)
        if name == "swapped_edges":
            return swapped_edges(layout, frames, judge).undetected_ratio
        kinds = {
            "never_syncs": (TrafficKind.IDLE, TrafficKind.RANDOM, TrafficKind.MEMORY),
            "one_store_repeated": (TrafficKind.REPEATED,),
        }.get(name)
        if kinds is None:
            return None
        layout = with_idle_slots(layout)
        return max(
            sync_figures(layout, one, seed=self._seed).worst_never_ratio
            for one in traffic_of(layout, self._board)
            if one.kind in kinds
        )

    def _work_out(self, link: Link) -> Examined:
        layout = FrameLayout(link)
        frames, judge = sent_frames(layout), Judge(layout)
        framing = link.framing
        moves = isinstance(framing, StrobeFraming) and framing.span == "first"
        faults = tuple(find_faults(link))
        undetected = count_undetected(layout.syndrome_columns)
        stuck = tuple(stuck_lanes(layout, frames, judge))
        swapped = swapped_edges(layout, frames, judge, first_place=int(moves))
        idle = idle_facts(layout)
        sync = tuple(self._sync(layout))
        found = [_broken(fault) for fault in faults]
        found += _of_idle(idle, is_told=bool(faults))
        found += _of_traffic(layout, sync, has_fault=bool(found))
        found += _of_check(layout, undetected)
        found += _of_damage(layout, stuck, swapped)
        found.sort(key=lambda one: not one.is_fault)
        return Examined(layout, faults, undetected, stuck, swapped, idle, sync, tuple(found))

    def _sync(self, layout: FrameLayout) -> Iterator[SyncFigures]:
        """Compute each class; of equal memories only the rising addresses of the worst one."""
        layout = with_idle_slots(layout)
        by_memory: dict[str, SyncFigures] = {}
        classes = traffic_of(layout, self._board)
        rising = [one for one in classes if one.kind is TrafficKind.RISING]
        for traffic in classes:
            if traffic.kind is not TrafficKind.RISING:
                found = sync_figures(layout, traffic, seed=self._seed)
                if traffic.kind is TrafficKind.MEMORY:
                    by_memory[traffic.name.partition(",")[0]] = found
                yield found
        if self._board is None and by_memory:
            worst = worst_of(tuple(by_memory.values())).traffic.partition(",")[0]
            rising = [one for one in rising if one.name.startswith(f"{worst},")]
        for traffic in rising:
            yield sync_figures(layout, traffic, seed=self._seed)


def _broken(fault: DescriptionError) -> Weakness:
    name = {"idle": "idle_taken", "framing.symbols": "marker_imitated"}.get(
        fault.place or "", "idle_misleads"
    )
    found = f"{fault.place}: found {fault.found}" if fault.place else str(fault)
    return Weakness(name, True, found, "faults", 1.0)


def _of_idle(idle: IdleFacts | None, *, is_told: bool) -> Iterator[Weakness]:
    if idle is None or not idle.holding_rotations or is_told:
        return
    late = ", ".join(str(one) for one in idle.holding_rotations)
    yield Weakness(
        "idle_holds",
        True,
        f"an idle link looks valid when read {late} symbols late: a receiver that lost that"
        " many edges stays there as long as the link is mostly idle",
        "offsets at which an idle link looks valid",
        float(len(idle.holding_rotations)),
    )


def lost_text(found: SyncFigures) -> str:
    """Write how many frames a lost edge costs under a class of traffic.

    With the interval if it was simulated.
    """
    frames = found.frames_lost
    if found.never_ratio > NEVER_MOST and frames.value == inf:
        return "a receiver that lost an edge never finds its way back"
    text = f"{number(frames.value)} frames lost for each lost edge"
    if found.method == "simulated":
        text += f" ({number(frames.low)} to {number(frames.high)})"
    if found.never_ratio > NEVER_REMARKED:
        text += f"; {percent(found.never_ratio)} of receivers never find their way back"
    return text


def _of_traffic(
    layout: FrameLayout, sync: tuple[SyncFigures, ...], *, has_fault: bool
) -> Iterator[Weakness]:
    worst = worst_of(sync)
    never, frames = worst.worst_never_ratio, worst.frames_lost.value
    if has_fault and worst.kind is TrafficKind.IDLE:
        # The fault says so already.
        pass
    elif never > NEVER_REMARKED:
        yield Weakness(
            "never_syncs",
            never > NEVER_MOST,
            f"{worst.traffic}: after a lost edge {percent(worst.never_ratio)} of receivers, after"
            f" power-on {percent(worst.never_at_once_ratio)}, stay in false sync as long as such"
            " traffic lasts",
            f"receivers in false sync for good, {worst.traffic}",
            never,
        )
    elif frames > LOST_FRAMES_REMARKED:
        yield Weakness(
            "slow_sync",
            frames > LOST_FRAMES_MOST,
            f"{worst.traffic}: {lost_text(worst)}",
            "frames lost for each lost edge, worst traffic",
            frames,
        )
    repeated = next((one for one in sync if one.kind is TrafficKind.REPEATED), None)
    if repeated is not None and repeated.worst_never_ratio > REPEATED_RATIO:
        yield Weakness(
            "one_store_repeated",
            False,
            f"one store repeated: {percent(repeated.never_ratio)} of all stores keep a receiver"
            " that lost an edge in false sync for as long as they last, and"
            f" {percent(repeated.never_at_once_ratio)} keep one that is switched on",
            "stores that keep a receiver in false sync",
            repeated.worst_never_ratio,
        )
    if layout.link.idle_every is None and shows_marker_in_idle_frames_only(layout):
        yield Weakness(
            "busy_never_syncs",
            False,
            "only idle frames carry the marker: on a link that is never idle a receiver does not"
            " come into sync",
            "slots without an idle frame",
            1.0,
        )


def _of_check(layout: FrameLayout, undetected: UndetectedErrors) -> Iterator[Weakness]:
    distance = undetected.min_distance
    figure = "single and double errors that go undetected"
    low = float(sum(undetected.counts[1:3]))
    if layout.link.check is None:
        text = (
            f"no check field: {undetected.counts[1]} of {counted(undetected.frame_bits, 'bit')}"
            " can be wrong by themselves and undetected"
        )
        yield Weakness("no_check", False, text, figure, low)
    elif distance is not None and distance <= 2:
        errors = comb(undetected.frame_bits, distance)
        text = (
            f"{undetected.counts[distance]} of {errors:,} errors of {counted(distance, 'bit')} go"
            " undetected"
        )
        yield Weakness("low_distance", False, text, figure, low)
    if layout.link.field_named("sequence") is None:
        text = "nothing counts frames, so a receiver cannot tell how many it lost"
        yield Weakness("uncounted", False, text, "frames lost in a row that are not counted", 1.0)


def _of_damage(
    layout: FrameLayout, stuck: tuple[LaneDamage, ...], swapped: EdgeDamage
) -> Iterator[Weakness]:
    if layout.link.check is None:
        return
    worst = max(stuck, key=lambda one: one.share.undetected_ratio)
    ratio = worst.share.undetected_ratio
    if ratio > DAMAGE_RATIO:
        yield Weakness(
            "stuck_lane",
            False,
            f"lane {worst.lane} stuck at {worst.level}: {percent(ratio)} of the frames that it"
            " changes look valid",
            "frames that a stuck lane changes and that look valid",
            ratio,
        )
    if swapped.undetected_ratio > DAMAGE_RATIO:
        yield Weakness(
            "swapped_edges",
            False,
            f"two neighbouring edges swapped: {percent(swapped.undetected_ratio)} of the frames"
            " that it changes look valid",
            "frames that swapped edges change and that look valid",
            swapped.undetected_ratio,
        )
