"""Damage by wires and clocks, and how often it goes undetected: by rank, exactly.

How to think about it. A stuck lane, two swapped edges, a missed edge: each makes what is
received an affine function of what was sent. So both "it is valid" and
"nothing changed" are sets of equations in the bits of random frames, and the share of
damaged frames that go undetected follows from two ranks.

What damage does to later frames, by putting the receiver out of sync, is `sync`'s.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import product
from typing import Literal

from busplay.analysis.soundness.frame_space import FrameSpace, Judge
from busplay.description.link import StrobeFraming
from busplay.link.gf2 import LinearSpan
from busplay.link.layout import FrameLayout

Words = tuple[int, ...]


@dataclass(frozen=True, slots=True)
class DamageShare:
    """Effect of one kind of damage on random frames.

    Attributes:
        damaged_ratio: share of frames changed.
        undetected_ratio: share of the changed ones that are valid; 0 if none is changed.
    """

    damaged_ratio: float
    undetected_ratio: float


@dataclass(frozen=True, slots=True)
class LaneDamage:
    """A lane that keeps one level.

    Attributes:
        lane: counted from 0.
        level: 0 or 1.
        share: its effect on random frames.
        shows_while_idle: whether an idle frame becomes invalid; None: no idle frames are sent.
    """

    lane: int
    level: int
    share: DamageShare
    shows_while_idle: bool | None


@dataclass(frozen=True, slots=True)
class EdgeDamage:
    """Damage to edges, at each place of a frame where it can happen.

    Attributes:
        shares: one for each place; the place of a swap is that of its first symbol.
    """

    shares: tuple[DamageShare, ...]

    @property
    def undetected_ratio(self) -> float:
        """Share of damaged frames that go undetected, all places being equally likely."""
        damaged = sum(one.damaged_ratio for one in self.shares)
        undetected = sum(one.damaged_ratio * one.undetected_ratio for one in self.shares)
        return undetected / damaged if damaged else 0.0


def damage_share(
    spaces: Sequence[FrameSpace], judge: Judge, damage: Callable[[Words], Words]
) -> DamageShare:
    """Return the effect of affine damage on random frames.

    Args:
        spaces: where the sent frames are drawn from.
        judge: of a single word; the idle frame is valid even if its check is not.
        damage: from sent words to received ones, which stand for the first of the sent.
    """
    sent = tuple(space.base for space in spaces)
    received = damage(sent)
    frame_bits = judge.layout.frame_bits
    changes, differing = [], []
    for index, space in enumerate(spaces):
        for vector in space.basis:
            change = _changed(damage, sent, received, index, vector)
            changes.append(change)
            differs = [one ^ vector * (i == index) for i, one in enumerate(change)]
            differing.append(_joined(differs, frame_bits))
    same = [a ^ b for a, b in zip(received, sent, strict=False)]
    untouched = _probability(differing, _joined(same, frame_bits))
    right = _right(changes, received, judge)
    damaged = 1 - untouched
    return DamageShare(float(damaged), float((right - untouched) / damaged) if damaged else 0.0)


def right_probability(
    spaces: Sequence[FrameSpace], judge: Judge, damage: Callable[[Words], Words]
) -> Fraction:
    """Return the probability that everything received is valid, changed or not.

    Args:
        spaces, judge, damage: as for `damage_share`.
    """
    sent = tuple(space.base for space in spaces)
    received = damage(sent)
    changes = [
        _changed(damage, sent, received, index, vector)
        for index, space in enumerate(spaces)
        for vector in space.basis
    ]
    return _right(changes, received, judge)


def _changed(
    damage: Callable[[Words], Words], sent: Words, received: Words, index: int, vector: int
) -> Words:
    """Return which received bits a change of one sent word changes."""
    other = damage((*sent[:index], sent[index] ^ vector, *sent[index + 1 :]))
    return tuple(a ^ b for a, b in zip(other, received, strict=True))


def _right(changes: list[Words], received: Words, judge: Judge) -> Fraction:
    """Return the probability that each received word is valid.

    A word is valid by its check, or (its check failing) as the idle frame.
    """
    idle = judge.layout.idle_word
    width = max(judge.bits, judge.layout.frame_bits)
    ways = (True,) if judge.linear(idle) == judge.constant else (True, False)
    right = Fraction(0)
    for by_check in product(ways, repeat=len(received)):
        judged = [
            _joined(
                [judge.linear(w) if way else w for w, way in zip(words, by_check, strict=True)],
                width,
            )
            for words in changes
        ]
        wanted = [
            judge.constant ^ judge.linear(word) if way else idle ^ word
            for word, way in zip(received, by_check, strict=True)
        ]
        right += _probability(judged, _joined(wanted, width))
    return right


def _joined(parts: Sequence[int], width: int) -> int:
    found = 0
    for part in parts:
        found = found << width | part
    return found


def _probability(vectors: list[int], wanted: int) -> Fraction:
    """Return the probability that a random sum of the vectors equals the wanted one."""
    span = LinearSpan(vectors)
    return Fraction(1, 1 << span.rank) if wanted in span else Fraction(0)


# -- the kinds of damage


def lane_mask(layout: FrameLayout, lane: int) -> int:
    """Return the bits of a word on one lane."""
    in_symbol = layout.lanes - 1 - lane if layout.link.first_bit_lane == "highest" else lane
    return sum(
        1 << (layout.frame_bits - 1 - place)
        for place in range(in_symbol, layout.frame_bits, layout.lanes)
    )


def stuck_lanes(layout: FrameLayout, frames: FrameSpace, judge: Judge) -> list[LaneDamage]:
    """Return the effect of each lane stuck at each level."""
    idle_is_sent = not isinstance(layout.link.framing, StrobeFraming)
    found = []
    for lane in range(layout.lanes):
        mask = lane_mask(layout, lane)
        for level in (0, 1):
            forced = mask if level else 0

            def damage(words: Words, mask: int = mask, forced: int = forced) -> Words:
                return (words[0] & ~mask | forced,)

            shows = None
            if idle_is_sent:
                shows = not judge.passes(layout.idle_word & ~mask | forced)
            found.append(LaneDamage(lane, level, damage_share([frames], judge, damage), shows))
    return found


def swapped_edges(
    layout: FrameLayout, frames: FrameSpace, judge: Judge, *, first_place: int = 0
) -> EdgeDamage:
    """Return the effect of two neighbouring edges swapped within a frame.

    Args:
        first_place: the first symbol that can take part.
    """
    shares = []
    for first in range(first_place, layout.frame_symbols - 1):

        def damage(words: Words, first: int = first) -> Words:
            return (_swapped(layout, words, first)[0],)

        shares.append(damage_share([frames], judge, damage))
    return EdgeDamage(tuple(shares))


def swapped_across(
    layout: FrameLayout, neighbours: Sequence[FrameSpace], judge: Judge
) -> DamageShare:
    """Return the effect of swapping a frame's last edge and the next frame's first.

    Args:
        neighbours: where the two frames are drawn from. The damage goes undetected if both are
            valid.
    """

    def damage(words: Words) -> Words:
        return _swapped(layout, words, layout.frame_symbols - 1)

    return damage_share(neighbours, judge, damage)


def _swapped(layout: FrameLayout, words: Words, first: int) -> Words:
    """Return words in a row with the symbols `first` and `first + 1` of the whole row swapped."""
    lanes, frame_bits = layout.lanes, layout.frame_bits
    row = 0
    for word in words:
        row = row << frame_bits | word
    shift = (len(words) * layout.frame_symbols - 2 - first) * lanes
    differ = (row >> shift ^ row >> (shift + lanes)) & ((1 << lanes) - 1)
    row ^= differ << shift ^ differ << (shift + lanes)
    mask = (1 << frame_bits) - 1
    return tuple(row >> frame_bits * (len(words) - 1 - i) & mask for i in range(len(words)))


def without_symbols(layout: FrameLayout, words: Words, first: int, count: int) -> int:
    """Return the word read from two sent ones if `count` symbols from `first` on were missed."""
    frame_bits, lanes = layout.frame_bits, layout.lanes
    both = words[0] << frame_bits | words[1]
    below = 2 * frame_bits - (first + count) * lanes
    kept = both >> (below + count * lanes) << below | both & ((1 << below) - 1)
    return kept >> (frame_bits - count * lanes)


def lost_edges(
    layout: FrameLayout,
    frames: FrameSpace,
    judge: Judge,
    *,
    count: int,
    behind: FrameSpace,
    first_place: int = 0,
    is_across: bool = False,
) -> EdgeDamage:
    """Return the effect of missed edges on the frame in which the first of them was.

    Args:
        count: edges missed in a row, all within the frame.
        is_across: include bursts that begin in the frame and end in the next.
        behind: what follows the frame and fills its end.
        first_place: the first symbol that can be missed; without its first one a frame with a
            strobe does not begin.
    """
    shares = []
    last = layout.frame_symbols - (1 if is_across else count)
    for first in range(first_place, last + 1):

        def damage(words: Words, first: int = first) -> Words:
            return (without_symbols(layout, words, first, count),)

        shares.append(damage_share([frames, behind], judge, damage))
    return EdgeDamage(tuple(shares))


# -- by what meets what

Meeting = Literal["frame, frame", "idle, frame", "frame, idle", "idle, idle"]
MEETINGS: tuple[Meeting, ...] = ("frame, frame", "idle, frame", "frame, idle", "idle, idle")


@dataclass(frozen=True, slots=True)
class EdgeReport:
    """Effect of edges swapped or lost in the first of two neighbouring frames, or between them.

    Attributes:
        meeting: what the neighbours are.
        swapped_within: two edges of the first are swapped.
        swapped_across: its last and the second one's first are; undetected if both are valid.
        lost_one: an edge missed in the first. None: frames are too short.
        lost_two: two in a row, the second of which can be the second neighbour's. None: likewise.
    """

    meeting: Meeting
    swapped_within: EdgeDamage
    swapped_across: DamageShare
    lost_one: EdgeDamage | None
    lost_two: EdgeDamage | None


def edge_reports(
    layout: FrameLayout, frames: FrameSpace, idle: FrameSpace, judge: Judge
) -> tuple[EdgeReport, ...]:
    """Return the effect of swapped and lost edges wherever frames and idle frames meet."""
    found = []
    for meeting in MEETINGS:
        first, second = (idle if one == "idle" else frames for one in meeting.split(", "))
        lost = [
            lost_edges(layout, first, judge, count=count, behind=second, is_across=True)
            if layout.frame_symbols > count
            else None
            for count in (1, 2)
        ]
        found.append(
            EdgeReport(
                meeting,
                swapped_edges(layout, first, judge),
                swapped_across(layout, (first, second), judge),
                *lost,
            )
        )
    return tuple(found)
