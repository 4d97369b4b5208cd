"""What is wrong with a link, or could be better, and the choices that a search found to help.

How to think about it. A *fault* is a rule that a sound link keeps (`busplay.link.rules`): no user
would accept it. A *weakness* is a price that a link may knowingly pay. For each the choices of
its list are tried, one after another, by working the figures out anew on the changed link; what
is handed back is what each choice does, and whether it removes the weakness.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import cache
from math import comb, isfinite

from busplay.analysis.soundness.choice import Choice
from busplay.analysis.soundness.constant_stream import ConstantStream
from busplay.analysis.soundness.damage import EdgeDamage, StuckLane
from busplay.analysis.soundness.figures import percent
from busplay.analysis.soundness.search import (
    change_idle,
    change_idle_every,
    change_marker,
    change_sequence,
    change_streams,
    change_xor,
)
from busplay.analysis.soundness.search_check import (
    change_check,
    change_polynomial,
    change_polynomial_and_width,
    change_width,
)
from busplay.analysis.soundness.weights import UnseenErrors
from busplay.description.link import CheckFraming, Link, MarkerFraming, StrobeFraming
from busplay.errors import DescriptionError
from busplay.link.layout import FrameLayout

# A share of damage, or of payloads, that is worth a line.
NOTABLE_RATIO = 1 / 8
STREAM_RATIO = 0.001


@dataclass(frozen=True, slots=True)
class Weakness:
    """Something that a receiver can suffer from.

    Attributes:
        name: short and fixed, for programs.
        is_fault: whether no user would accept it.
        text: what it is, with the figure.
        choices: what helps; empty: nothing that was tried does.
    """

    name: str
    is_fault: bool
    text: str
    choices: tuple[Choice, ...]


def find_weaknesses(
    layout: FrameLayout,
    faults: list[DescriptionError],
    unseen: UnseenErrors,
    *,
    stuck: list[StuckLane],
    swapped: EdgeDamage,
    stream: ConstantStream | None,
    busy_symbols: float,
) -> list[Weakness]:
    """Name what is wrong and search for what helps.

    Args:
        faults: of `busplay.link.rules.find_faults`.
        unseen, stuck, swapped, stream: what was worked out for this layout.
        busy_symbols: mean time to step on a link that is never idle.
    """
    found = [_fault(layout.link, fault) for fault in faults]
    found += _of_check(layout, unseen)
    found += _of_damage(layout, stuck, swapped)
    sequence = cache(lambda: change_sequence(layout))
    found += _of_stream(layout, stream, sequence)
    found += _of_lock(layout, busy_symbols)
    if layout.link.field_named("sequence") is None:
        text = "nothing counts frames, so a receiver cannot tell how many it lost"
        found.append(Weakness("uncounted", False, text, _counted(sequence())))
    return found


def _kept(searches: list[Callable[[], Choice | None]]) -> tuple[Choice, ...]:
    return tuple(choice for choice in (search() for search in searches) if choice is not None)


def _fault(link: Link, fault: DescriptionError) -> Weakness:
    name = {"idle": "idle_taken", "framing.symbols": "marker_imitated"}.get(
        fault.place or "", "idle_locks_wrongly"
    )
    choices = _kept(
        [
            lambda: change_xor(link),
            lambda: change_idle(link),
            lambda: change_marker(link),
            lambda: change_width(link),
        ]
    )
    found = f"{fault.place}: found {fault.found}" if fault.place else str(fault)
    return Weakness(name, True, found, choices)


def _of_check(layout: FrameLayout, unseen: UnseenErrors) -> Iterator[Weakness]:
    if layout.link.check is None:
        yield Weakness(
            "no_check",
            False,
            f"no check field: {unseen.counts[1]} of {unseen.frame_bits} single wrong bits go"
            " unseen",
            _kept([lambda: change_check(layout)]),
        )
        return
    distance = unseen.min_distance
    if distance is None or distance > 2:
        return
    errors = comb(unseen.frame_bits, distance)
    yield Weakness(
        "low_distance",
        False,
        f"{unseen.counts[distance]} of {errors:,} errors of {distance} wrong"
        f" {'bit' if distance == 1 else 'bits'} go unseen",
        _kept(
            [
                lambda: change_polynomial(layout, unseen, more_bits=0),
                lambda: change_polynomial(layout, unseen, more_bits=1),
                lambda: change_polynomial_and_width(layout, unseen),
            ]
        ),
    )


def _of_damage(
    layout: FrameLayout, stuck: list[StuckLane], swapped: EdgeDamage
) -> Iterator[Weakness]:
    if layout.link.check is None:
        return
    worst = max(stuck, key=lambda one: one.share.unseen_ratio)
    if worst.share.unseen_ratio > NOTABLE_RATIO:
        yield Weakness(
            "stuck_lane",
            False,
            f"lane {worst.lane} stuck at {worst.level}:"
            f" {percent(worst.share.unseen_ratio)} of the frames that it changes look right",
            _kept([lambda: change_streams(layout, "stuck lane", limit=NOTABLE_RATIO)]),
        )
    if swapped.unseen_ratio > NOTABLE_RATIO:
        yield Weakness(
            "swapped_edges",
            False,
            f"two neighbouring edges swapped: {percent(swapped.unseen_ratio)} of the frames that it"
            " changes look right",
            _kept([lambda: change_streams(layout, "swapped edges", limit=NOTABLE_RATIO)]),
        )


def _counted(choice: Choice | None) -> tuple[Choice, ...]:
    """Any sequence field counts frames, whatever it does to constant streams."""
    return () if choice is None else (replace(choice, removes=True),)


def _of_stream(
    layout: FrameLayout,
    stream: ConstantStream | None,
    sequence: Callable[[], Choice | None],
) -> Iterator[Weakness]:
    if stream is None:
        return
    kept, found = stream.kept.ratio, stream.found.ratio
    if stream.here is not None:
        kept, found = stream.here.kept.ratio, stream.here.found.ratio
    if kept <= STREAM_RATIO:
        return
    yield Weakness(
        "constant_stream",
        False,
        f"one frame over and over: {percent(kept, digits=4)} of all words keep a receiver at a"
        " wrong place for ever; those that also bring a hunting one there:"
        f" {percent(found, digits=4)}",
        _kept(
            [
                lambda: change_idle_every(layout, release=None),
                lambda: change_idle_every(layout, release=2),
                sequence,
                lambda: change_streams(layout, "xor", limit=STREAM_RATIO),
                lambda: change_streams(layout, "polynomial", limit=STREAM_RATIO),
            ]
        ),
    )


def _of_lock(layout: FrameLayout, busy_symbols: float) -> Iterator[Weakness]:
    framing = layout.link.framing
    if isinstance(framing, CheckFraming | StrobeFraming) or layout.link.idle_every is not None:
        return
    if isinstance(framing, MarkerFraming):
        choice = Choice(
            "idle every N",
            "idle_every = 64",
            "an idle frame at least every 64 slots, for 1/64 of the link",
            removes=True,
            link=replace(layout.link, idle_every=64),
        )
        text = "only idle frames carry the marker: on a link that is never idle a receiver"
        if isfinite(busy_symbols):
            text += (
                " comes into step where a store's frame happens to begin with it, after"
                f" {busy_symbols:,.0f} symbols on average"
            )
        else:
            text += " does not come into step"
        yield Weakness(
            "busy_never_locks",
            False,
            text,
            (choice,),
        )
