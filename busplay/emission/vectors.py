"""Test vectors: symbols, and what a receiver makes of each, as busplay's own receiver says.

How to think about it. A vector is a stretch of symbols for a receiver that was just reset. Beside
each symbol stands the state after it, and the frame that it completed; at the end stand all
counters. Nothing here judges a frame: `Receiver` is fed symbol by symbol. Clean vectors carry
frames without faults; transition vectors are built so that together they take every row of the
table of states that the link can take; fault vectors go through the wire with one kind of fault.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass
from typing import Literal

import numpy as np

from busplay.batch import FrameBatch, SymbolColumn, WireBatch
from busplay.description.faults import (
    BitFlips,
    EarlyLane,
    ExtraEdges,
    Faults,
    LateLane,
    LostEdges,
    StuckLane,
)
from busplay.description.link import SPACE_MEMORY
from busplay.emission.framing_model import COUNTERS
from busplay.emission.model import LinkModel
from busplay.link.layout import FrameLayout
from busplay.receiver import registers as places
from busplay.receiver.receiver import Receiver
from busplay.receiver.states import Event, State
from busplay.wire.expander import expand
from busplay.wire.faulty import FaultyWire

Kind = Literal["clean", "transition", "fault"]
Taken = tuple[State, Event]

SEED = 1
CLEAN_FRAMES = 12
FAULT_SLOTS = 40
# Damage of more bits than a check of few bits tells from a single one.
DAMAGE_BITS_MAX = 3


@dataclass(frozen=True, slots=True)
class Delivered:
    """A frame that a vector delivers.

    Attributes:
        symbol: index of the symbol that completed it.
        first_symbol: index of its first symbol.
        word: its bits.
    """

    symbol: int
    first_symbol: int
    word: int


@dataclass(frozen=True, slots=True)
class Vector:
    """A stretch of symbols for a receiver that was just reset.

    Attributes:
        name: unique, of letters, digits and `_`.
        kind: what it is for.
        meaning: what it shows, in words.
        symbols: the strobe, if there is one, is the bit above the highest lane.
        states: state after each symbol.
        frames: what is delivered.
        counters: at the end, by name.
        taken: rows of the table of states that it takes.
    """

    name: str
    kind: Kind
    meaning: str
    symbols: tuple[int, ...]
    states: tuple[State, ...]
    frames: tuple[Delivered, ...]
    counters: dict[str, int]
    taken: frozenset[Taken]


@dataclass(frozen=True, slots=True)
class EncodedFrame:
    """Field values, and what a sender makes of them.

    Attributes:
        values: of each field that a caller fills.
        word: the frame.
        symbols: of its slot.
    """

    values: dict[str, int]
    word: int
    symbols: tuple[int, ...]


def encoded_frames(model: LinkModel) -> tuple[EncodedFrame, ...]:
    """Return frames to encode: zeros, all ones, each field alone, and an example."""
    inputs = model.inputs
    cases: list[dict[str, int]] = [
        {one.name: 0 for one in inputs},
        {one.name: one.value_mask for one in inputs},
    ]
    for field in inputs:
        for value in (1, field.value_mask):
            cases.append({one.name: value if one is field else 0 for one in inputs})
    cases.append({one.name: 0x123456789ABCDEF & one.value_mask for one in inputs})
    layout = model.layout
    frames = []
    for values in cases:
        word = layout.pack(**values)
        frames.append(EncodedFrame(values, int(word[0]), _symbols_of(layout, int(word[0]))))
    return tuple(frames)


def vectors(model: LinkModel) -> tuple[Vector, ...]:
    """Return all vectors of a link."""
    maker = _Maker(model)
    return (*maker.clean(), *maker.transitions(), *maker.faults())


def received(model: LinkModel, name: str, kind: Kind, meaning: str, symbols: list[int]) -> Vector:
    """Return a vector of symbols, with what the receiver makes of them."""
    layout = model.layout
    receiver = Receiver(layout, correct_one_bit=model.corrects)
    states: list[State] = []
    frames: list[Delivered] = []
    taken: set[Taken] = set()
    column = np.array(symbols, layout.symbol_dtype)
    before = receiver.registers.tolist()
    for index in range(len(column)):
        delivered = receiver.feed_symbols(column[index : index + 1], index)
        after = receiver.registers.tolist()
        if after[places.FRAMES_RECEIVED] > before[places.FRAMES_RECEIVED]:
            frames.append(Delivered(index, int(delivered.edge[0]), int(delivered.word[0])))
        taken |= set(_taken(before, after))
        states.append(State(after[places.STATE]))
        before = after
    counters = asdict(receiver.counters)
    return Vector(
        name=name,
        kind=kind,
        meaning=meaning,
        symbols=tuple(symbols),
        states=tuple(states),
        frames=tuple(frames),
        counters={one: counters[one] for one in COUNTERS},
        taken=frozenset(taken),
    )


def spelled_out(batches: list[WireBatch], layout: FrameLayout) -> SymbolColumn:
    """Return every symbol of stretches in which faults may have hit, in order."""
    parts: list[SymbolColumn] = [np.empty(0, layout.symbol_dtype)]
    for batch in batches:
        # Slots reach over both ends of a stretch that was cut.
        margin = layout.slot_symbols
        first_edge = max(0, batch.first_edge - margin)
        at = batch.words.edge.astype(np.int64)
        touched = (at > batch.first_edge - margin) & (at < batch.stop_edge)
        words = FrameBatch(batch.words.edge[touched], batch.words.word[touched])
        whole = expand(words, layout, first_edge=first_edge, stop_edge=batch.stop_edge + margin)
        part = whole[batch.first_edge - first_edge : batch.stop_edge - first_edge]
        lengths = np.diff(batch.run_first)
        if len(lengths):
            offsets = np.arange(int(batch.run_first[0]), int(batch.run_first[-1]))
            at = np.repeat(batch.run_edge - batch.run_first[:-1], lengths) + offsets
            inside = (at >= batch.first_edge) & (at < batch.stop_edge)
            part[at[inside] - batch.first_edge] = batch.symbols[offsets[inside]]
        parts.append(part)
    return np.concatenate(parts).astype(layout.symbol_dtype)


def _symbols_of(layout: FrameLayout, word: int) -> tuple[int, ...]:
    return tuple(layout.to_symbols(np.array([word], np.uint64)).tolist())


def _taken(before: list[int], after: list[int]) -> Iterator[Taken]:
    """Return the rows of the table of states that explain one symbol.

    Args:
        before, after: the receiver's registers.
    """
    state, following = State(before[places.STATE]), State(after[places.STATE])

    def more(counter: int) -> int:
        return after[counter] - before[counter]

    is_lost, is_gained = more(places.SYNCS_LOST) > 0, more(places.SYNCS_GAINED) > 0
    if is_gained and not is_lost:
        yield state, Event.CONFIRMED
    if state is State.HUNT and following is State.PRESYNC:
        yield state, Event.FOUND
    if state is State.PRESYNC and following is State.HUNT:
        yield state, Event.INVALID
    if state is State.PRESYNC and after[places.VALID_RUN] > before[places.VALID_RUN]:
        yield state, Event.VALID
    if more(places.CHECKS_FAILED):
        yield State.SYNC, Event.INVALID
    if more(places.FRAMES_CORRECTED):
        yield State.SYNC, Event.CORRECTED
    if more(places.FRAMES_ABORTED):
        yield State.SYNC, Event.ABORTED
    if is_lost and is_gained:
        yield State.SYNC, Event.DISPLACED
        yield State.HUNT, Event.CONFIRMED
    elif is_lost:
        yield State.SYNC, Event.RELEASED
    valid = more(places.FRAMES_RECEIVED) + more(places.FRAMES_IDLE)
    if valid > more(places.FRAMES_CORRECTED):
        yield State.SYNC, Event.VALID


class _Maker:
    """What makes a link's vectors."""

    def __init__(self, model: LinkModel) -> None:
        self.model = model
        self.layout = model.layout
        self.random = np.random.default_rng(SEED)
        self.sequence = 0
        framing = model.framing
        self.is_strobe = framing.method == "strobe"
        self.idle = [int(one) for one in self.layout.idle_symbols]
        # One more than a receiver needs, so that a valid idle frame is seen in sync, too.
        self.lead = [*(self.idle * (framing.confirm_frames + 2))]

    def word(self) -> int:
        """Return the next frame that carries a store."""
        values: dict[str, int] = {}
        for field in self.model.inputs:
            if field.name == "space":
                values["space"] = SPACE_MEMORY
            elif field.name == "sequence":
                values["sequence"] = self.sequence & field.value_mask
            elif field.name in ("address", "data", "unit"):
                values[field.name] = int(self.random.integers(0, 1 << field.bits))
        self.sequence += 1
        return int(self.layout.pack(**values)[0])

    def slot(self, word: int) -> list[int]:
        return list(_symbols_of(self.layout, word))

    def damaged(self, word: int, *, correctable: bool = False) -> list[int]:
        """Return the slot of a word with bit errors that the check or a constant detects."""
        columns = self.layout.syndrome_columns
        wanted = 1 if correctable else 2 if self.model.corrects else 1
        singles = set(columns)
        top = self.layout.frame_bits - 1
        flips = 0
        for count in range(wanted, DAMAGE_BITS_MAX + 1):
            for first in range(len(columns) - count + 1):
                syndrome = 0
                for index in range(first, first + count):
                    syndrome ^= columns[index]
                if syndrome and (count == 1 or syndrome not in singles):
                    flips = sum(1 << (top - index) for index in range(first, first + count))
                    break
            if flips:
                break
        return self.slot(word ^ flips)

    def made(self, name: str, kind: Kind, meaning: str, symbols: list[int]) -> Vector:
        return received(self.model, name, kind, meaning, symbols)

    # -- clean

    def clean(self) -> Iterator[Vector]:
        frames = [self.word() for _ in range(CLEAN_FRAMES)]
        symbols = list(self.lead)
        for number, word in enumerate(frames):
            symbols += self.slot(word)
            if number % 4 == 3:
                symbols += self.idle
        yield self.made("clean", "clean", "frames and idle slots, none damaged", symbols)
        if self.layout.frame_symbols > 1:
            late = symbols[1:] + self.idle
            yield self.made("clean_late", "clean", "the same, but the first symbol is missed", late)

    # -- transitions

    def transitions(self) -> Iterator[Vector]:
        kind: Kind = "transition"
        framing = self.model.framing
        idle, lead, tail = self.idle, self.lead, self.idle * (framing.confirm_frames + 3)
        if not self.is_strobe and not framing.is_watched:
            idle_word = self.layout.idle_word
            symbols = idle + self.damaged(idle_word) + tail
            meaning = "a frame fails while the alignment is confirmed"
            yield self.made("presync_fails", kind, meaning, symbols)
        start = lead + self.slot(self.word())
        if self.model.can_fail:
            symbols = start + self.damaged(self.word()) + self.slot(self.word()) + tail
            yield self.made("invalid", kind, "one invalid frame in sync", symbols)
            for count in range(max(1, framing.release_frames - 1), framing.release_frames + 1):
                symbols = list(start)
                for _ in range(count):
                    symbols += self.damaged(self.word())
                symbols += self.slot(self.word()) + tail + self.slot(self.word()) + idle
                last = count == framing.release_frames
                name = "released" if last else "nearly_released"
                end = "sync is lost" if last else "one less than lose sync"
                yield self.made(name, kind, f"invalid frames in a row: {end}", symbols)
        if self.model.corrects:
            yield from self._corrections(start, tail)
        if self.is_strobe:
            yield from self._strobes(start)
        elif framing.is_watched:
            yield from self._displaced(start, tail)

    def _corrections(self, start: list[int], tail: list[int]) -> Iterator[Vector]:
        kind: Kind = "transition"
        one = self.damaged(self.word(), correctable=True)
        symbols = start + one + self.slot(self.word()) + tail
        yield self.made("corrected", kind, "one invalid bit is corrected", symbols)
        another = self.damaged(self.word(), correctable=True)
        symbols = start + one + another + self.slot(self.word()) + tail
        meaning = "no second frame is corrected until a valid one has arrived"
        yield self.made("corrected_once", kind, meaning, symbols)

    def _strobes(self, start: list[int]) -> Iterator[Vector]:
        kind: Kind = "transition"
        frame_symbols = self.layout.frame_symbols
        rest = self.idle[:1]
        for cut in sorted({1, frame_symbols // 2, frame_symbols - 1} - {0}):
            if cut >= frame_symbols:
                continue
            symbols = start + self.slot(self.word())[:cut] + rest * self.model.framing.is_held
            symbols += self.slot(self.word()) + self.idle
            meaning = f"a frame ends after {cut} of {frame_symbols} symbols"
            yield self.made(f"aborted_{cut}", kind, meaning, symbols)
        late = self.slot(self.word())[1:] + rest + self.slot(self.word()) + self.idle
        yield self.made("begins_late", kind, "the first symbol heard is a frame's second", late)
        if self.model.framing.is_held:
            held = self.slot(self.word())[:frame_symbols]
            symbols = start + held + held[:2] + rest + self.slot(self.word()) + self.idle
            meaning = "the strobe stays active after the frame's last symbol"
            yield self.made("held_on", kind, meaning, symbols)

    def _displaced(self, start: list[int], tail: list[int]) -> Iterator[Vector]:
        kind: Kind = "transition"
        for missed in range(1, self.layout.frame_symbols):
            symbols = start + self.idle + self.idle[missed:] + tail + self.slot(self.word())
            vector = self.made(
                f"displaced_{missed}", kind, f"{missed} symbols are missed: false sync", symbols
            )
            if (State.SYNC, Event.DISPLACED) in vector.taken:
                yield vector
                return

    # -- faults

    def faults(self) -> Iterator[Vector]:
        lane = self.layout.lanes - 1
        plans = {
            "flipped": ("bit errors", Faults(bit_flips=[BitFlips(0.02)], seed=SEED)),
            "stuck_low": (
                "the highest lane is stuck at 0",
                Faults(stuck_lanes=[StuckLane(lane, 0)]),
            ),
            "stuck_high": ("the lowest lane is stuck at 1", Faults(stuck_lanes=[StuckLane(0, 1)])),
            "late": ("the highest lane is late", Faults(late_lanes=[LateLane(lane, 0.2)])),
            "early": ("the lowest lane is early", Faults(early_lanes=[EarlyLane(0, 0.2)])),
            "lost_edge": ("clock edges are lost", Faults(lost_edges=[LostEdges(0.01)], seed=SEED)),
            "lost_edges": (
                "clock edges are lost in pairs",
                Faults(lost_edges=[LostEdges(0.01, count=2)], seed=SEED),
            ),
            "extra_edge": ("extra clock edges", Faults(extra_edges=[ExtraEdges(0.01)], seed=SEED)),
        }
        for name, (meaning, plan) in plans.items():
            symbols = spelled_out(self._through(plan), self.layout).tolist()
            yield self.made(name, "fault", meaning, symbols)

    def _through(self, plan: Faults) -> list[WireBatch]:
        """Send frames, every third slot idle, over a wire with faults from behind the lead on."""
        slot = self.layout.slot_symbols
        lead_slots = len(self.lead) // slot
        words = [self.word() for number in range(FAULT_SLOTS) if number % 3 != 2]
        slots = [lead_slots + number for number in range(FAULT_SLOTS) if number % 3 != 2]
        edges = np.array(slots, np.uint64) * np.uint64(slot)
        frames = FrameBatch(edges, np.array(words, np.uint64))
        stop = (lead_slots + FAULT_SLOTS + 1) * slot
        lead = WireBatch.of_words(FrameBatch.empty(), first_edge=0, stop_edge=lead_slots * slot)
        rest = WireBatch.of_words(frames, first_edge=lead_slots * slot, stop_edge=stop)
        wire = FaultyWire(self.layout, plan, edge_hz=1_000_000, first_edge=lead_slots * slot)
        return [lead, *wire.feed(rest)]
