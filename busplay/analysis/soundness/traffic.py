"""The traffic that programs put on a link, by class, as words in slots.

How to think about it. Whether a wrong offset looks valid depends on what the frames have in
common, and programs are not random: they write to one unit's memory for a long time, they clear
a screen with one value at rising addresses, they store the same byte again and again. Each class
is the link at its fullest, every slot busy except where `idle_every` asks for an idle one, since
a receiver synchronises to idle frames. The sequence field counts as a sender counts.

A class is drawn as rings: slots that repeat without an end. What repeats by itself (an idle link,
a sequence, an address that wraps round) is a ring as it is; random words become one that is long.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum
from math import gcd

import numpy as np

from busplay.analysis.soundness.frame_space import FrameSpace, idle_frame, sent_frames
from busplay.batch import UInt64Column
from busplay.description.board import Board
from busplay.description.link import SPACE_MEMORY, SPACE_REGISTERS, StrobeFraming
from busplay.link.frame_facts import FILLED_FIELDS
from busplay.link.layout import FrameLayout

# Units examined one by one if no board lists them.
UNITS_MAX = 4
# Places (symbols) of all rings of a class together, and slots of a ring of random words.
PLACES_MAX = 1 << 19
RANDOM_SLOTS = 1_024
REPEATED_PLACES_MAX = 1 << 16
RINGS_LEAST, RINGS_RANDOM, RINGS_MOST = 4, 16, 8_192


class TrafficKind(Enum):
    """What the stores of a class have in common."""

    IDLE = "idle link"
    """Nothing is sent."""
    RANDOM = "random words"
    """Every field is random and frames are independent."""
    MEMORY = "random data"
    """Random bytes at random addresses of one unit's memory."""
    RISING = "rising addresses, constant data"
    """One byte at one address after the other, as a clear of the screen."""
    REPEATED = "one store repeated"
    """The same byte at the same address over and over."""


@dataclass(frozen=True, slots=True)
class Traffic:
    """One class of traffic.

    Attributes:
        name: as reports call it.
        kind: what its stores have in common.
        fixed: fields that have one value.
        address_count: offsets from 0 that stores go to; None: all that the field can carry.
        memories: fixed fields and address count of each memory that stores choose from; empty:
            those above.
    """

    name: str
    kind: TrafficKind
    fixed: dict[str, int] = field(default_factory=dict)
    address_count: int | None = None
    memories: tuple[tuple[dict[str, int], int | None], ...] = ()


def traffic_of(layout: FrameLayout, board: Board | None = None) -> tuple[Traffic, ...]:
    """Return the classes of traffic on a link, the idle one first.

    Args:
        layout: of the link.
        board: its units and the sizes of their memories, if known.
    """
    link = layout.link
    found = []
    if not isinstance(link.framing, StrobeFraming):
        found.append(Traffic("idle link", TrafficKind.IDLE))
    memories = _memories(layout, board)
    if board is None:
        found.append(Traffic("random words", TrafficKind.RANDOM))
    elif len(memories) > 1:
        choice = tuple((fixed, count) for _, fixed, count in memories)
        found.append(Traffic("all units, random data", TrafficKind.RANDOM, memories=choice))
    has_address = link.field_named("address") is not None
    for name, fixed, count in memories:
        if fixed or board is not None:
            found.append(Traffic(f"{name}, random data", TrafficKind.MEMORY, fixed, count))
        if has_address:
            title = f"{name}, rising addresses, constant data"
            found.append(Traffic(title, TrafficKind.RISING, fixed, count))
    found.append(Traffic("one store repeated", TrafficKind.REPEATED))
    return tuple(found)


def _memories(
    layout: FrameLayout, board: Board | None
) -> list[tuple[str, dict[str, int], int | None]]:
    """Return the memories that stores go to: name, fixed fields, count of addresses."""
    link = layout.link
    unit, space = link.field_named("unit"), link.field_named("space")
    fixed = {"space": SPACE_MEMORY} if space is not None and space.value is None else {}
    has_unit = unit is not None and unit.value is None
    if board is not None:
        return [
            (
                f"{one.name}'s memory",
                fixed | ({"unit": one.number} if has_unit else {}),
                one.memory_bytes,
            )
            for one in board.units
        ]
    if unit is None or not has_unit:
        return [("memory", fixed, None)]
    units = range(min(UNITS_MAX, 1 << unit.bits))
    return [(f"unit {one}'s memory", fixed | {"unit": one}, None) for one in units]


def pattern_of(layout: FrameLayout, traffic: Traffic) -> list[FrameSpace] | None:
    """Return the slots of a round as spaces of words, each slot independent of the others.

    None where slots depend on each other, or where the addresses are no power of two.
    """
    if traffic.kind is TrafficKind.IDLE:
        return [idle_frame(layout)]
    if traffic.kind not in (TrafficKind.RANDOM, TrafficKind.MEMORY) or traffic.memories:
        return None
    fixed = dict(traffic.fixed)
    address = layout.link.field_named("address")
    if address is not None and traffic.address_count not in (None, 1 << address.bits):
        return None
    every = layout.link.idle_every
    numbers = _numbers(layout)
    spaces = [
        sent_frames(layout, fixed=fixed | ({"sequence": number} if numbers > 1 else {}))
        for number in range(min(numbers, PLACES_MAX))
    ]
    busy = 0
    slots: list[FrameSpace] = []
    for slot in range(_round_slots(layout)):
        if every and slot % every == every - 1:
            slots.append(idle_frame(layout))
            continue
        slots.append(spaces[busy % numbers])
        busy += 1
    return slots


