"""A slow history: goes through all frames of a recording, one by one, and remembers everything.

Written from the words of traces/README.md and the guide's table of registers; it shares nothing
with the index. Frames are (edge, word); which of them reached their unit is told beside them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from busplay.description.board import Board
from tests.naive.display import NaiveDisplay, field_of_word

Frame = tuple[int, int]


@dataclass
class NaiveWrite:
    """One write that reached its unit."""

    frame: int
    unit: str
    space: str
    offset: int
    data: int


@dataclass
class NaiveHistory:
    """All writes of a recording.

    Attributes:
        fates: for each frame, whether it was `SERVED`, `OVERRUN` or `LATE`.
        held: frames in the receiver's FIFO once each had come.
    """

    board: Board
    frames: list[Frame]
    fates: list[str]
    held: list[int]
    writes: list[NaiveWrite] = field(default_factory=list)
    changed: list[bool] = field(default_factory=list)
    missed: list[int] = field(default_factory=list)

    def __post_init__(self) -> None:
        link = self.board.link
        names = {unit.number: unit for unit in self.board.units}
        displays = {unit.name: NaiveDisplay(unit) for unit in self.board.units}
        sequence = link.field_named("sequence")
        last = None
        for number, ((_, word), fate) in enumerate(zip(self.frames, self.fates, strict=True)):
            self.changed.append(False)
            self.missed.append(0)
            space = field_of_word(word, "space", link)
            space = 1 if space is None else space
            if space == 0:
                continue
            if sequence is not None:
                here = field_of_word(word, "sequence", link)
                assert here is not None
                if last is not None:
                    self.missed[-1] = (here - last - 1) % (1 << sequence.bits)
                last = here
            unit_number = field_of_word(word, "unit", link)
            if unit_number is None:
                unit_number = self.board.units[0].number if len(names) == 1 else 0
            if fate != "SERVED" or unit_number not in names or space > 2:
                continue
            unit = names[unit_number]
            offset, data = field_of_word(word, "address", link), field_of_word(word, "data", link)
            assert offset is not None
            assert data is not None
            data %= 256
            limit = unit.memory_bytes if space == 1 else 8
            if offset >= limit:
                continue
            kind = "memory" if space == 1 else "registers"
            self.writes.append(NaiveWrite(number, unit.name, kind, offset, data))
            if space == 1:
                memory = displays[unit.name].memory
                self.changed[-1] = memory[offset] != data
                memory[offset] = data

    def between(
        self, unit: str, space: str, first: int, stop: int, first_frame: int, stop_frame: int
    ) -> list[NaiveWrite]:
        """All writes to a range of offsets between two moments."""
        return [
            one
            for one in self.writes
            if one.unit == unit
            and one.space == space
            and first <= one.offset < stop
            and first_frame <= one.frame < stop_frame
        ]

    def display_at(self, unit: str, before_frame: int) -> NaiveDisplay:
        """The unit after so many frames."""
        display = NaiveDisplay(next(one for one in self.board.units if one.name == unit))
        for one in self.writes:
            if one.unit == unit and one.frame < before_frame:
                if one.space == "memory":
                    display.write_memory(one.offset, one.data)
                else:
                    display.write_register(one.offset, one.data)
        return display

    def palette_write(self, unit: str, index: int, before_frame: int) -> int | None:
        """The frame whose write to PALETTE_BLUE gave an entry its colour, by setting each alone."""
        display = NaiveDisplay(next(one for one in self.board.units if one.name == unit))
        found = None
        for one in self.writes:
            if one.unit != unit or one.space != "registers" or one.frame >= before_frame:
                continue
            if one.offset == 7 and display.index == index:
                found = one.frame
            display.write_register(one.offset, one.data)
        return found

    def frame_at_edge(self, edge: int) -> int:
        """How many frames start before an edge."""
        return sum(start < edge for start, _ in self.frames)


def spans_of(chunks: list[int], span_frames: int) -> list[int]:
    """Frames of each span, where chunks have so many frames."""
    spans = []
    for count in chunks:
        while count > 0:
            spans.append(min(count, span_frames))
            count -= span_frames
    return spans


def frames_before(
    frames: list[Frame], spans: list[int], edge: int, slot_edges: int, stop_edge: int
) -> int:
    """Frames before an edge, a span's frames standing evenly over its time."""
    starts, at = [], 0
    for count in spans:
        first, last = frames[at][0], frames[at + count - 1][0]
        starts.append((at, count, first // slot_edges, last // slot_edges))
        at += count
    here = [one for one in starts if one[2] * slot_edges <= edge] or starts[:1]
    before, count, first_slot, last_slot = here[-1]
    start = first_slot * slot_edges
    length = float(slot_edges * 2 ** (last_slot - first_slot).bit_length())
    after = starts[len(here)][2] * slot_edges if len(here) < len(starts) else stop_edge
    length = min(length, float(max(after - start, slot_edges)))
    return before + math.floor(count * min(1.0, max(0.0, (edge - start) / length)))


def sum_before(values: list[int], spans: list[int], frame: int) -> int:
    """A sum over the first frames, each span's standing evenly over its frames."""
    total = at = 0
    for count in spans:
        inside = sum(values[at : at + count])
        if frame <= at + count:
            return total + inside * (frame - at) // count
        total += inside
        at += count
    return total
