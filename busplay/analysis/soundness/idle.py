"""Where idle frames, or words like them, could mislead a receiver.

How to think about it. At each wrong offset a receiver can read the idle frame against itself,
the idle frame with a stored frame behind it, and a stored frame with the idle one behind it. The
first is one word; of the others a share of all stored frames makes the window valid; a rank
gives it, and elimination finds an example. The same questions about the marker say which
payloads imitate it.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from busplay.analysis.soundness.damage import Meeting, right_probability
from busplay.analysis.soundness.frame_space import (
    FrameSpace,
    Judge,
    idle_frame,
    sent_frames,
    window,
)
from busplay.description.link import MarkerFraming, StrobeFraming
from busplay.link.frame_facts import describe_word
from busplay.link.framing.marker import find_imitation
from busplay.link.gf2 import solve
from busplay.link.layout import FrameLayout

MEETINGS: tuple[Meeting, ...] = ("idle, idle", "idle, frame", "frame, idle", "frame, frame")


@dataclass(frozen=True, slots=True)
class OffsetFacts:
    """What is read at one wrong offset.

    Attributes:
        offset: symbols behind a frame's start.
        valid_ratio: by what meets what, the share of random frames for which the window is
            valid; 0 or 1 where both are idle.
    """

    offset: int
    valid_ratio: dict[Meeting, float]


@dataclass(frozen=True, slots=True)
class Imitation:
    """Payloads that show the marker where no frame begins, and are valid there.

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
        imitations: every place and meeting where frames show it and are valid there, so that
            a receiver takes it.
    """

    is_unique: bool
    imitations: tuple[Imitation, ...]


@dataclass(frozen=True, slots=True)
class IdleFacts:
    """The idle frame and its neighbours at every wrong offset.

    Attributes:
        passing_rotations: offsets at which an idle link is valid.
        holding_rotations: of these, the ones at which it holds a receiver for ever; none with a
            unique marker, which shows where frames begin with each idle frame.
        offsets: one for each wrong offset.
    """

    passing_rotations: tuple[int, ...]
    holding_rotations: tuple[int, ...]
    offsets: tuple[OffsetFacts, ...]


def idle_facts(layout: FrameLayout) -> IdleFacts | None:
    """Examine every wrong offset of an idle link, and where it becomes idle or busy."""
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
                example = _example(layout, kinds, meeting, judge, offset)
                imitations.append(Imitation(offset, meeting, float(probability), example))
    unique = not imitations and find_imitation(layout, framing) is None
    return MarkerFacts(unique, tuple(imitations))


def _example(
    layout: FrameLayout, kinds: dict[str, FrameSpace], meeting: Meeting, judge: Judge, offset: int
) -> str:
    """Return two neighbours in words that pass the judge `offset` symbols in."""
    spaces = [kinds[one] for one in meeting.split(", ")]
    words = [one.base for one in spaces]
    changes = [
        (index, vector, window(layout, *((vector, 0) if index == 0 else (0, vector)), offset))
        for index, space in enumerate(spaces)
        for vector in space.basis
    ]
    read = window(layout, words[0], words[1], offset)
    # The idle frame is valid even if its check is not.
    by_check = [judge.linear(one) for _, _, one in changes], judge.constant ^ judge.linear(read)
    as_idle = [one for _, _, one in changes], layout.idle_word ^ read
    for columns, wanted in (by_check, as_idle):
        width = max(judge.bits, layout.frame_bits)
        chosen = solve(
            (sum((one >> bit & 1) << k for k, one in enumerate(columns)), wanted >> bit & 1)
            for bit in range(width)
        )
        if chosen is not None:
            for k, (index, vector, _) in enumerate(changes):
                words[index] ^= vector if chosen >> k & 1 else 0
            break
    if meeting == "idle, idle":
        return "an idle link"
    return " then ".join(describe_word(layout, word) for word in words)
