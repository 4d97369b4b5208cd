"""Search links under limits, and find the Pareto front.

How to think about it. A link is good at several things at once, and some of them cost others:
few pins, a slow clock, a short slot, a long time for each symbol, a receiver that is in sync
soon, few errors undetected, a count of lost frames. One link *dominates* another if it is as good
in each and better in one. Those that none dominates are the Pareto front: choosing among them
is up to the person, all others can be forgotten.

A frame count of more than 4 bits counts as 4 where links are compared, since longer bits come
for nothing out of a frame's last symbol and would make every odd frame length a front of its own.

Errors undetected are counted exactly: how many of all errors of one, two and three bit errors leave
the check and the constants right. Fewer of one bit come before fewer of two, and so on.

Not here: whether a receiver may find a false sync on a stream of equal frames, and for how
long; `busplay check` works that out for a link.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from fractions import Fraction
from math import comb, inf
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from busplay.analysis.budget import link_budget
from busplay.analysis.explore_links import (
    CHECK_CHOICES,
    FRAMING_CHOICES,
    FramingChoice,
    LinkChoice,
    Payload,
    build_link,
)
from busplay.analysis.soundness.weights import count_undetected
from busplay.description.check_catalogue import CHECK_CATALOGUE
from busplay.description.limits import LANES_MAX
from busplay.description.link import CheckFraming, Edges, Link, StrobeFraming
from busplay.description.plain import link_to_plain
from busplay.link.layout import FrameLayout

EDGES: tuple[Edges, ...] = ("rising", "both")
SEQUENCE_CHOICES = (0, 4)
SEQUENCE_WORTH_BITS = 4
SHORT_NAMES = {"none": "none", "parity_odd": "parity", "crc4_g704": "crc4", "crc5_usb": "crc5"}
SHORT_NAMES["hec_i432"] = "hec8"


@dataclass(frozen=True, slots=True)
class Limits:
    """What a link must keep to.

    Attributes:
        processor_hz: the processor's clock.
        clocks_hz: clocks of the link's own to try besides the processor's.
        max_pins: wires at most, ground aside; None: no limit.
        max_wire_hz: no wire faster; the clock is the fastest.
        max_slot_cycles: processor cycles a slot at most.
        min_frame_hz: frames a second at least.
        min_check_bits: bits of check at least.
        framings: ways of framing to try.
        edges: edge rules to try.
    """

    processor_hz: int
    clocks_hz: tuple[int, ...] = ()
    max_pins: int | None = None
    max_wire_hz: int | None = None
    max_slot_cycles: Fraction = Fraction(4)
    min_frame_hz: int = 0
    min_check_bits: int = 0
    framings: tuple[FramingChoice, ...] = FRAMING_CHOICES
    edges: tuple[Edges, ...] = EDGES


@dataclass(frozen=True, slots=True)
class LinkCandidate:
    """A link within the limits, with what it is good at.

    Attributes:
        name: of the link and of its file, made of its choices.
        pins: wires, ground aside.
        lanes: wires that carry data.
        edges: of the clock on which lanes are sampled.
        clock_hz: rate of the clock.
        framing: how frames are found; `strobe` marks the first symbol, `select` is held for the
            frame.
        check: its name in the catalogue, or `none`.
        sequence_bits: of the frame count; more than 4 count as 4 where links are compared.
        frame_bits: of a frame.
        slot_cycles: processor cycles from one frame's start to the next.
        slot_ns: the same in nanoseconds.
        symbol_ns: how long a symbol stands.
        frame_hz: frames a second.
        sync_slots: slots until a receiver is in sync, at best: 0 with a strobe, an idle one with
            a marker, 1 + `confirm_frames` with the check.
        undetected_ratios: share of all errors of one, two and three bits that pass undetected.
        link: the whole description, as in a link file.
        description: the same as an object; not in JSON.
    """

    name: str
    pins: int
    lanes: int
    edges: str
    clock_hz: int
    framing: FramingChoice
    check: str
    sequence_bits: int
    frame_bits: int
    slot_cycles: Fraction
    slot_ns: Fraction
    symbol_ns: Fraction
    frame_hz: Fraction
    sync_slots: int
    undetected_ratios: tuple[Fraction, Fraction, Fraction]
    link: Mapping[str, object]
    description: Link = field(metadata={"json": False})

    def aims(self) -> tuple[object, ...]:
        """Return what is to be small, in the order of the table."""
        return (
            self.pins,
            self.clock_hz,
            self.slot_ns,
            -self.symbol_ns,
            self.sync_slots,
            self.undetected_ratios,
            -min(self.sequence_bits, SEQUENCE_WORTH_BITS),
        )


@dataclass(frozen=True, slots=True)
class Exploration:
    """What a search for links found.

    Attributes:
        interrupted: it was stopped; the rest is of the links tried so far.
        limits: what they had to keep to.
        payload: bits of space, unit and address that each frame carries, besides 8 of data.
        links_within_limits: how many there are.
        front: the Pareto front, by pins and slot.
        written: link files that were written.
        plot: the picture that was drawn; None: none.
        others: links within the limits that are not on the front; not in JSON.
    """

    interrupted: bool
    limits: Limits
    payload: Payload
    links_within_limits: int
    front: tuple[LinkCandidate, ...]
    written: tuple[Path, ...] = ()
    plot: Path | None = None
    others: tuple[LinkCandidate, ...] = field(default=(), metadata={"json": False})


def undetected_shares(layout: FrameLayout) -> tuple[Fraction, Fraction, Fraction]:
    """Return which share of all errors of one, two and three bits leaves a frame valid."""
    bits = layout.frame_bits
    counts = count_undetected(layout.syndrome_columns).counts
    one, two, three = (
        Fraction(counts[weight], comb(bits, weight)) if weight <= bits else Fraction(0)
        for weight in (1, 2, 3)
    )
    return one, two, three


def explore(
    limits: Limits,
    payload: Payload,
    *,
    progress: Callable[[int, int], None] | None = None,
    should_stop: Callable[[], bool] = lambda: False,
) -> Exploration:
    """Try every combination within the limits and find the Pareto front.

    Args:
        limits: what to keep to.
        payload: what each frame carries.
        progress: called with (done, total) as the search goes on.
        should_stop: asked before each link; a yes ends the search there.
    """
    choices = [
        LinkChoice(lanes, framing, check, sequence_bits)
        for lanes in range(1, LANES_MAX + 1)
        for framing in limits.framings
        for check in CHECK_CHOICES
        for sequence_bits in SEQUENCE_CHOICES
        if _can_fit(limits, lanes, framing, check)
    ]
    most_hz = limits.max_wire_hz or inf
    clocks = [
        one
        for one in [None, *sorted({*limits.clocks_hz} - {limits.processor_hz})]
        if (one or limits.processor_hz) <= most_hz
    ]
    # Bits left in the last symbol make the same link of two choices.
    within: dict[str, LinkCandidate] = {}
    interrupted = False
    for done, choice in enumerate(choices):
        if progress is not None:
            progress(done, len(choices))
        interrupted = should_stop()
        if interrupted:
            break
        link = (
            build_link(choice, payload) if _can_be_quick(limits, payload, choice, clocks) else None
        )
        if link is None:
            continue
        undetected = undetected_shares(FrameLayout(link))
        for clock_hz in clocks:
            for edges in limits.edges:
                one = _candidate(link, choice, limits, clock_hz, edges, undetected)
                if (
                    one.slot_cycles <= limits.max_slot_cycles
                    and one.frame_hz >= limits.min_frame_hz
                ):
                    within.setdefault(one.name, one)
    # Of two that are alike in every aim the first, which has fewer bits, can be on the front.
    firsts: dict[tuple[object, ...], LinkCandidate] = {}
    for one in within.values():
        firsts.setdefault(one.aims(), one)
    kept = list(firsts.values())
    front = [one for one, is_best in zip(kept, _front(kept), strict=True) if is_best]
    names = {one.name for one in front}
    return Exploration(
        interrupted=interrupted,
        limits=limits,
        payload=payload,
        links_within_limits=len(within),
        front=tuple(sorted(front, key=LinkCandidate.aims)),
        others=tuple(one for one in within.values() if one.name not in names),
    )


def _can_fit(limits: Limits, lanes: int, framing: FramingChoice, check: str) -> bool:
    wires = 1 + lanes + (framing in ("strobe", "select"))
    check_bits = CHECK_CATALOGUE[check].bits if check != "none" else 0
    pins_fit = limits.max_pins is None or wires <= limits.max_pins
    return pins_fit and check_bits >= limits.min_check_bits


def _can_be_quick(
    limits: Limits, payload: Payload, choice: LinkChoice, clocks: list[int | None]
) -> bool:
    """Rule long frames out before they are built; proving a marker sound takes time."""
    bits = payload.space_bits + payload.unit_bits + payload.address_bits + 8
    bits += choice.sequence_bits
    if choice.check != "none":
        bits += CHECK_CATALOGUE[choice.check].bits
    symbols = -(-bits // choice.lanes)
    fastest_hz = max((one or limits.processor_hz for one in clocks), default=0)
    return symbols * limits.processor_hz <= limits.max_slot_cycles * 2 * fastest_hz


def _candidate(
    link: Link,
    choice: LinkChoice,
    limits: Limits,
    clock_hz: int | None,
    edges: Edges,
    undetected: tuple[Fraction, Fraction, Fraction],
) -> LinkCandidate:
    sequence = link.field_named("sequence")
    sequence_bits = sequence.bits if sequence else 0
    clock = f"-{clock_hz}hz" if clock_hz else ""
    name = (
        f"{choice.lanes}-{edges}-{choice.framing}-{SHORT_NAMES[choice.check]}"
        f"-q{sequence_bits}{clock}"
    )
    placed = replace(link, name=name, clock_hz=clock_hz, edges=edges)
    framing = link.framing
    sync_slots = 0 if isinstance(framing, StrobeFraming) else 1
    if isinstance(framing, CheckFraming):
        sync_slots = 1 + framing.confirm_frames
    budget = link_budget(placed, processor_hz=limits.processor_hz)
    return LinkCandidate(
        name=name,
        pins=budget.wires,
        lanes=link.lanes,
        edges=edges,
        clock_hz=budget.clock_hz,
        framing=choice.framing,
        check=choice.check,
        sequence_bits=sequence_bits,
        frame_bits=link.frame_bits,
        slot_cycles=budget.slot_cycles,
        slot_ns=budget.slot_ns,
        symbol_ns=budget.symbol_ns,
        frame_hz=budget.frame_hz,
        sync_slots=sync_slots,
        undetected_ratios=undetected,
        link=link_to_plain(placed),
        description=placed,
    )


def _front(candidates: list[LinkCandidate]) -> NDArray[np.bool_]:
    """Return which candidates none of the others dominates; no two have the same aims."""
    if not candidates:
        return np.zeros(0, np.bool_)
    columns = list(zip(*(one.aims() for one in candidates), strict=True))
    ranks = np.array([_ranks(column) for column in columns], np.int32).T
    on_front = np.ones(len(ranks), np.bool_)
    for index, own in enumerate(ranks):
        better = (ranks <= own).all(axis=1)
        better[index] = False
        on_front[index] = not better.any()
    return on_front


def _ranks(column: tuple[object, ...]) -> list[int]:
    order = {value: rank for rank, value in enumerate(sorted(set(column)))}  # type: ignore[type-var]
    return [order[value] for value in column]
