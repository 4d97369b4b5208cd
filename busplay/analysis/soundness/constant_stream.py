"""A link that carries one and the same frame over and over: can a receiver stay at a wrong place?

How to think about it. With one word repeated, every window at a wrong place is the same rotation
of it, so if that is right it is right for ever: noise apart, nothing tells the receiver. The
words with a right rotation are a union of affine spaces (`unions`).

Two things break the spell. A sequence field makes the windows differ, with a period; a place is
kept if within that period wrong windows never come `release_frames` in a row. And an idle slot
in every N (`idle_every`) gives two windows a round that the idle frame takes part in. Whether a
place can then be *found* (enough right windows in a row) and whether it can be *kept* (wrong ones
never enough in a row) is decided by which of three kinds of window are right, so the words that
allow it are again a union of affine spaces.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import product

from busplay.analysis.soundness.chances import confirm_frames
from busplay.analysis.soundness.frame_space import FrameSpace, Judge, sent_frames, window
from busplay.analysis.soundness.unions import Rows, Share, exact_share, union_share
from busplay.description.link import MarkerFraming, StrobeFraming
from busplay.link.layout import FrameLayout

SEED = 1
# Idle slots for which the effect is worked out, as far as it changes.
IDLE_EVERY_TRIED = tuple(range(2, 33))


@dataclass(frozen=True, slots=True)
class IdleEffect:
    """What an idle slot in every N does to a constant stream.

    Attributes:
        idle_every: N.
        found: share of words with which a receiver that hunts can lock at a wrong place and
            stays there for ever.
        kept: share of words that keep a receiver which is at a wrong place already, as after a
            lost edge.
    """

    idle_every: int
    found: Share
    kept: Share


@dataclass(frozen=True, slots=True)
class ConstantStream:
    """What a stream of one and the same frame does.

    Attributes:
        found, kept: as in `IdleEffect`, for the link as it is, its `idle_every` left out.
        without_sequence: share of words that do if nothing counts frames; the same as `kept`
            where nothing does.
        here: effect of the link's own `idle_every`; None where it has none, or where a field
            counts frames.
        idle: effects of idle slots on a link where nothing counts, N rising; entries that only
            repeat the one before are left out.
    """

    found: Share
    kept: Share
    without_sequence: Share
    here: IdleEffect | None
    idle: tuple[IdleEffect, ...]


def constant_stream(layout: FrameLayout, *, samples: int = 100_000) -> ConstantStream | None:
    """Work out what constant streams do; None for a strobe, which shows each frame's start.

    Args:
        samples: words drawn where counting is too much.
    """
    if isinstance(layout.link.framing, StrobeFraming):
        return None
    words = sent_frames(layout)
    found, kept = stream_shares(layout, samples=samples)
    bare, here = kept, None
    if layout.link.field_named("sequence") is not None:
        bare = _shares(layout, words, _plain_events(layout, words), samples)[1]
    elif layout.link.idle_every is not None:
        here = idle_effect(layout, layout.link.idle_every, samples=samples)
    return ConstantStream(found, kept, bare, here, _idle_effects(layout, words, samples))


def stream_shares(layout: FrameLayout, *, samples: int = 100_000) -> tuple[Share, Share]:
    """Give `ConstantStream.found` and `kept`; not for a strobe."""
    if layout.link.field_named("sequence") is not None:
        return _counting(layout, samples)
    words = sent_frames(layout)
    return _shares(layout, words, _plain_events(layout, words), samples)


def idle_effect(layout: FrameLayout, idle_every: int, *, samples: int = 100_000) -> IdleEffect:
    """Give what an idle slot in every N does, on a link where nothing counts frames."""
    words = sent_frames(layout)
    kinds = [_KindsOfWindow(layout, words, offset) for offset in _wrong_offsets(layout)]
    return _idle_effect(layout, words, kinds, idle_every, samples)


def _wrong_offsets(layout: FrameLayout) -> range:
    return range(1, layout.frame_symbols)


def _rows(linear: Sequence[int], constant: int, bits: int) -> Rows:
    """Give the rows of `sum of linear == constant`, one for each bit."""
    return tuple(
        sum((one >> bit & 1) << (index + 1) for index, one in enumerate(linear))
        | (constant >> bit & 1)
        for bit in range(bits)
    )


def _release(layout: FrameLayout) -> int:
    framing = layout.link.framing
    if isinstance(framing, StrobeFraming):
        raise ValueError("a strobe's receiver never lets go")
    return framing.release_frames


def _shares(
    layout: FrameLayout, words: FrameSpace, events: tuple[list[Rows], list[Rows]], samples: int
) -> tuple[Share, Share]:
    found, kept = (union_share(one, len(words.basis), seed=SEED, samples=samples) for one in events)
    return found, kept


def _window_rows(
    layout: FrameLayout, words: FrameSpace, offset: int, judge: Judge, *, sides: str = "both"
) -> Rows:
    """Give the equations of a window being right; one side of it may be the idle frame."""
    idle = layout.idle_word

    def read(word: int, *, is_change: bool) -> int:
        other = 0 if is_change else idle
        if sides == "both":
            return window(layout, word, word, offset)
        if sides == "idle behind":
            return window(layout, word, other, offset)
        return window(layout, other, word, offset)

    linear = [judge.linear(read(vector, is_change=True)) for vector in words.basis]
    constant = judge.constant ^ judge.linear(read(words.base, is_change=False))
    return _rows(linear, constant, judge.bits)


def _plain_events(layout: FrameLayout, words: FrameSpace) -> tuple[list[Rows], list[Rows]]:
    """Give the events of one word repeated: a place is found, and is kept."""
    judge, first = Judge(layout), Judge(layout, with_marker=True)
    offsets = _wrong_offsets(layout)
    found = [_window_rows(layout, words, one, first) for one in offsets]
    kept = [_window_rows(layout, words, one, judge) for one in offsets]
    return found, kept


# -- an idle slot in every N


class _KindsOfWindow:
    """The equations of each kind of window at one place: right, and right with the marker."""

    def __init__(self, layout: FrameLayout, words: FrameSpace, offset: int) -> None:
        sides = ("both", "idle behind", "idle before")
        judge, first = Judge(layout), Judge(layout, with_marker=True)
        self.right = [_window_rows(layout, words, offset, judge, sides=one) for one in sides]
        self.shown = [_window_rows(layout, words, offset, first, sides=one) for one in sides]
        self.has_marker = isinstance(layout.link.framing, MarkerFraming)

    def events(self, holds: Callable[[tuple[bool, ...], tuple[bool, ...]], bool]) -> list[Rows]:
        """Give the smallest sets of equations under which `holds(right, shown)` is true."""
        smallest: list[frozenset[int]] = []
        kinds = 6 if self.has_marker else 3
        sets = [
            frozenset(i for i, chosen in enumerate(choice) if chosen)
            for choice in product((False, True), repeat=kinds)
        ]
        for one in sorted(sets, key=len):
            if any(before <= one for before in smallest):
                continue
            right = tuple(i in one or i + 3 in one for i in range(3))
            shown = tuple(i + 3 in one for i in range(3)) if self.has_marker else right
            if holds(right, shown):
                smallest.append(one)
        rows = [*self.right, *self.shown]
        return [tuple(row for i in sorted(one) for row in rows[i]) for one in smallest]


def longest_run(flags: Sequence[bool], value: bool) -> int:
    """Give the longest run of a value in a sequence that repeats; its length if all are so."""
    if all(flag is value for flag in flags):
        return len(flags)
    first = next(i for i, flag in enumerate(flags) if flag is not value)
    longest = run = 0
    for flag in [*flags[first:], *flags[:first]]:
        run = run + 1 if flag is value else 0
        longest = max(longest, run)
    return longest


def _can_find(right: Sequence[bool], shown: Sequence[bool], confirm: int) -> bool:
    """Tell whether somewhere a window shows a start and `confirm` right ones follow."""
    count = len(right)
    return any(
        shown[first] and all(right[(first + k) % count] for k in range(min(confirm, count) + 1))
        for first in range(count)
    )


def _can_keep(right: Sequence[bool], release: int) -> bool:
    """Tell whether wrong windows never come so many in a row."""
    return any(right) and longest_run(right, False) < release


def _idle_effects(layout: FrameLayout, words: FrameSpace, samples: int) -> tuple[IdleEffect, ...]:
    kinds = [_KindsOfWindow(layout, words, offset) for offset in _wrong_offsets(layout)]
    effects: list[IdleEffect] = []
    for idle_every in IDLE_EVERY_TRIED:
        if idle_every > confirm_frames(layout) + 3 and idle_every > _release(layout) + 2:
            break
        effect = _idle_effect(layout, words, kinds, idle_every, samples)
        before = effects[-1] if effects else None
        if before is None or (before.found, before.kept) != (effect.found, effect.kept):
            effects.append(effect)
    return tuple(effects)


def _idle_effect(
    layout: FrameLayout,
    words: FrameSpace,
    kinds: Sequence[_KindsOfWindow],
    idle_every: int,
    samples: int,
) -> IdleEffect:
    framing = layout.link.framing
    if isinstance(framing, MarkerFraming) and framing.rule == "unique":
        # The idle frame shows the receiver where frames begin, wherever it stands.
        nothing = exact_share(0, "inclusion")
        return IdleEffect(idle_every, nothing, nothing)
    confirm, release = confirm_frames(layout), _release(layout)
    # More equal windows in a row than both counts ask for change nothing.
    plain = min(idle_every - 2, max(confirm + 2, release + 1))

    def spread(flags: tuple[bool, ...]) -> list[bool]:
        return [flags[0]] * plain + [flags[1], flags[2]]

    def keeps(right: tuple[bool, ...], shown: tuple[bool, ...]) -> bool:
        return _can_keep(spread(right), release)

    def finds(right: tuple[bool, ...], shown: tuple[bool, ...]) -> bool:
        return keeps(right, shown) and _can_find(spread(right), spread(shown), confirm)

    found, kept = _shares(
        layout,
        words,
        (
            [event for one in kinds for event in one.events(finds)],
            [event for one in kinds for event in one.events(keeps)],
        ),
        samples,
    )
    return IdleEffect(idle_every, found, kept)


# -- a sequence field


def _counting(layout: FrameLayout, samples: int) -> tuple[Share, Share]:
    """Give the shares on a link whose sequence field makes the windows differ."""
    words = sent_frames(layout, fixed={"sequence": 0})
    numbers = _numbers(layout)
    confirm, release = confirm_frames(layout), _release(layout)
    judge, first = Judge(layout), Judge(layout, with_marker=True)
    found: list[Rows] = []
    kept: list[Rows] = []
    for offset in _wrong_offsets(layout):
        linear = [first.linear(window(layout, one, one, offset)) for one in words.basis]
        base = first.constant ^ first.linear(window(layout, words.base, words.base, offset))
        # What each frame's number changes in the window that begins in it.
        changes = [
            first.linear(window(layout, number, behind, offset))
            for number, behind in zip(numbers, [*numbers[1:], numbers[0]], strict=True)
        ]
        low = (1 << judge.bits) - 1
        # To keep a place, one window of `release` must be right: few values are so common.
        for value, count in Counter(one & low for one in changes).items():
            if count * release < len(changes):
                continue
            right = [one & low == value for one in changes]
            if not _can_keep(right, release):
                continue
            rows = _rows([one & low for one in linear], base & low ^ value, judge.bits)
            kept.append(rows)
            for shown_value in {one for one in changes if one & low == value}:
                shown = [one == shown_value for one in changes]
                if _can_find(right, shown, confirm):
                    found.append(_rows(linear, base ^ shown_value, first.bits))
    return _shares(layout, words, (found, kept), samples)


def _numbers(layout: FrameLayout) -> list[int]:
    """List what each sequence number changes in a frame's word, in the order of counting."""
    bits = len(layout.bit_places("sequence"))
    one_bit = [int((layout.pack(sequence=1 << bit) ^ layout.pack())[0]) for bit in range(bits)]
    changes = [0]
    for vector in one_bit:
        changes += [before ^ vector for before in changes]
    return changes
