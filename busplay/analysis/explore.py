"""Search links under limits, and find the Pareto front.

How to think about it. A link is good at several things at once, and some of them cost others:
few pins, a slow clock, a short slot, a long time for each symbol, a receiver that is in sync
soon, few errors undetected, a count of lost frames. One link *dominates* another if it is as good
in each and better in one. Those that none dominates are the Pareto front: choosing among them
is up to the person, all others can be forgotten.

A frame count of more than 4 bits counts as 4 where links are compared, since longer bits come
for nothing out of a frame's last symbol and would make every odd frame length a front of its own.

Errors undetected are counted exactly: how many of all errors of one, two and three wrong bits leave
the check and the constants right. Fewer of one bit come before fewer of two, and so on.

Not here: whether a receiver may find a false sync on a stream of equal frames, and for how
long; `busplay check` works that out for a link.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from fractions import Fraction
from math import comb

import numpy as np
from numpy.typing import NDArray

from busplay.analysis.budget import LinkBudget, link_budget
from busplay.analysis.explore_links import (
    CHECK_CHOICES,
    FRAMING_CHOICES,
    FramingChoice,
    LinkChoice,
    Payload,
    build_link,
    on_clock,
)
from busplay.analysis.soundness.weights import count_undetected
from busplay.description.check_catalogue import CHECK_CATALOGUE
from busplay.description.limits import LANES_MAX
from busplay.description.link import CheckFraming, Edges, Link, StrobeFraming
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
        link: named for its choices.
        choice: what it was made from.
        budget: pins, rates, slot.
        sync_slots: slots that a receiver takes to be in sync, at best: 0 with a strobe, an idle
            one with a marker, 1 + `confirm_frames` with the check.
        undetected: share of all errors of one, two and three bits that pass undetected.
        sequence_bits: of the count of frames; more than `SEQUENCE_WORTH_BITS` count as those.
    """

    link: Link
    choice: LinkChoice
    budget: LinkBudget
    sync_slots: int
    undetected: tuple[Fraction, Fraction, Fraction]
    sequence_bits: int

    def aims(self) -> tuple[object, ...]:
        """Return what is to be small, in the order of the table."""
        return (
            self.budget.wires,
            self.budget.clock_hz,
            self.budget.slot_ns,
            self.budget.symbol_hz,
            self.sync_slots,
            self.undetected,
            -min(self.sequence_bits, SEQUENCE_WORTH_BITS),
        )


@dataclass(frozen=True, slots=True)
class Found:
    """What a search found: the front, sorted by pins and slot, and all others within limits."""

    front: tuple[LinkCandidate, ...]
    others: tuple[LinkCandidate, ...]


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
) -> Found:
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
    clocks = [None, *sorted({one for one in limits.clocks_hz if one != limits.processor_hz})]
    found: dict[tuple[object, ...], LinkCandidate] = {}
    others: list[LinkCandidate] = []
    names: set[str] = set()
    for done, choice in enumerate(choices):
        if progress is not None:
            progress(done, len(choices))
        if should_stop():
            break
        if not _could_be_short_enough(limits, payload, choice, clocks):
            continue
        link = build_link(choice, payload)
        if link is None:
            continue
        undetected = undetected_shares(FrameLayout(link))
        for clock_hz in clocks:
            for edges in limits.edges:
                candidate = _candidate(link, choice, limits, clock_hz, edges, undetected)
                # Bits left in the last symbol make the same link of two choices.
                if candidate.link.name in names or not _within(candidate, limits):
                    continue
                names.add(candidate.link.name)
                # Of two that are alike in every aim the first, which has fewer bits, stays.
                if candidate.aims() in found:
                    others.append(candidate)
                else:
                    found[candidate.aims()] = candidate
    kept = list(found.values())
    on_front = _front(kept)
    front = [one for one, best in zip(kept, on_front, strict=True) if best]
    others += [one for one, best in zip(kept, on_front, strict=True) if not best]
    return Found(tuple(sorted(front, key=LinkCandidate.aims)), tuple(others))


def _can_fit(limits: Limits, lanes: int, framing: FramingChoice, check: str) -> bool:
    wires = 1 + lanes + (framing in ("strobe", "select"))
    check_bits = CHECK_CATALOGUE[check].bits if check != "none" else 0
    pins_fit = limits.max_pins is None or wires <= limits.max_pins
    return pins_fit and check_bits >= limits.min_check_bits


def _could_be_short_enough(
    limits: Limits, payload: Payload, choice: LinkChoice, clocks: list[int | None]
) -> bool:
    """Rule long frames out before they are built; proving a marker sound takes time."""
    bits = payload.space_bits + payload.unit_bits + payload.address_bits + 8
    bits += choice.sequence_bits
    if choice.check != "none":
        bits += CHECK_CATALOGUE[choice.check].bits
    usable = [
        clock_hz or limits.processor_hz
        for clock_hz in clocks
        if limits.max_wire_hz is None or (clock_hz or limits.processor_hz) <= limits.max_wire_hz
    ]
    if not usable:
        return False
    symbols = -(-bits // choice.lanes)
    shortest_cycles = Fraction(symbols * limits.processor_hz, 2 * max(usable))
    return shortest_cycles <= limits.max_slot_cycles


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
    placed = replace(on_clock(link, clock_hz=clock_hz, edges=edges), name=name)
    framing = link.framing
    sync_slots = 0 if isinstance(framing, StrobeFraming) else 1
    if isinstance(framing, CheckFraming):
        sync_slots = 1 + framing.confirm_frames
    budget = link_budget(placed, processor_hz=limits.processor_hz)
    return LinkCandidate(placed, choice, budget, sync_slots, undetected, sequence_bits)


def _within(candidate: LinkCandidate, limits: Limits) -> bool:
    budget = candidate.budget
    return (
        (limits.max_wire_hz is None or budget.clock_hz <= limits.max_wire_hz)
        and budget.slot_cycles <= limits.max_slot_cycles
        and budget.frame_hz >= limits.min_frame_hz
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
