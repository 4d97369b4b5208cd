"""The inspector of a trace in replay, see `busplay.player.inspector`."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Protocol

import numpy as np

from busplay.batch import FrameBatch
from busplay.core.disassembly import DisassembledLine
from busplay.description.board import Board, Unit
from busplay.description.link import SPACE_MEMORY
from busplay.display.display import Display
from busplay.errors import InputError
from busplay.history.breakpoints import AtAddress
from busplay.history.frame_rows import FrameRows
from busplay.history.history import History
from busplay.history.pixel import PixelCauses
from busplay.history.places import Place, Write
from busplay.history.program_history import ProgramHistory
from busplay.losses.losses import CAUSE_WORDS, Cause
from busplay.losses.lost_stores import LossNames
from busplay.pipeline.pipeline import Pipeline
from busplay.player.inspector import (
    ErrorRow,
    FrameRow,
    InstructionFacts,
    MachineFacts,
    PixelCause,
    PixelFacts,
    ReceiverFacts,
    RoutineFacts,
    TimeSums,
    WriteSums,
)
from busplay.program.labels import Labels
from busplay.run.replay import Replay
from busplay.trace.reader import TraceReader

# Most frames that an overlay reads; 60 ms.
SUMMED_FRAMES_MAX = 2_000_000
# Most frames without a gap to search back for their beginning.
BURST_FRAMES_MAX = 400
INSTRUCTIONS_BEFORE, INSTRUCTIONS_AFTER = 12, 24
# A profile reruns the program from its beginning: about a second for this many cycles.
PROFILED_CYCLES_MAX = 160_000_000

ProfileOf = Callable[[int, int], Iterable[RoutineFacts]]


class Inspected(Protocol):
    """A replay, or a live run that can go back."""

    @property
    def board(self) -> Board:
        """The board."""

    @property
    def pipeline(self) -> Pipeline:
        """Sender, receiver and displays."""

    @property
    def reader(self) -> TraceReader:
        """The trace."""

    @property
    def displays(self) -> Mapping[str, Display]:
        """The units by name."""

    @property
    def cycle(self) -> int:
        """The present position."""

    @property
    def end_cycle(self) -> int | None:
        """Where it ends."""

    @property
    def is_faulty(self) -> bool:
        """Whether faults are injected."""

    def start_edge(self, cycle: int) -> int:
        """Return the earliest edge at which the frame of a store just before `cycle` starts."""


class TraceInspector:
    """Queries on a replay and its trace.

    Args:
        replay: the replay, which has the present position.
        history: of its trace.
        labels: the program's.
        program: the recorded program's run, if there is a program.
        against: another replay, whose displays show what was expected.
        differences: differences of the two: edge, and text.
        profile_of: returns the routines of a passage, from one cycle to another.

    Attributes:
        version: increases when the recording has grown.
    """

    def __init__(
        self,
        replay: Inspected,
        history: History,
        *,
        labels: Labels | None = None,
        program: ProgramHistory | None = None,
        against: Replay | None = None,
        differences: Sequence[tuple[int, str]] = (),
        profile_of: ProfileOf | None = None,
    ) -> None:
        self._replay = replay
        self._history = history
        self._against = against
        self._differences = differences
        self._program = program
        self._profile_of = profile_of
        self._routines: tuple[tuple[int, int], tuple[RoutineFacts, ...]] | None = None
        self._header = replay.reader.header
        self._labels = labels or ({} if program is None else program.symbols.labels)
        self._rows = FrameRows(history.reader, self._labels)
        self.version = 0
        self._fates: dict[int, str] = {}
        self._errors: list[ErrorRow] = []
        self._errors_of: tuple[int, int] = (0, 0)
        self._instructions: dict[int, InstructionFacts | None] = {}
        self._causes: tuple[tuple[object, ...], PixelCauses] | None = None

    def _take_history(self, history: History) -> None:
        """Go on with the history of more of the same run."""
        self._history = history
        self._rows = FrameRows(history.reader, self._labels)
        self._causes = None
        self.version += 1

    def refresh(self, now_ns: int, *, playing: bool) -> None:
        """Take up what has happened since: in a trace nothing has."""

    @property
    def board(self) -> Board:
        """The board that sent the frames."""
        return self._replay.board

    @property
    def _end_cycle(self) -> int:
        return self._replay.end_cycle or 0

    @property
    def _pipeline(self) -> Pipeline:
        return self._replay.pipeline

    # -- time

    @property
    def begin_edge(self) -> int:
        """Where the recording begins."""
        return 0

    @property
    def end_edge(self) -> int:
        """Where the recording ends."""
        return max(self._history.reader.stop_edge, self.edge_at(self._end_cycle))

    @property
    def frames(self) -> int:
        """Frames in the trace."""
        return self._rows.frames

    @property
    def slot_edges(self) -> int:
        """Edges of a slot."""
        return self._rows.layout.slot_symbols

    @property
    def lane_names(self) -> tuple[str, ...]:
        """Names of the lanes of a frame's symbols."""
        return self._rows.lane_names

    @property
    def shown_frames(self) -> int:
        """Frames shown at the present position."""
        return self._pipeline.frames_carried

    def edge_at(self, cycle: int) -> int:
        """Return the link edge at which a processor cycle begins."""
        return self._header.edge_at(cycle)

    def cycle_at(self, edge: int) -> int:
        """Return the processor cycle completed by a link edge."""
        return self._header.cycles_at(edge)

    def cycle_showing(self, frame: int) -> int:
        """Return the first cycle at which a frame, by its number, has been shown."""
        if frame >= self.frames:
            return self._end_cycle
        edge = self._history.edge_of_frame(frame)
        cycle = self.cycle_at(edge)
        while cycle > 0 and self._replay.start_edge(cycle - 1) >= edge:
            cycle -= 1
        while self._replay.start_edge(cycle) < edge:
            cycle += 1
        return min(cycle, self._end_cycle)

    def frame_at(self, edge: int) -> int:
        """Count the frames that start before an edge."""
        return self._history.frame_at_edge(edge)

    # -- frames

    def rows(self, first: int, stop: int) -> Sequence[FrameRow]:
        """Return frames by their numbers, with their fates."""
        self._take_errors()
        rows = self._rows.rows(first, stop)
        if not self._fates:
            return rows
        return [
            row if row.edge not in self._fates else replace(row, fate=self._fates[row.edge])
            for row in rows
        ]

    def find(self, text: str, frame: int, *, back: bool) -> int | None:
        """Return the nearest frame that matches a text."""
        return self._rows.find(text, frame, back=back)

    def sums(self, first_edge: int, stop_edge: int, columns: int) -> TimeSums:
        """Return the sums of equal parts of a stretch."""
        line = self._history.timeline(first_edge, stop_edge, columns)
        losses = {
            "lost at the sender FIFO": line.lost_at_sender,
            "lost at the receiver FIFO": line.lost_at_receiver,
            "late": line.late,
            "not delivered": line.undelivered,
            "missed by sequence": line.frames_missed,
        }
        found = {cause: one.astype(np.float64) for cause, one in losses.items() if one.any()}
        self._take_errors()
        # Losses by faults injected in the replay are not in the trace.
        for cause in CAUSE_WORDS.values() if self._replay.is_faulty else ():
            edges = [row.edge for row in self._errors if row.cause == cause]
            here = np.diff(np.searchsorted(np.array(edges, np.int64), line.edges))
            if here.any():
                found[cause] = here.astype(np.float64)
        return TimeSums(
            use_ratio=np.minimum(line.frames / np.maximum(line.slots, 1), 1.0),
            changed_bytes=line.changed_bytes.astype(np.float64),
            frames=line.frames.astype(np.float64),
            losses=found,
            fifo_frames=line.fifo_high_water.astype(np.float64),
            keys=line.keys.astype(np.float64),
        )

    # -- pixels

    def _unit(self, name: str) -> Unit:
        return self.board.unit_named(name)

    def pixel(self, unit: str, x: int, y: int, *, deep: bool = False) -> PixelFacts:
        """Return what a pixel shows at the present position, and why."""
        shown = self.shown_frames
        key = (unit, x, y, shown)
        if self._causes is None or self._causes[0] != key:
            self._causes = key, self._history.causes(unit, x, y, shown)
        why = self._causes[1]
        address = self._rows.places.address(self._unit(unit).number, SPACE_MEMORY, why.offset)
        display = self._replay.displays[unit]
        # The display's present contents, since the history has no damage on the wire.
        offset, value, index = display.pixel(x, y)
        index = display.border_index if display.is_blank else index
        red, green, blue = display.palette[index].tolist()
        return PixelFacts(
            unit,
            x,
            y,
            offset,
            address,
            value,
            index,
            (red, green, blue),
            tuple(self._cause(*one, deep=deep) for one in _causes_in_words(why)),
        )

    def _cause(self, role: str, value: str, write: Write | None, *, deep: bool) -> PixelCause:
        if write is None:
            return PixelCause(role, value)
        label = self._rows.places.label(write.address)
        instruction = self._instruction_of(write.frame) if deep else None
        return PixelCause(role, value, write.frame, write.cycle, write.address, label, instruction)

    def write_beside(self, unit: str, x: int, y: int, frame: int, *, back: bool) -> int | None:
        """Return the number of the nearest frame that writes a pixel's byte, or None."""
        offset = self._replay.displays[unit].pixel(x, y)[0]
        place = Place(unit, "memory", offset, offset + 1)
        if back:
            found = self._history.last_write(place, max(0, frame))
        else:
            found = self._history.next_write(place, frame)
        return None if found is None else found.frame

    def write_sums(self, unit: str, first_edge: int) -> WriteSums:
        """Return the writes to a unit from an edge up to the present position."""
        described = self._unit(unit)
        size = described.memory_bytes
        stop = self.shown_frames
        first = max(self.frame_at(first_edge), stop - SUMMED_FRAMES_MAX)
        before = self._memory_before(described, first)
        frames = self._rows.batch(first, stop)
        offsets, data, edges = self._written(described, frames)
        writes = np.bincount(offsets, minlength=size).astype(np.uint32)
        last_edge = np.full(size, -1, np.int64)
        last_edge[offsets] = edges
        order = np.argsort(offsets, kind="stable")
        places, values = offsets[order], data[order]
        is_first = np.ones(len(order), np.bool_)
        is_first[1:] = places[1:] != places[:-1]
        # The value before each write: that of the write before it, or of memory.
        found = np.where(is_first, before[places], np.roll(values, 1))
        unchanged = np.bincount(places[found == values], minlength=size).astype(np.uint32)
        losses = self._pipeline.losses
        lost_frames = FrameBatch(losses.edge, losses.word)
        lost_at, _, lost_edges = self._written(described, lost_frames)
        lost = np.bincount(lost_at[lost_edges >= first_edge], minlength=size).astype(np.uint32)
        stop_edge = max(self.edge_at(self._replay.cycle), first_edge)
        return WriteSums(described, first_edge, stop_edge, writes, unchanged, last_edge, lost)

    def _written(
        self, unit: Unit, frames: FrameBatch
    ) -> tuple[
        np.ndarray[tuple[int, ...], np.dtype[np.int64]],
        np.ndarray[tuple[int, ...], np.dtype[np.uint8]],
        np.ndarray[tuple[int, ...], np.dtype[np.int64]],
    ]:
        """Return offset, data and edge of the frames that go to a unit's memory."""
        space, of_unit, offset, data = self._rows.pieces(frames.word)
        hits = (space == SPACE_MEMORY) & (of_unit == unit.number) & (offset < unit.memory_bytes)
        return (
            offset[hits].astype(np.int64),
            (data[hits] & np.uint64(0xFF)).astype(np.uint8),
            frames.edge[hits].astype(np.int64),
        )

    def _memory_before(
        self, unit: Unit, frame: int
    ) -> np.ndarray[tuple[int, ...], np.dtype[np.uint8]]:
        """Return a unit's memory after COUNT frames, as sent."""
        if not frame:
            return np.zeros(unit.memory_bytes, np.uint8)
        edge = self._history.edge_of_frame(frame - 1) + 1
        point = self._history.reader.seek(edge)
        pipeline = Pipeline(self.board)
        if point.states:
            pipeline.restore(point.states, edge=point.edge, frames_carried=point.frames_before)
        for frames in self._history.reader.frames_between(point.edge, edge):
            pipeline.feed_frames(frames, stop_edge=0)
        return np.array(pipeline.displays[unit.name].memory)

    # -- the program

    @property
    def has_program(self) -> bool:
        """Whether there is a program."""
        return self._program is not None

    def machine(self) -> MachineFacts | None:
        """Return the processor at the present position; None without a program."""
        program = self._program
        if program is None:
            return None
        self._go_to(program, self._replay.cycle)
        state = program.state
        registers = state.registers
        flags = "".join(
            letter if registers.p & 0x80 >> bit else "." for bit, letter in enumerate("NV--DIZC")
        )
        rows = program.disassembly(before=INSTRUCTIONS_BEFORE, after=INSTRUCTIONS_AFTER)
        here = next((i for i, row in enumerate(rows) if row.address == registers.pc), 0)
        return MachineFacts(
            registers=(
                ("PC", f"${registers.pc:04X}"),
                ("A", f"${registers.a:02X}"),
                ("X", f"${registers.x:02X}"),
                ("Y", f"${registers.y:02X}"),
                ("S", f"${registers.s:02X}"),
                ("flags", flags),
            ),
            stack=state.stack[:8].hex(" ").upper(),
            code=tuple(self._code_row(program, row) for row in rows),
            here=here,
        )

    def _code_row(self, program: ProgramHistory, row: DisassembledLine) -> InstructionFacts:
        names = program.symbols.labels.get(row.address, ())
        line = program.symbols.line_of(row.address)
        return InstructionFacts(
            row.address, row.text, names[0] if names else "", "" if line is None else str(line), ""
        )

    def routines(self, first_cycle: int, stop_cycle: int) -> Sequence[RoutineFacts] | None:
        """Return the routines of a passage, the most cycles first."""
        if self._profile_of is None or not 0 <= first_cycle < stop_cycle <= PROFILED_CYCLES_MAX:
            return None
        key = (first_cycle, stop_cycle)
        if self._routines is None or self._routines[0] != key:
            self._routines = key, tuple(self._profile_of(first_cycle, stop_cycle))
        return self._routines[1]

    def routine_sums(
        self, unit: str, routine: RoutineFacts, first_cycle: int, stop_cycle: int
    ) -> WriteSums | None:
        """Return a routine's writes to a unit in a passage."""
        if self._program is None or first_cycle >= stop_cycle:
            return None
        addresses = self._program.addresses_stored(
            routine.address, routine.stop_address, first_cycle=first_cycle, stop_cycle=stop_cycle
        )
        described = self._unit(unit)
        offsets = [
            addresses[(addresses >= one.first_address) & (addresses <= one.last_address)].astype(
                np.int64
            )
            - one.first_address
            + one.first_offset
            for one in self.board.windows
            if one.unit == unit and one.space == "memory"
        ]
        found = np.concatenate([np.empty(0, np.int64), *offsets])
        size = described.memory_bytes
        writes = np.bincount(found[found < size], minlength=size).astype(np.uint32)
        none = np.zeros(size, np.uint32)
        first, stop = self.edge_at(first_cycle), self.edge_at(stop_cycle)
        return WriteSums(described, first, stop, writes, none, np.full(size, -1, np.int64), none)

    def reach(self, address: int) -> int | None:
        """Return the next cycle at which the instruction at an address is due, or None."""
        program = self._program
        if program is None:
            return None
        self._go_to(program, self._replay.cycle)
        return program.cycle if program.run_to(AtAddress({address})) else None

    def instruction_beside(self, *, back: bool) -> int | None:
        """Return the cycle of the next instruction, or of the previous one, or None."""
        program = self._program
        if program is None:
            return None
        self._go_to(program, self._replay.cycle)
        if program.cycle > self._replay.cycle and not back:
            return program.cycle
        moved = program.step_back() if back else program.step()
        return program.cycle if moved else None

    def _go_to(self, program: ProgramHistory, cycle: int) -> None:
        if program.cycle != cycle:
            program.go_to(max(cycle, program.first_cycle))

    def _instruction_of(self, frame: int) -> InstructionFacts | None:
        """Return the instruction that made the store of a frame; None: not known."""
        if self._program is None:
            return None
        if frame not in self._instructions:
            self._instructions[frame] = self._find_instruction(self._program, frame)
        return self._instructions[frame]

    def _find_instruction(self, program: ProgramHistory, frame: int) -> InstructionFacts | None:
        """Find the store of a frame.

        A frame after a gap was sent at once, so its store is the last one before it. In a burst
        stores may have waited, so they are counted from the burst's first.
        """
        first = max(0, frame - BURST_FRAMES_MAX)
        edges = self._rows.batch(first, frame + 1).edge.astype(np.int64)
        step = self._pipeline.encoder.step_edges
        gaps = np.flatnonzero(np.diff(edges) > step)
        if len(gaps):
            begin = int(gaps[-1]) + 1
        elif first == 0:
            begin = 0
        else:
            return None
        latest = self._pipeline.encoder.latest_cycle(int(edges[begin]))
        try:
            program.go_to(max(latest + 1, program.first_cycle))
            # An instruction stores in its last cycle: one that goes on behind it stores later.
            if program.cycle > latest + 1:
                program.step_back()
            if not program.store_before():
                return None
            for _ in range(len(edges) - 1 - begin):
                if not program.store_after():
                    return None
        except InputError:
            return None
        registers = program.state.registers
        (row,) = program.disassembly(before=0, after=0)
        line = program.symbols.line_of(registers.pc)
        return InstructionFacts(
            registers.pc,
            row.text,
            program.symbols.name_of(registers.pc) or "",
            "" if line is None else str(line),
            f"A ${registers.a:02X} X ${registers.x:02X} Y ${registers.y:02X}",
        )

    # -- errors and receiver

    def _take_errors(self) -> None:
        losses = self._pipeline.losses
        key = (id(self._pipeline), len(losses))
        if key == self._errors_of:
            return
        self._errors_of = key
        names = LossNames(self._pipeline, labels=self._labels)
        self._errors = sorted(
            (
                ErrorRow(
                    edge=one.edge,
                    cycle=one.cycle,
                    cause=CAUSE_WORDS[one.cause],
                    address=one.address,
                    address_label=one.address_label or "",
                    data=one.data,
                )
                for one in names.describe(losses)
            ),
            key=lambda one: one.edge,
        )
        self._fates = {
            one.edge: one.cause
            for one in self._errors
            if one.cause != CAUSE_WORDS[Cause.SENDER_FIFO]
        }

    def errors(self) -> Sequence[ErrorRow]:
        """Return the stores that were not received as sent so far, in order."""
        self._take_errors()
        return self._errors

    def differences(self) -> Sequence[tuple[int, str]]:
        """Return the differences from the expected recording: edge, and text."""
        return self._differences

    def receiver(self) -> ReceiverFacts:
        """Return the receiver's present state."""
        return receiver_facts(self._pipeline)

    def beside(self) -> Mapping[str, Display] | None:
        """Return the displays of the recording compared with this one, or None."""
        if self._against is None:
            return None
        cycle = min(self._replay.cycle, self._against.end_cycle)
        behind = cycle - self._against.cycle
        if 0 < behind < self.board.clock_hz // 2:
            self._against.run(behind)
        elif behind:
            self._against.seek(cycle)
        return self._against.displays


