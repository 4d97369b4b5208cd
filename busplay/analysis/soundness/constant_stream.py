"""A link that carries one and the same frame over and over: can a receiver stay at a wrong place?

How to think about it. With one word repeated, every window at a wrong place is the same rotation
of it, so if that is right it is right for ever: noise apart, nothing tells the receiver. The
words with a right rotation are a union of affine spaces (`unions`).

Two things break the spell. A sequence field makes the windows differ, with a period; a place is
kept if within that period wrong windows never come `release_frames` in a row (`counted_stream`).
And an idle slot
in every N (`idle_every`) gives two windows a round that the idle frame takes part in. Whether a
place can then be *found* (enough right windows in a row) and whether it can be *kept* (wrong ones
never enough in a row) is decided by which of three kinds of window are right, so the words that
allow it are again a union of affine spaces.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import product

from busplay.analysis.soundness.chances import confirm_frames
from busplay.analysis.soundness.counted_stream import CountedStream
from busplay.analysis.soundness.frame_space import FrameSpace, Judge, sent_frames, window
from busplay.analysis.soundness.unions import Rows, Share, exact_share, union_share
from busplay.analysis.soundness.windows import SIDES, affine_rows, can_find, can_keep, release_of
from busplay.description.link import MarkerFraming, StrobeFraming
from busplay.link.layout import FrameLayout

SEED = 1
# Idle slots for which the effect is worked out, as far as it changes.
IDLE_EVERY_TRIED = tuple(range(2, 33))
# Longer periods are not followed through idle slots unless the link has them.
COUNTED_BITS_MAX = 8
# Where a field counts, each N is a case of its own; these are tried.
COUNTED_IDLE_EVERY_TRIED = (2, 4, 8, 9, 16, 64)


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
        here: effect of the link's own `idle_every`; None where it has none.
        idle: effects of idle slots if nothing counts frames, N rising; entries that only repeat
            the one before are left out.
        counted_idle: the same for a link whose sequence field counts, for each N that was tried;
            nothing where none does, where an idle slot frees a receiver at once, or where the
            field has more than 8 bits.
    """

    found: Share
    kept: Share
    without_sequence: Share
    here: IdleEffect | None
    idle: tuple[IdleEffect, ...]
    counted_idle: tuple[IdleEffect, ...]


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
    counted: tuple[IdleEffect, ...] = ()
    if layout.link.field_named("sequence") is not None:
        bare = _shares(layout, words, _plain_events(layout, words), samples)[1]
        counted = _counted_effects(layout, samples)
    if layout.link.idle_every is not None:
        here = idle_effect(layout, layout.link.idle_every, samples=samples)
    return ConstantStream(found, kept, bare, here, _idle_effects(layout, words, samples), counted)


def stream_shares(layout: FrameLayout, *, samples: int = 100_000) -> tuple[Share, Share]:
    """Return `ConstantStream.found` and `kept`; not for a strobe."""
    if layout.link.field_named("sequence") is not None:
        return _counted(layout, None, samples)
    words = sent_frames(layout)
    return _shares(layout, words, _plain_events(layout, words), samples)


def idle_effect(
    layout: FrameLayout,
    idle_every: int,
    *,
    samples: int = 100_000,
    stream: CountedStream | None = None,
) -> IdleEffect:
    """Return what an idle slot in every N does to a constant stream; not for a strobe.

    Args:
        stream: of the layout, if a field counts its frames and it was made before.
    """
    if layout.link.field_named("sequence") is not None:
        if _frees_at_once(layout):
            nothing = exact_share(0, "inclusion")
            return IdleEffect(idle_every, nothing, nothing)
        return IdleEffect(idle_every, *_counted(layout, idle_every, samples, stream))
    return _plain_effect(layout, idle_every, samples)


def _counted(
    layout: FrameLayout, idle_every: int | None, samples: int, stream: CountedStream | None = None
) -> tuple[Share, Share]:
    stream = stream or CountedStream(layout, with_idle=idle_every is not None)
    found, kept = (
        union_share(events, stream.unknowns, seed=SEED, samples=samples)
        for events in stream.events(idle_every=idle_every)
    )
    return found, kept


def _frees_at_once(layout: FrameLayout) -> bool:
    """Tell whether an idle frame shows a receiver where frames begin, wherever it stands."""
    framing = layout.link.framing
    return isinstance(framing, MarkerFraming) and framing.rule == "unique"


