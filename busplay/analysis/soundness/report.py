"""Everything that is known of a link's soundness, worked out in one go."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass
from itertools import combinations
from math import expm1, isfinite, log1p

from busplay.analysis.soundness.acquisition import (
    PLACES_MAX,
    LockTime,
    after_lost_edge,
    power_on,
)
from busplay.analysis.soundness.bursts import BurstCounts, bit_bursts, edge_bursts, lane_bursts
from busplay.analysis.soundness.chances import confirm_frames, pattern_of
from busplay.analysis.soundness.constant_stream import ConstantStream, constant_stream
from busplay.analysis.soundness.damage import (
    EdgeDamage,
    StuckLane,
    lost_edges,
    stuck_lanes,
    swapped_edges,
)
from busplay.analysis.soundness.frame_space import FrameSpace, Judge, sent_frames
from busplay.analysis.soundness.hold import mean_frames_in_step
from busplay.analysis.soundness.idle import IdleFacts, MarkerFacts, idle_facts, marker_facts
from busplay.analysis.soundness.simulation import (
    SimulatedLocks,
    SimulatedMean,
    simulate_hold,
    simulate_lost_edges,
    simulate_power_on,
)
from busplay.analysis.soundness.weaknesses import Weakness, find_weaknesses
from busplay.analysis.soundness.weights import UnseenErrors, count_unseen
from busplay.description.link import Link, StrobeFraming
from busplay.errors import DescriptionError
from busplay.link.layout import FrameLayout
from busplay.link.rules import find_faults

BIT_ERROR_RATES = (1e-3, 1e-4, 1e-6)
TRIALS = 2_000
HOLD_TRIALS = 300
HOLD_FRAMES = 60
SEED = 1


@dataclass(frozen=True, slots=True)
class RateFacts:
    """What happens at one bit error rate.

    Attributes:
        bit_error_rate: chance that a bit is wrong, each by itself.
        damaged_chance: chance that a frame has a wrong bit.
        unseen_chance: chance that a frame has, and nothing shows it.
        mean_frames_in_step: frames until a receiver lets go, on average; None: it never does,
            or not within what a number can hold.
    """

    bit_error_rate: float
    damaged_chance: float
    unseen_chance: float
    mean_frames_in_step: float | None


@dataclass(frozen=True, slots=True)
class CheckReport:
    """What the check field and the constants notice.

    Attributes:
        unseen: unseen errors by weight.
        singles_told_apart: whether each single wrong bit changes the check in its own way.
        doubles, doubles_like_single: errors of two bits, and how many look like one of one.
        bursts, lane_bursts, edge_bursts: over bits in the order of the wire, over the edges of
            one lane, over whole edges.
        stuck, swapped, lost_one, lost_two: what is done to random frames by a stuck lane, by
            two neighbouring edges that change places, by an edge that is missed, by two in a
            row. With a strobe on the first symbol `lost_one` is for a frame with no other
            right behind it; None: the strobe shows it, or frames are too short.
    """

    unseen: UnseenErrors
    singles_told_apart: bool
    doubles: int
    doubles_like_single: int
    bursts: BurstCounts
    lane_bursts: BurstCounts
    edge_bursts: BurstCounts
    stuck: tuple[StuckLane, ...]
    swapped: EdgeDamage
    lost_one: EdgeDamage | None
    lost_two: EdgeDamage | None


@dataclass(frozen=True, slots=True)
class LockReport:
    """How a receiver comes into step on a link under one load.

    Attributes:
        load: `idle`: nothing but idle frames; `busy`: random frames without a pause, but for
            the idle slots that the link asks for.
        power_on, lost_edge: by the Markov chain.
        power_on_simulated, lost_edge_simulated: by the real receiver; None for a link on which
            it never comes into step.
        agree: whether both say the same, within the simulation's error.
    """

    load: str
    power_on: LockTime
    power_on_simulated: SimulatedLocks | None
    lost_edge: LockTime
    lost_edge_simulated: SimulatedLocks | None
    agree: bool


@dataclass(frozen=True, slots=True)
class HoldReport:
    """How long a receiver keeps step, tried at a rate so high that it can be waited for.

    Attributes:
        bit_error_rate: the rate.
        mean_frames: by the theory of runs.
        simulated: by the real receiver.
        agree: whether both say the same, within the simulation's error.
    """

    bit_error_rate: float
    mean_frames: float
    simulated: SimulatedMean
    agree: bool


@dataclass(frozen=True, slots=True)
class Soundness:
    """All findings about a link.

    Attributes:
        link: its name.
        frame_symbols, frame_bits: of a frame.
        check, rates, idle, marker, locks, hold, stream: as their classes say; None where the
            framing has no such thing.
        weaknesses: what is wrong, faults first, with the choices that help.
    """

    link: str
    frame_bits: int
    frame_symbols: int
    check: CheckReport
    rates: tuple[RateFacts, ...]
    idle: IdleFacts | None
    marker: MarkerFacts | None
    locks: tuple[LockReport, ...]
    hold: HoldReport | None
    stream: ConstantStream | None
    weaknesses: tuple[Weakness, ...]

    @property
    def is_sound(self) -> bool:
        """Whether no rule is broken that every link must keep."""
        return not any(one.is_fault for one in self.weaknesses)

    def to_plain(self) -> dict[str, object]:
        """Give all of it as values that JSON can hold; what is infinite becomes None."""
        plain = _plain(asdict(self))
        if not isinstance(plain, dict):
            raise TypeError("a dataclass becomes a dict")
        unseen = self.check.unseen
        plain["is_sound"] = self.is_sound
        check = plain["check"]
        check["min_distance"] = unseen.min_distance
        check["random_unseen_ratio"] = unseen.random_ratio
        for name in ("bursts", "lane_bursts", "edge_bursts"):
            check[name]["seen_to_length"] = getattr(self.check, name).seen_to_length
        return plain


def _plain(value: object) -> object:
    if isinstance(value, dict):
        return {str(key): _plain(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(one) for one in value]
    if isinstance(value, float) and not isfinite(value):
        return None
    return value


def steps(
    link: Link, *, bit_error_rates: Sequence[float] = BIT_ERROR_RATES, seed: int = SEED
) -> Iterator[tuple[str, Callable[[], Soundness | None]]]:
    """Give the parts of the work one by one, each with its name, for a progress bar.

    Args:
        link: sound or not; its tables are right by themselves.
        bit_error_rates: those to look at.
        seed: of simulations and samples.

    Yields:
        (name, call it): the last call gives the findings, the others None.
    """
    work = _Work(link, tuple(bit_error_rates), seed)
    yield "check field", work.do_check
    yield "idle frames", work.do_idle
    yield "constant streams", work.do_stream
    yield "lock, idle", lambda: work.do_lock("idle")
    yield "lock, busy", lambda: work.do_lock("busy")
    yield "hold", work.do_hold
    yield "choices", work.finish


def analyse(
    link: Link, *, bit_error_rates: Sequence[float] = BIT_ERROR_RATES, seed: int = SEED
) -> Soundness:
    """Work out everything about a link; see `steps`."""
    found = None
    for _, step in steps(link, bit_error_rates=bit_error_rates, seed=seed):
        found = step()
    if found is None:
        raise AssertionError("the last step gives the findings")
    return found


class _Work:
    def __init__(self, link: Link, bit_error_rates: tuple[float, ...], seed: int) -> None:
        self._layout = FrameLayout(link)
        self._rates = bit_error_rates
        self._seed = seed
        self._frames: FrameSpace = sent_frames(self._layout)
        self._judge = Judge(self._layout)
        self._faults: list[DescriptionError] = find_faults(link)
        self._locks: list[LockReport] = []
        self._hold: HoldReport | None = None
        self._idle: IdleFacts | None = None
        self._marker: MarkerFacts | None = None
        self._stream: ConstantStream | None = None
        self._check: CheckReport | None = None

    def do_check(self) -> None:
        layout, frames, judge = self._layout, self._frames, self._judge
        columns = layout.syndrome_columns
        pairs = list(combinations(columns, 2))
        singles = set(columns)
        lost: list[EdgeDamage | None] = []
        framing = layout.link.framing
        for count in (1, 2):
            if layout.frame_symbols <= count:
                lost.append(None)
            elif not isinstance(framing, StrobeFraming):
                lost.append(lost_edges(layout, frames, judge, count=count, behind=frames))
            elif framing.span == "first" and count == 1:
                # A strobe that comes early tells at once; lanes that rest fill the frame up.
                rest = FrameSpace(0)
                lost.append(lost_edges(layout, frames, judge, count=1, behind=rest, first_place=1))
            else:
                lost.append(None)
        self._check = CheckReport(
            unseen=count_unseen(columns),
            singles_told_apart=0 not in singles and len(singles) == len(columns),
            doubles=len(pairs),
            doubles_like_single=sum((one ^ other) in singles for one, other in pairs),
            bursts=bit_bursts(columns),
            lane_bursts=lane_bursts(columns, layout.lanes),
            edge_bursts=edge_bursts(columns, layout.lanes),
            stuck=tuple(stuck_lanes(layout, frames, judge)),
            swapped=swapped_edges(layout, frames, judge),
            lost_one=lost[0],
            lost_two=lost[1],
        )

    def do_idle(self) -> None:
        self._idle = idle_facts(self._layout)
        self._marker = marker_facts(self._layout)

    def do_stream(self) -> None:
        self._stream = constant_stream(self._layout)

    def do_lock(self, load: str) -> None:
        layout = self._layout
        is_strobe = isinstance(layout.link.framing, StrobeFraming)
        if is_strobe and load == "idle":
            # Between frames there is nothing to be in step with.
            return
        every = layout.link.idle_every
        if every is not None and every * layout.frame_symbols > PLACES_MAX:
            # So seldom an idle slot changes no figure that could be printed.
            every = None
        slots = pattern_of(layout, load, idle_every=every)
        start, lost = power_on(layout, slots), after_lost_edge(layout, slots)
        frames = len(slots) + 4 * (confirm_frames(layout) + 2)
        if start.quantile_symbols is not None:
            frames = max(frames, 2 * (start.quantile_symbols // layout.slot_symbols + 2))
        on_simulated = lost_simulated = None
        agree = True
        if isfinite(start.mean_symbols):
            on_simulated = simulate_power_on(
                layout, slots, frames=frames, trials=TRIALS, seed=self._seed
            )
            agree = on_simulated.symbols.agrees_with(start.mean_symbols)
        if isfinite(lost.mean_symbols) and isfinite(start.mean_symbols):
            stretch = 8 + int(6 * lost.mean_symbols / layout.slot_symbols)
            if lost.quantile_symbols is not None:
                stretch += 4 * lost.quantile_symbols // layout.slot_symbols
            lost_simulated = simulate_lost_edges(
                layout, slots, frames=stretch, trials=TRIALS, seed=self._seed
            )
            # A receiver that is led astray meanwhile takes a few times as long.
            slack = 3 * lost.false_ratio * lost.mean_symbols
            agree &= lost_simulated.symbols.agrees_with(lost.mean_symbols, slack=slack)
        self._locks.append(LockReport(load, start, on_simulated, lost, lost_simulated, agree))

    def do_hold(self) -> None:
        layout = self._layout
        framing = layout.link.framing
        if isinstance(framing, StrobeFraming) or self._check is None:
            return
        unseen = self._check.unseen
        release = framing.release_frames
        low, rate = 1e-4, 0.5
        for _ in range(40):
            middle = (low + rate) / 2
            if mean_frames_in_step(1 - unseen.right_chance(middle), release) > HOLD_FRAMES:
                low = middle
            else:
                rate = middle
        mean = mean_frames_in_step(1 - unseen.right_chance(rate), release)
        if not isfinite(mean) or mean > 50 * HOLD_FRAMES:
            return
        simulated = simulate_hold(
            layout,
            self._frames,
            bit_error_rate=rate,
            expected_frames=mean,
            trials=HOLD_TRIALS,
            seed=self._seed,
        )
        self._hold = HoldReport(rate, mean, simulated, simulated.agrees_with(mean))

    def finish(self) -> Soundness:
        layout, check = self._layout, self._check
        if check is None:
            raise AssertionError("the check comes first")
        weaknesses = find_weaknesses(
            layout,
            self._faults,
            check.unseen,
            stuck=list(check.stuck),
            swapped=check.swapped,
            stream=self._stream,
        )
        return Soundness(
            link=layout.link.name,
            frame_bits=layout.frame_bits,
            frame_symbols=layout.frame_symbols,
            check=check,
            rates=tuple(self._rate(one) for one in self._rates),
            idle=self._idle,
            marker=self._marker,
            locks=tuple(self._locks),
            hold=self._hold,
            stream=self._stream,
            weaknesses=tuple(weaknesses),
        )

    def _rate(self, bit_error_rate: float) -> RateFacts:
        layout = self._layout
        framing = layout.link.framing
        unseen = self._check.unseen if self._check else None
        if unseen is None:
            raise AssertionError("the check comes first")
        damaged = -expm1(layout.frame_bits * log1p(-bit_error_rate))
        chance = unseen.unseen_chance(bit_error_rate)
        frames = None
        if not isinstance(framing, StrobeFraming):
            mean = mean_frames_in_step(damaged - chance, framing.release_frames)
            frames = mean if isfinite(mean) else None
        return RateFacts(bit_error_rate, damaged, chance, frames)
