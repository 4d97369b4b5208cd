"""All that is known of a link's soundness: one report, with its verdict drawn from the figures."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import combinations
from math import comb
from pathlib import Path

from busplay.analysis.soundness.advice import Advice, advise
from busplay.analysis.soundness.bursts import BurstCounts, edge_bursts, lane_bursts
from busplay.analysis.soundness.damage import (
    EdgeDamage,
    EdgeReport,
    LaneDamage,
    edge_reports,
    lost_edges,
)
from busplay.analysis.soundness.examine import Examined, Examiner, Weakness
from busplay.analysis.soundness.frame_space import FrameSpace, Judge, idle_frame, sent_frames
from busplay.analysis.soundness.idle import IdleFacts, MarkerFacts, marker_facts
from busplay.analysis.soundness.sync import (
    ASSUMED_IDLE_EVERY,
    RateFigures,
    SyncFigures,
    rate_figures,
    shows_marker_in_idle_frames_only,
)
from busplay.description.board import Board
from busplay.description.link import Link, StrobeFraming
from busplay.display.registers import registers_of
from busplay.explain.notebook import report_html
from busplay.link.layout import FrameLayout
from busplay.link.load import as_link_and_board

BIT_ERROR_RATES = (1e-2, 1e-3, 1e-4, 1e-6, 1e-9)
SEED = 1


@dataclass(frozen=True, slots=True)
class ErrorCount:
    """Errors of one weight.

    Attributes:
        wrong_bits: bits that are wrong.
        errors: how many such errors there are.
        undetected: how many of them go undetected.
    """

    wrong_bits: int
    errors: int
    undetected: int


@dataclass(frozen=True, slots=True)
class DetectionFigures:
    """What the check field and the constants detect.

    Attributes:
        min_distance: fewest bit errors that go undetected; null: more than were counted, or none.
        errors: by count of bit errors, as far as counted.
        random_undetected_ratio: share of random damage that goes undetected.
        singles_told_apart: whether each single wrong bit changes the check in its own way.
        doubles: errors of two bits.
        doubles_like_single: how many of them look like an error of one.
        bursts: over bits in the order of the wire, by length.
        lane_bursts: over the edges of one lane.
        edge_bursts: over whole edges.
        stuck: what each lane that is stuck at each level does to random frames.
        swapped: what two neighbouring edges that change places do to them.
        lost_one: what a missed edge does to them; with a strobe on the first symbol to a frame
            with no other right behind it; null: the strobe shows it, or frames are too short.
        lost_two: the same of two missed edges in a row.
        edges: swapped and lost edges wherever frames and idle frames meet; nothing for a
            strobe, which moves with the first edge and shows it.
    """

    min_distance: int | None
    errors: tuple[ErrorCount, ...]
    random_undetected_ratio: float
    singles_told_apart: bool
    doubles: int
    doubles_like_single: int
    bursts: BurstCounts
    lane_bursts: BurstCounts
    edge_bursts: BurstCounts
    stuck: tuple[LaneDamage, ...]
    swapped: EdgeDamage
    lost_one: EdgeDamage | None
    lost_two: EdgeDamage | None
    edges: tuple[EdgeReport, ...]


@dataclass(frozen=True, slots=True)
class CheckReport:
    """What `busplay check` finds.

    Attributes:
        link: name of the link.
        board: name of the board whose units the traffic goes to; null: no board was given.
        is_sound: the verdict: whether no weakness is a fault.
        frame_bits: bits of a frame.
        frame_symbols: symbols of a frame.
        check_bits: bits of the check field; 0 without one.
        seed: random seed of what is simulated.
        worst_traffic: the class of traffic that fares worst, one store repeated apart.
        weaknesses: what is wrong, faults first.
        advice: changes to the link file that help, each with the link file's text.
        sync: coming into sync, by class of traffic.
        assumed_idle_every: one slot in this many is taken to be idle in `sync`, as only idle frames
            carry the marker; null: the slots are as the link asks.
        rates: what bit error rates do.
        detection: what the check field and the constants detect.
        idle: where an idle link could mislead; null for a strobe.
        marker: how the marker can be imitated; null without a marker.
        addressed_ratio: share of all values of space, unit and address that mean something on the
            board, so the share of undetected random damage that changes a display; null without
            a board.
    """

    link: str
    board: str | None
    is_sound: bool
    frame_bits: int
    frame_symbols: int
    check_bits: int
    seed: int
    worst_traffic: str
    weaknesses: tuple[Weakness, ...]
    advice: tuple[Advice, ...]
    sync: tuple[SyncFigures, ...]
    assumed_idle_every: int | None
    rates: tuple[RateFigures, ...]
    detection: DetectionFigures
    idle: IdleFacts | None
    marker: MarkerFacts | None
    addressed_ratio: float | None

    @property
    def worst(self) -> SyncFigures:
        """Return the figures of the class of traffic that fares worst."""
        return next(one for one in self.sync if one.traffic == self.worst_traffic)

    def _repr_html_(self) -> str:
        """Return the verdict and the summary for a notebook."""
        from busplay.analysis.soundness.text import summary_lines, verdict_text

        text = "\n".join(summary_lines(self))
        return report_html(verdict_text(self), text, is_fine=self.is_sound)


def check(
    described: Link | Board | str | Path,
    *,
    bit_error_rates: Sequence[float] = BIT_ERROR_RATES,
    seed: int = SEED,
    with_advice: bool = True,
    progress: Callable[[int, int], None] | None = None,
) -> CheckReport:
    """Work out whether a link is sound, and what would be better.

    Args:
        described: a link, sound or not; or a board, whose units the traffic then goes to; either
            as an object, or by the name or path of its file.
        bit_error_rates: those to look at.
        seed: random seed of what is simulated.
        with_advice: try changes of the link that help; without it `advice` is empty, and links
            with weaknesses take a fraction of the time.
        progress: called with the count of parts that are done, and of all parts.

    Raises:
        DescriptionError: the file cannot be read, or describes no possible link or board.

    >>> import busplay
    >>> report = busplay.check("guarded")
    >>> report.is_sound, report.detection.min_distance
    (True, 4)
    """
    link, board = as_link_and_board(described, must_be_sound=False)
    layout = FrameLayout(link)
    examiner = Examiner(board=board, seed=seed)
    found = examiner.examine(link)
    parts = len(found.weaknesses) + 1
    detection = _detection(layout, found)
    rates = tuple(rate_figures(layout, found.undetected, one) for one in bit_error_rates)
    advice: list[Advice] = []
    for index, weakness in enumerate(found.weaknesses if with_advice else ()):
        if progress is not None:
            progress(1 + index, parts)
        advice += advise(examiner, found, weakness)
    needs_idle = link.idle_every is None and shows_marker_in_idle_frames_only(layout)
    return CheckReport(
        link=link.name,
        board=board.name if board else None,
        is_sound=not any(one.is_fault for one in found.weaknesses),
        frame_bits=layout.frame_bits,
        frame_symbols=layout.frame_symbols,
        check_bits=layout.check_bits,
        seed=seed,
        worst_traffic=found.worst.traffic,
        weaknesses=found.weaknesses,
        advice=tuple(advice),
        sync=found.sync,
        assumed_idle_every=ASSUMED_IDLE_EVERY if needs_idle else None,
        rates=rates,
        detection=detection,
        idle=found.idle,
        marker=marker_facts(layout),
        addressed_ratio=_addressed_ratio(layout, board) if board else None,
    )


def _addressed_ratio(layout: FrameLayout, board: Board) -> float:
    """Return the share of values of space, unit and address that a display acts on."""
    names = ("space", "unit", "address")
    bits = sum(len(layout.bit_places(one)) for one in names if layout.link.field_named(one))
    has_space = layout.link.field_named("space") is not None
    offsets = sum(one.memory_bytes + has_space * len(registers_of(one)) for one in board.units)
    return min(1.0, offsets / (1 << bits))


def _detection(layout: FrameLayout, found: Examined) -> DetectionFigures:
    frames, judge = sent_frames(layout), Judge(layout)
    columns = layout.syndrome_columns
    pairs = list(combinations(columns, 2))
    singles = set(columns)
    framing = layout.link.framing
    is_strobe = isinstance(framing, StrobeFraming)

    def lost(count: int) -> EdgeDamage | None:
        if layout.frame_symbols <= count:
            return None
        if not isinstance(framing, StrobeFraming):
            return lost_edges(layout, frames, judge, count=count, behind=frames)
        if framing.span == "frame" or count > 1:
            return None
        # A strobe that comes early shows at once; lanes that rest fill the frame up.
        rest = FrameSpace(0)
        return lost_edges(layout, frames, judge, count=1, behind=rest, first_place=1)

    return DetectionFigures(
        min_distance=found.undetected.min_distance,
        errors=tuple(
            ErrorCount(weight, comb(layout.frame_bits, weight), count)
            for weight, count in enumerate(found.undetected.counts)
            if weight
        ),
        random_undetected_ratio=found.undetected.random_ratio,
        singles_told_apart=0 not in singles and len(singles) == len(columns),
        doubles=len(pairs),
        doubles_like_single=sum((one ^ other) in singles for one, other in pairs),
        bursts=edge_bursts(columns, 1),
        lane_bursts=lane_bursts(columns, layout.lanes),
        edge_bursts=edge_bursts(columns, layout.lanes),
        stuck=found.stuck,
        swapped=found.swapped,
        lost_one=lost(1),
        lost_two=lost(2),
        edges=() if is_strobe else edge_reports(layout, frames, idle_frame(layout), judge),
    )