def _plain_effect(layout: FrameLayout, idle_every: int, samples: int) -> IdleEffect:
    words = sent_frames(layout)
    kinds = [_KindsOfWindow(layout, words, offset) for offset in _wrong_offsets(layout)]
    return _idle_effect(layout, words, kinds, idle_every, samples)


def _wrong_offsets(layout: FrameLayout) -> range:
    return range(1, layout.frame_symbols)


def _shares(
    layout: FrameLayout, words: FrameSpace, events: tuple[list[Rows], list[Rows]], samples: int
) -> tuple[Share, Share]:
    found, kept = (union_share(one, len(words.basis), seed=SEED, samples=samples) for one in events)
    return found, kept


def _window_rows(
    layout: FrameLayout, words: FrameSpace, offset: int, judge: Judge, *, sides: str = "both"
) -> Rows:
    """Return the equations of a window being right; one side of it may be the idle frame."""
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
    return affine_rows(linear, constant, judge.bits)


def _plain_events(layout: FrameLayout, words: FrameSpace) -> tuple[list[Rows], list[Rows]]:
    """Return the events of one word repeated: a place is found, and is kept."""
    judge, first = Judge(layout), Judge(layout, with_marker=True)
    offsets = _wrong_offsets(layout)
    found = [_window_rows(layout, words, one, first) for one in offsets]
    kept = [_window_rows(layout, words, one, judge) for one in offsets]
    return found, kept


# -- an idle slot in every N


class _KindsOfWindow:
    """The equations of each kind of window at one place: right, and right with the marker."""

    def __init__(self, layout: FrameLayout, words: FrameSpace, offset: int) -> None:
        judge, first = Judge(layout), Judge(layout, with_marker=True)
        self.right = [_window_rows(layout, words, offset, judge, sides=one) for one in SIDES]
        self.shown = [_window_rows(layout, words, offset, first, sides=one) for one in SIDES]
        self.has_marker = isinstance(layout.link.framing, MarkerFraming)

    def events(self, holds: Callable[[tuple[bool, ...], tuple[bool, ...]], bool]) -> list[Rows]:
        """Return the smallest sets of equations under which `holds(right, shown)` is true."""
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


def _idle_effects(layout: FrameLayout, words: FrameSpace, samples: int) -> tuple[IdleEffect, ...]:
    kinds = [_KindsOfWindow(layout, words, offset) for offset in _wrong_offsets(layout)]
    effects: list[IdleEffect] = []
    for idle_every in IDLE_EVERY_TRIED:
        if idle_every > confirm_frames(layout) + 3 and idle_every > release_of(layout) + 2:
            break
        effect = _idle_effect(layout, words, kinds, idle_every, samples)
        before = effects[-1] if effects else None
        if before is None or (before.found, before.kept) != (effect.found, effect.kept):
            effects.append(effect)
    return tuple(effects)


def _counted_effects(layout: FrameLayout, samples: int) -> tuple[IdleEffect, ...]:
    bits = len(layout.bit_places("sequence"))
    if _frees_at_once(layout) or bits > COUNTED_BITS_MAX:
        return ()
    stream = CountedStream(layout)
    return tuple(
        IdleEffect(one, *_counted(layout, one, samples, stream)) for one in COUNTED_IDLE_EVERY_TRIED
    )


def _idle_effect(
    layout: FrameLayout,
    words: FrameSpace,
    kinds: Sequence[_KindsOfWindow],
    idle_every: int,
    samples: int,
) -> IdleEffect:
    if _frees_at_once(layout):
        nothing = exact_share(0, "inclusion")
        return IdleEffect(idle_every, nothing, nothing)
    confirm, release = confirm_frames(layout), release_of(layout)
    # More equal windows in a row than both counts ask for change nothing.
    plain = min(idle_every - 2, max(confirm + 2, release + 1))

    def spread(flags: tuple[bool, ...]) -> list[bool]:
        return [flags[0]] * plain + [flags[1], flags[2]]

    def keeps(right: tuple[bool, ...], shown: tuple[bool, ...]) -> bool:
        return can_keep(spread(right), release)

    def finds(right: tuple[bool, ...], shown: tuple[bool, ...]) -> bool:
        return keeps(right, shown) and can_find(spread(right), spread(shown), confirm)

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
