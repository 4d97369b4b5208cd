"""The sender as a queue in front of a server, one store after the other, with fractions."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from fractions import Fraction
from math import ceil

from busplay.batch import StoreBatch
from busplay.description.board import Board
from busplay.description.link import StrobeFraming
from tests.naive.layout import frame_bits, word_of_bits


@dataclass
class NaiveSender:
    """Takes stores one by one; `frames` are (edge, word), in order of their starts."""

    board: Board
    waiting: deque[dict[str, int]] = field(default_factory=deque)
    free_from: int = 0
    busy_slots: set[int] = field(default_factory=set)
    frames: list[tuple[int, int]] = field(default_factory=list)
    offered: int = 0
    overrun: int = 0
    lost: list[tuple[int, int, int, int]] = field(default_factory=list)
    outside: int = 0

    def __post_init__(self) -> None:
        link = self.board.link
        bits = sum(one.bits for one in link.fields)
        gap = link.framing.gap_symbols if isinstance(link.framing, StrobeFraming) else 0
        self.slot = bits // link.lanes + gap
        edges_of_clock = 2 if link.edges == "both" else 1
        link_hz = link.clock_hz or self.board.clock_hz
        self.edges_per_cycle = Fraction(link_hz * edges_of_clock, self.board.clock_hz)
        self.grid = self.slot if link.start == "slot" else edges_of_clock
        lead = self.board.sender.lead_frames * self.slot
        self.lead = lead + lead % edges_of_clock

    def on_grid(self, edge: Fraction | int) -> int:
        """Return the first edge at which a frame may start, not before the edge given."""
        return ceil(Fraction(edge) / self.grid) * self.grid

    def start(self, values: dict[str, int], edge: int) -> None:
        """Send a frame."""
        link = self.board.link
        sequence = link.field_named("sequence")
        if sequence is not None:
            values = values | {"sequence": len(self.frames) % (1 << sequence.bits)}
        self.frames.append((edge, word_of_bits(frame_bits(link, values))))
        self.free_from = self.on_grid(edge + self.slot)
        if link.idle_every is not None:
            # Of any N slots in a row one is idle: is the next one that?
            self.busy_slots.add(edge // self.slot)
            next_slot = self.free_from // self.slot
            before = range(next_slot - link.idle_every + 1, next_slot)
            if all(slot in self.busy_slots for slot in before):
                self.free_from += self.slot

    def run_until(self, edge: int | None) -> None:
        """Release waiting frames, each when the one before it has ended; None: all of them."""
        while self.waiting and (edge is None or self.free_from <= edge):
            self.start(self.waiting.popleft(), self.free_from)

    def store(self, cycle: int, address: int, data: int) -> None:
        """Take one store."""
        window = next(
            (w for w in self.board.windows if w.first_address <= address <= w.last_address), None
        )
        if window is None:
            self.outside += 1
            return
        self.offered += 1
        unit = next(one for one in self.board.units if one.name == window.unit)
        values = {
            "space": 1 if window.space == "memory" else 2,
            "unit": unit.number,
            "address": address - window.first_address + window.first_offset,
            "data": data,
        }
        whole = self.lead + ceil((cycle + 1) * self.edges_per_cycle)
        edge = self.on_grid(whole)
        self.run_until(edge)
        if not self.waiting and self.free_from <= edge:
            self.start(values, edge)
        elif len(self.waiting) < self.board.sender.fifo_depth:
            self.waiting.append(values)
        else:
            self.overrun += 1
            self.lost.append((edge, cycle, address, data))


def send_all(board: Board, stores: StoreBatch) -> NaiveSender:
    """Send a whole batch to its end."""
    sender = NaiveSender(board)
    for cycle, address, data in zip(
        stores.cycle.tolist(), stores.address.tolist(), stores.data.tolist(), strict=True
    ):
        sender.store(cycle, address, data)
    sender.run_until(None)
    return sender
