"""Where idle frames, and what imitates them, could mislead a receiver.

How to think about it. At each wrong offset a receiver can read the idle frame against itself,
the idle frame with a stored frame behind it, and a stored frame with the idle one behind it. The
first is one word; of the others a share of all stored frames makes the window right, which a
rank tells, and elimination finds an example. The same questions about the marker say which
payloads imitate it.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from itertools import product

from busplay.analysis.soundness.damage import Meeting, right_probability
from busplay.analysis.soundness.frame_space import (
    FrameSpace,
    Judge,
    idle_frame,
    sent_frames,
    window,
)
from busplay.description.link import MarkerFraming, StrobeFraming
from busplay.link.frame_facts import describe_word, store_frame_cases, word_equations
from busplay.link.framing.marker import find_imitation
from busplay.link.gf2 import solve
from busplay.link.layout import FrameLayout

MEETINGS: tuple[Meeting, ...] = ("idle, idle", "idle, frame", "frame, idle", "frame, frame")


@dataclass(frozen=True, slots=True)
class OffsetFacts:
    """What is read at one wrong offset.

    Attributes:
        offset: symbols behind a frame's start.
        valid_ratio: by what meets what, the share of random frames for which the window looks
            right; 0 or 1 where both are idle.
    """

    offset: int
    valid_ratio: dict[Meeting, float]


@dataclass(frozen=True, slots=True)
class Imitation:
    """Payloads that show the marker where no frame begins, and look valid there.

    Attributes:
        offset: symbols behind the first frame's start.
        meeting: what meets what.
        ratio: share of random frames, or pairs of them, that do.
        example: the frames, in words.
    """

    offset: int
    meeting: Meeting
    ratio: float
    example: str


@dataclass(frozen=True, slots=True)
class MarkerFacts:
    """How a marker can be imitated.

    Attributes:
        is_unique: whether no frames show it anywhere but where the idle frame begins.
        imitations: every place and meeting where frames show it and look valid there, so that
            a receiver takes it.
    """

    is_unique: bool
    imitations: tuple[Imitation, ...]


@dataclass(frozen=True, slots=True)
class IdleFacts:
    """The idle frame and its neighbours at every wrong offset.

    Attributes:
        passing_rotations: offsets at which an idle link looks valid.
        holding_rotations: those of them at which it holds a receiver for good; none with a
            unique marker, which shows where frames begin with each idle frame.
        offsets: one for each wrong offset.
    """

    passing_rotations: tuple[int, ...]
    holding_rotations: tuple[int, ...]
    offsets: tuple[OffsetFacts, ...]


def idle_facts(layout: FrameLayout) -> IdleFacts | None:
    """Look at every wrong offset of an idle link and of one that begins or ends to be idle."""
    if isinstance(layout.link.framing, StrobeFraming):
        return None
    judge = Judge(layout)
    kinds = _kinds(layout)
    offsets = []
    for offset in range(1, layout.frame_symbols):
        ratios: dict[Meeting, float] = {
            meeting: float(_window_probability(layout, kinds, meeting, judge, offset))
            for meeting in MEETINGS
        }
        offsets.append(OffsetFacts(offset, ratios))
    passing = tuple(one.offset for one in offsets if one.valid_ratio["idle, idle"] == 1)
    framing = layout.link.framing
    is_unique = isinstance(framing, MarkerFraming) and framing.rule == "unique"
    return IdleFacts(passing, () if is_unique else passing, tuple(offsets))


def _kinds(layout: FrameLayout) -> dict[str, FrameSpace]:
    return {"idle": idle_frame(layout), "frame": sent_frames(layout)}


def _window_probability(
    layout: FrameLayout,
    kinds: dict[str, FrameSpace],
    meeting: Meeting,
    judge: Judge,
    offset: int,
) -> Fraction:
    first, second = meeting.split(", ")
    return right_probability(
        [kinds[first], kinds[second]],
        judge,
        lambda words: (window(layout, words[0], words[1], offset),),
    )


def marker_facts(layout: FrameLayout) -> MarkerFacts | None:
    """Find which payloads imitate the marker; None for a link without one."""
    framing = layout.link.framing
    if not isinstance(framing, MarkerFraming):
        return None
    judge = Judge(layout, with_marker=True)
    kinds = _kinds(layout)
    imitations = []
    for offset in range(1, layout.frame_symbols):
        for meeting in MEETINGS:
            probability = _window_probability(layout, kinds, meeting, judge, offset)
            if probability:
                example = _example(layout, framing, meeting, offset)
                imitations.append(Imitation(offset, meeting, float(probability), example))
    unique = not imitations and find_imitation(layout, framing) is None
    return MarkerFacts(unique, tuple(imitations))


def _example(layout: FrameLayout, framing: MarkerFraming, meeting: Meeting, offset: int) -> str:
    """Return two neighbours in words that show the marker and look valid `offset` symbols in."""
    frame_bits = layout.frame_bits
    marker_bits = len(framing.symbols) * layout.lanes
    lowest = 2 * frame_bits - offset * layout.lanes
    shown = word_equations(
        layout.bits_of_symbols(framing.symbols), marker_bits, shift=lowest - marker_bits
    )
    columns = layout.syndrome_columns[::-1]
    looks_right = [
        (
            sum(
                1 << (lowest - frame_bits + place)
                for place, column in enumerate(columns)
                if column >> bit & 1
            ),
            layout.syndrome_constant >> bit & 1,
        )
        for bit in range(layout.syndrome_bits)
    ]
    first_kind, second_kind = meeting.split(", ")
    idle = layout.idle_word
    first_cases = (
        [word_equations(idle, frame_bits, shift=frame_bits)]
        if first_kind == "idle"
        else list(store_frame_cases(layout, shift=frame_bits))
    )
    second_cases = (
        [word_equations(idle, frame_bits)]
        if second_kind == "idle"
        else list(store_frame_cases(layout))
    )
    # The idle frame is right even where its check is not.
    is_idle = word_equations(idle, frame_bits, shift=lowest - frame_bits)
    for first, second in product(first_cases, second_cases):
        for read in (shown + looks_right, is_idle):
            both = solve(read + first + second)
            if both is not None:
                words = both >> frame_bits, both & ((1 << frame_bits) - 1)
                return " then ".join(describe_word(layout, word) for word in words)
    if first_kind == second_kind == "idle":
        return "an idle link"
    return ""