def _causes_in_words(why: PixelCauses) -> list[tuple[str, str, Write | None]]:
    """Return each cause of a pixel's colour as text, its value, and its write."""
    red, green, blue = why.colour
    causes: list[tuple[str, str, Write | None]] = [("byte", f"${why.value:02X}", why.byte)]
    if why.palette is not None:
        causes.append(("palette", f"entry {why.index}: {red}, {green}, {blue}", why.palette.blue))
    if why.base is not None:
        causes.append(("base", f"offset ${why.base_offset:04X}", why.base))
    if why.is_blank:
        causes.append(("blank", "the border's colour everywhere", why.blank))
        if why.border is not None:
            causes.append(("border", f"entry {why.index}", why.border))
    return causes


def receiver_facts(pipeline: Pipeline) -> ReceiverFacts:
    """Return the state of a pipeline's receiver."""
    counters, fifo = pipeline.receiver.counters, pipeline.receiver_fifo
    served = None if fifo is None else fifo.counters
    rows = [
        ("frames received", counters.frames_received),
        ("idle frames", counters.frames_idle),
        ("checks failed", counters.checks_failed),
        ("frames corrected", counters.frames_corrected),
        ("frames aborted", counters.frames_aborted),
        ("frames missed by sequence", counters.frames_missed),
        ("syncs gained", counters.syncs_gained),
        ("syncs lost", counters.syncs_lost),
        ("symbols skipped", counters.symbols_skipped),
    ]
    if served is not None:
        rows += [
            ("served in time", served.frames_served),
            ("lost at the full FIFO", served.frames_overrun),
            ("after their deadline", served.frames_late),
            ("lost while busy", served.overruns_while_busy),
        ]
    return ReceiverFacts(
        state=pipeline.receiver.state.name.lower(),
        fifo_depth=pipeline.board.receiver.fifo_depth,
        held_max=None if served is None else served.frames_held_max,
        mean_wait_ns=None if served is None else served.mean_wait_ns,
        rows=tuple(rows),
    )
