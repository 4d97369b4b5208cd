"""What a window asks about a trace that plays: see `busplay.player.inspector`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from busplay.description.board import Board, Unit
from busplay.description.link import SPACE_MEMORY
from busplay.display.display import Display
from busplay.losses.losses import CAUSE_WORDS, Cause, Losses
from busplay.losses.lost_stores import LossNames
from busplay.pipeline.pipeline import Pipeline
from busplay.player.inspector import (
    ErrorRow,
    FrameRow,
    PixelCause,
    PixelFacts,
    ReceiverFacts,
    TimeSums,
    WriteSums,
)
from busplay.program.labels import Labels
from busplay.run.frame_rows import FrameRows
from busplay.run.replay import Replay

# A pixel's last write is looked for no further back than this, where no history tells it.
LOOK_BACK_FRAMES = 4_000_000


class TraceInspector:
    """Answers about a replay and its trace.

    Args:
        replay: what plays; its position is the present.
        labels: the program's.
        against: another replay, which is moved along and shows what was expected.
    """

    def __init__(
        self, replay: Replay, *, labels: Labels | None = None, against: Replay | None = None
    ) -> None:
        self._replay = replay
        self._against = against
        self._header = replay.reader.header
        self._rows = FrameRows(replay.reader, labels or {})
        self._labels = labels or {}
        self._presses = tuple(press.cycle for press in replay.reader.key_presses())
        self._fates: dict[int, str] = {}
        self._errors: list[ErrorRow] = []
        self._errors_of: tuple[int, int] = (0, 0)

    @property
    def board(self) -> Board:
        """The board that sent the frames."""
        return self._replay.board

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
        return max(self._replay.reader.stop_edge, self.edge_at(self._replay.end_cycle))

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
        """Frames that have been shown at the present position."""
        return self._pipeline.frames_carried

    def edge_at(self, cycle: int) -> int:
        """Return the link edge at which a processor cycle begins."""
        return self._header.edge_at(cycle)

    def cycle_at(self, edge: int) -> int:
        """Return the processor cycle that is done by a link edge."""
        return self._header.cycles_at(edge)

    def cycle_showing(self, frame: int) -> int:
        """Return the first cycle at which a frame, by its number, has been shown."""
        if frame >= self.frames:
            return self._replay.end_cycle
        edge = self._rows.edge_of(frame)
        cycle = self.cycle_at(edge)
        while cycle > 0 and self._replay.start_edge(cycle - 1) >= edge:
            cycle -= 1
        while self._replay.start_edge(cycle) < edge:
            cycle += 1
        return min(cycle, self._replay.end_cycle)

    def frame_at(self, edge: int) -> int:
        """Count the frames that start before an edge."""
        return self._rows.frame_at(edge)

    # -- frames

    def rows(self, first: int, stop: int) -> Sequence[FrameRow]:
        """Return frames by their numbers, with what became of them."""
        self._take_errors()
        rows = self._rows.rows(first, stop)
        if not self._fates:
            return rows
        return [
            row if row.edge not in self._fates else _with_fate(row, self._fates[row.edge])
            for row in rows
        ]

    def find(self, text: str, frame: int, *, back: bool) -> int | None:
        """Return the nearest frame that has what was typed."""
        return self._rows.find(text, frame, back=back)

    def sums(self, first_edge: int, stop_edge: int, columns: int) -> TimeSums:
        """Return the sums of equal parts of a stretch."""
        bounds = np.linspace(first_edge, stop_edge, columns + 1)
        frames = np.zeros(columns)
        for batch in self._replay.reader.frames_between(first_edge, stop_edge):
            frames += np.histogram(batch.edge.astype(np.float64), bounds)[0]
        keys = np.histogram([float(self.edge_at(cycle)) for cycle in self._presses], bounds)[0]
        slots = max(1e-9, (stop_edge - first_edge) / columns / self.slot_edges)
        losses = {}
        self._take_errors()
        for cause in CAUSE_WORDS.values():
            edges = [float(row.edge) for row in self._errors if row.cause == cause]
            found = np.histogram(edges, bounds)[0]
            if found.any():
                losses[cause] = found.astype(np.float64)
        return TimeSums(
            use_ratio=np.minimum(frames / slots, 1.0),
            changed_bytes=frames,
            frames=frames,
            losses=losses,
            fifo_frames=np.zeros(columns),
            keys=keys.astype(np.float64),
        )

    # -- pixels

    def _unit(self, name: str) -> Unit:
        return next(unit for unit in self.board.units if unit.name == name)

    def pixel(self, unit: str, x: int, y: int) -> PixelFacts:
        """Return what a pixel shows at the present position, and why."""
        display = self._replay.displays[unit]
        offset, value, index = display.pixel(x, y)
        rgb = display.palette[display.border_index if display.is_blank else index].tolist()
        number = self._unit(unit).number
        address = self._rows.places.address(number, SPACE_MEMORY, offset)
        causes = []
        last = self.write_beside(unit, x, y, self.shown_frames, back=True)
        if last is None:
            causes.append(PixelCause("byte", f"${value:02X}"))
        else:
            row = self._rows.rows(last, last + 1)[0]
            causes.append(
                PixelCause(
                    "byte", f"${row.data:02X}", last, row.cycle, row.address, row.address_label
                )
            )
        return PixelFacts(
            unit, x, y, offset, address, value, index, (rgb[0], rgb[1], rgb[2]), tuple(causes)
        )

    def write_beside(self, unit: str, x: int, y: int, frame: int, *, back: bool) -> int | None:
        """Return the number of the nearest frame that writes a pixel's byte, or None."""
        offset = self._replay.displays[unit].pixel(x, y)[0]
        number = self._unit(unit).number
        step, first = 1 << 16, frame
        while abs(first - frame) <= LOOK_BACK_FRAMES:
            low = max(0, first - step) if back else first
            high = first if back else min(first + step, self.frames)
            if high <= low:
                return None
            frames = self._rows.batch(low, high)
            space, of_unit, offsets, _ = (np.array(one) for one in self._rows.columns(frames.word))
            hits = np.flatnonzero(
                (space == SPACE_MEMORY) & (of_unit == number) & (offsets == offset)
            )
            if len(hits):
                return low + int(hits[-1] if back else hits[0])
            first = low if back else high
        return None

    def write_sums(self, unit: str, first_edge: int) -> WriteSums:
        """Return what was written to a unit from an edge up to the present position."""
        described = self._unit(unit)
        size = described.memory_bytes
        first, stop = self.frame_at(first_edge), self.shown_frames
        writes, unchanged = np.zeros(size, np.uint32), np.zeros(size, np.uint32)
        last_edge, lost = np.full(size, -1, np.int64), np.zeros(size, np.uint32)
        frames = self._rows.batch(max(first, stop - LOOK_BACK_FRAMES), stop)
        space, of_unit, offsets, data = (
            np.array(one, np.int64) for one in self._rows.columns(frames.word)
        )
        hits = (space == SPACE_MEMORY) & (of_unit == described.number) & (offsets < size)
        offsets, data, edges = offsets[hits], data[hits] & 0xFF, frames.edge[hits].astype(np.int64)
        writes += np.bincount(offsets, minlength=size).astype(np.uint32)
        np.maximum.at(last_edge, offsets, edges)
        order = np.argsort(offsets, kind="stable")
        same = np.zeros(len(order), np.bool_)
        same[1:] = (np.diff(offsets[order]) == 0) & (np.diff(data[order]) == 0)
        np.add.at(unchanged, offsets[order][same], 1)
        np.add.at(lost, self._lost_offsets(described, first_edge), 1)
        return WriteSums(
            described,
            first_edge,
            self.edge_at(self._replay.cycle),
            writes,
            unchanged,
            last_edge,
            lost,
        )

    def _lost_offsets(
        self, unit: Unit, first_edge: int
    ) -> np.ndarray[tuple[int, ...], np.dtype[np.int64]]:
        """Return where in a unit's memory lost and damaged writes should have landed."""
        losses = self._pipeline.losses
        space, of_unit, offsets, _ = (np.array(one) for one in self._rows.columns(losses.word))
        hits = (space == SPACE_MEMORY) & (of_unit == unit.number) & (offsets < unit.memory_bytes)
        hits &= losses.edge >= first_edge
        return np.array(offsets[hits], np.int64)

    # -- errors and receiver

    def _take_errors(self) -> None:
        losses: Losses = self._pipeline.losses
        key = (id(self._pipeline), len(losses))
        if key == self._errors_of:
            return
        self._errors_of = key
        names = LossNames(self._pipeline, labels=self._labels)
        self._errors = [
            ErrorRow(
                edge=one.edge,
                cycle=one.cycle,
                cause=CAUSE_WORDS[one.cause],
                address=one.address,
                address_label=one.address_label or "",
                data=one.data,
            )
            for one in names.describe(losses)
        ]
        self._errors.sort(key=lambda one: one.edge)
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
        """Return where the recording differs from the expected one: edge, and how in words."""
        return ()

    def receiver(self) -> ReceiverFacts:
        """Return how the receiver is at present."""
        return receiver_facts(self._pipeline)

    def expected(self) -> Mapping[str, Display] | None:
        """Return the displays of the recording that this one is held against, or None."""
        return None if self._against is None else self._against.displays


def receiver_facts(pipeline: Pipeline) -> ReceiverFacts:
    """Return how the receiver of a pipeline is."""
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


def _with_fate(row: FrameRow, fate: str) -> FrameRow:
    return replace(row, fate=fate)
