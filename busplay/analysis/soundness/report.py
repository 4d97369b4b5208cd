"""Everything that is known of a link's soundness, worked out in one go."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass
from itertools import combinations
from math import inf, isfinite

from busplay.analysis.soundness.bursts import BurstCounts, bit_bursts, edge_bursts, lane_bursts
from busplay.analysis.soundness.constant_stream import ConstantStream, constant_stream
from busplay.analysis.soundness.damage import (
    EdgeDamage,
    EdgeReport,
    StuckLane,
    edge_reports,
    lost_edges,
    stuck_lanes,
    swapped_edges,
)
from busplay.analysis.soundness.frame_space import FrameSpace, Judge, idle_frame, sent_frames
from busplay.analysis.soundness.idle import IdleFacts, MarkerFacts, idle_facts, marker_facts
from busplay.analysis.soundness.locks import HoldReport, LockReport, hold_reports, lock_report
from busplay.analysis.soundness.weaknesses import Weakness, find_weaknesses
from busplay.analysis.soundness.weights import UnseenErrors, count_unseen
from busplay.description.link import Link, StrobeFraming
from busplay.errors import DescriptionError
from busplay.link.layout import FrameLayout
from busplay.link.rules import find_faults

BIT_ERROR_RATES = (1e-2, 1e-3, 1e-4, 1e-6, 1e-9)
SEED = 1


@dataclass(frozen=True, slots=True)
class RateFacts:
    """What happens at one bit error rate.

    Attributes:
        bit_error_rate: chance that a bit is wrong, each by itself.
        damaged_chance: chance that a frame has a wrong bit.
        unseen_chance: chance that a frame has, and nothing shows it.
    """

    bit_error_rate: float
    damaged_chance: float
    unseen_chance: float


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
        edges: the same wherever frames and idle frames meet; nothing for a strobe, which moves
            with the first edge and shows it.
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
    edges: tuple[EdgeReport, ...]


@dataclass(frozen=True, slots=True)
class Soundness:
    """All findings about a link.

    Attributes:
        link: its name.
        frame_symbols, frame_bits: of a frame.
        idle_every: of the link.
        check, rates, idle, marker, locks, hold, stream: as their classes say; None where the
            framing has no such thing.
        weaknesses: what is wrong, faults first, with the choices that help.
    """

    link: str
    frame_bits: int
    frame_symbols: int
    idle_every: int | None
    check: CheckReport
    rates: tuple[RateFacts, ...]
    idle: IdleFacts | None
    marker: MarkerFacts | None
    locks: tuple[LockReport, ...]
    hold: tuple[HoldReport, ...]
    stream: ConstantStream | None
    weaknesses: tuple[Weakness, ...]

    @property
    def is_sound(self) -> bool:
        """Whether no rule is broken that every link must keep."""
        return not any(one.is_fault for one in self.weaknesses)

    def to_plain(self) -> dict[str, object]:
        """Return all of it as values that JSON can hold; what is infinite becomes None."""
        plain = _plain(asdict(self))
        if not isinstance(plain, dict):
            raise TypeError("a dataclass becomes a dict")
        unseen = self.check.unseen
        plain["is_sound"] = self.is_sound
        for weakness in plain["weaknesses"]:
            for choice in weakness["choices"]:
                del choice["link"]
        check = plain["check"]
        check["min_distance"] = unseen.min_distance
        check["random_unseen_ratio"] = unseen.random_ratio
        for name in ("bursts", "lane_bursts", "edge_bursts"):
            check[name]["seen_to_length"] = getattr(self.check, name).seen_to_length
            check[name]["longer_ratio"] = getattr(self.check, name).longer_ratio
        for lock, plain_lock in zip(self.locks, plain["locks"], strict=True):
            plain_lock["agree"] = lock.agree
        for edges, plain_edges in zip(self.check.edges, check["edges"], strict=True):
            for name in ("swapped_within", "lost_one", "lost_two"):
                damage = getattr(edges, name)
                if damage is not None:
                    plain_edges[name]["unseen_ratio"] = damage.unseen_ratio
        for name in ("swapped", "lost_one", "lost_two"):
            damage = getattr(self.check, name)
            if damage is not None:
                check[name]["unseen_ratio"] = damage.unseen_ratio
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
    """Return the parts of the work one by one, each with its name, for a progress bar.

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
    yield "lock, busy", lambda: work.do_lock("busy")
    yield "lock, idle", lambda: work.do_lock("idle")
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
        self._hold: tuple[HoldReport, ...] = ()
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
        strobe_moves = isinstance(framing, StrobeFraming) and framing.span == "first"
        self._check = CheckReport(
            unseen=count_unseen(columns),
            singles_told_apart=0 not in singles and len(singles) == len(columns),
            doubles=len(pairs),
            doubles_like_single=sum((one ^ other) in singles for one, other in pairs),
            bursts=bit_bursts(columns),
            lane_bursts=lane_bursts(columns, layout.lanes),
            edge_bursts=edge_bursts(columns, layout.lanes),
            stuck=tuple(stuck_lanes(layout, frames, judge)),
            swapped=swapped_edges(layout, frames, judge, first_place=int(strobe_moves)),
            lost_one=lost[0],
            lost_two=lost[1],
            edges=()
            if isinstance(framing, StrobeFraming)
            else edge_reports(layout, frames, idle_frame(layout), judge),
        )

    def do_idle(self) -> None:
        self._idle = idle_facts(self._layout)
        self._marker = marker_facts(self._layout)

    def do_stream(self) -> None:
        self._stream = constant_stream(self._layout)

    def do_lock(self, load: str) -> None:
        # Bit errors are looked at under one load: the busy one, if it brings step at all.
        has_noisy = any(one.noisy for one in self._locks)
        rates = () if has_noisy else self._rates
        found = lock_report(self._layout, load, bit_error_rates=rates, seed=self._seed)
        if found is not None:
            self._locks.insert(0, found)

    def do_hold(self) -> None:
        if self._check is None:
            raise AssertionError("the check comes first")
        self._hold = hold_reports(
            self._layout,
            self._frames,
            self._check.unseen,
            bit_error_rates=self._rates,
            seed=self._seed,
        )

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
            busy_symbols=next(
                (one.power_on.told.mean_symbols for one in self._locks if one.load == "busy"), inf
            ),
        )
        return Soundness(
            link=layout.link.name,
            frame_bits=layout.frame_bits,
            frame_symbols=layout.frame_symbols,
            idle_every=layout.link.idle_every,
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
        if self._check is None:
            raise AssertionError("the check comes first")
        unseen = self._check.unseen
        return RateFacts(
            bit_error_rate,
            unseen.damaged_chance(bit_error_rate),
            unseen.unseen_chance(bit_error_rate),
        )