def _numbers(layout: FrameLayout) -> int:
    """Return how many values the sequence field counts through; 1 where nothing counts."""
    sequence = layout.link.field_named("sequence")
    return 1 << sequence.bits if sequence is not None and sequence.value is None else 1


def _round_slots(layout: FrameLayout) -> int:
    """Return the slots until sequence and idle slots come round together."""
    every, numbers = layout.link.idle_every, _numbers(layout)
    return every * (numbers // gcd(every - 1, numbers)) if every else numbers


@dataclass(frozen=True, slots=True, eq=False)
class Rings:
    """Slots that repeat without an end.

    Attributes:
        words: uint64[rings, slots].
        is_all: whether these are all that the class has, each as likely.
    """

    words: UInt64Column
    is_all: bool


def draw_rings(layout: FrameLayout, traffic: Traffic, *, seed: int) -> Rings:
    """Draw what a class puts into slots.

    Args:
        layout: of the link.
        traffic: the class.
        seed: random seed.
    """
    if traffic.kind is TrafficKind.IDLE:
        return Rings(np.full((1, 1), layout.idle_word, np.uint64), is_all=True)
    random = np.random.default_rng(seed)
    rings, slots = _shape(layout, traffic)
    every = layout.link.idle_every
    place = np.arange(slots)
    is_idle = (place % every == every - 1) if every else np.zeros(slots, np.bool_)
    count = (np.cumsum(~is_idle) - 1).astype(np.uint64)
    is_one_store = traffic.kind in (TrafficKind.RISING, TrafficKind.REPEATED)
    values: dict[str, UInt64Column] = {}
    for one in layout.link.fields:
        if one.value is not None or one.name not in FILLED_FIELDS:
            continue
        first, last = 0, (1 << one.bits) - 1
        if one.name in traffic.fixed:
            first = last = traffic.fixed[one.name]
        elif one.name == "space":
            first, last = SPACE_MEMORY, SPACE_REGISTERS if one.bits > 1 else SPACE_MEMORY
        elif one.name == "address":
            last = min((traffic.address_count or last + 1) - 1, last)
        is_rising = one.name == "address" and traffic.kind is TrafficKind.RISING
        counts = one.name == "sequence" or is_rising
        shape = (rings, 1 if counts or is_one_store else slots)
        drawn = random.integers(first, last, shape, np.uint64, endpoint=True)
        if counts:
            drawn = (drawn + count) % np.uint64(last + 1)
        values[one.name] = np.broadcast_to(drawn, (rings, slots)).flatten()
    if traffic.memories:
        _choose_memories(layout, traffic, values, random)
    words = layout.pack(**values) if values else np.full(rings * slots, layout.pack()[0], np.uint64)
    words = words.reshape(rings, slots)
    words[:, is_idle] = layout.idle_word
    return Rings(words, is_all=False)


def _choose_memories(
    layout: FrameLayout,
    traffic: Traffic,
    values: dict[str, UInt64Column],
    random: np.random.Generator,
) -> None:
    """Send each store to one of the memories, at random."""
    slots = len(next(iter(values.values())))
    chosen = random.integers(0, len(traffic.memories), slots)
    for number, (fixed, count) in enumerate(traffic.memories):
        here = chosen == number
        for name, value in fixed.items():
            values[name][here] = value
        if "address" in values:
            limit = 1 << len(layout.bit_places("address"))
            addresses = min(count or limit, limit)
            drawn = random.integers(0, addresses, int(here.sum()), np.uint64)
            values["address"][here] = drawn


def _shape(layout: FrameLayout, traffic: Traffic) -> tuple[int, int]:
    """Return how many rings are drawn, and of how many slots."""
    size = layout.frame_symbols
    once = _round_slots(layout)
    if traffic.kind is TrafficKind.REPEATED:
        once = min(once, REPEATED_PLACES_MAX // (RINGS_LEAST * size))
        return max(RINGS_LEAST, min(RINGS_MOST, REPEATED_PLACES_MAX // (once * size))), once
    slots = RANDOM_SLOTS
    if traffic.kind is TrafficKind.RISING:
        address = layout.link.field_named("address")
        bits = address.bits if address is not None else 0
        slots = min(traffic.address_count or 1 << bits, 1 << bits)
        every = layout.link.idle_every
        if every:
            slots = -(-slots * every // (every - 1))
        # A part of the addresses, if there are too many; its last one meets its first.
        slots = min(slots, PLACES_MAX // size)
    # Whole rounds, so that the sequence goes on where a ring closes; else whole turns of it.
    slots = -(-slots // once) * once if once <= 2 * slots else slots
    return max(RINGS_LEAST, min(RINGS_RANDOM, PLACES_MAX // (slots * size))), slots
