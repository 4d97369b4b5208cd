"""The inspector of a trace in replay, see `busplay.player.inspector`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from operator import attrgetter

import numpy as np

from busplay.batch import FrameBatch, Int64Column, UInt8Column, UInt32Column
from busplay.description.board import Unit
from busplay.description.full_address import full_address
from busplay.description.link import SPACE_MEMORY
from busplay.display.display import Display
from busplay.history.as_sent import SentHistory
from busplay.history.history import History
from busplay.history.pixel import PixelCauses
from busplay.history.places import Place, Write
from busplay.history.program_inspector import (
    NOTHING_KNOWN,
    Inspected,
    KnownProgram,
    ProgramInspector,
)
from busplay.history.write_sums import sum_writes
from busplay.losses.latest import LatestLosses
from busplay.losses.losses import CAUSE_WORDS, LOSSES_MAX, Cause, Losses
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
from busplay.program.pages import FullAddresses
from busplay.run.replay import Replay
from busplay.write_index.stretch import SpanColumn

ADDED = "added"
"""Cause of a difference that is no frame of the recording."""

# What the write index counts of the errors that are listed.
_ERROR_COLUMNS = (SpanColumn.LOST_AT_RECEIVER, SpanColumn.LATE, SpanColumn.UNDELIVERED)
# Spans of the write index that are played in search of an error; each takes some milliseconds.
SPANS_PLAYED_MAX = 64
# Most frames that an overlay reads; 60 ms.
SUMMED_FRAMES_MAX = 2_000_000


class TraceInspector(ProgramInspector):
    """Queries on a replay and its trace.

    Args:
        replay, history, known: as for `ProgramInspector`.
        against: another replay, whose displays show what was received.
        differences: of the two, in order of time.

    Attributes:
        differing: those of them that are no losses of the board's own receiver, which are errors
            without the other recording, too.
    """

    def __init__(
        self,
        replay: Inspected,
        history: History,
        known: KnownProgram = NOTHING_KNOWN,
        *,
        against: Replay | None = None,
        differences: Sequence[ErrorRow] = (),
    ) -> None:
        super().__init__(replay, history, known)
        self._against = against
        self._differences = tuple((one.edge, one.cause) for one in differences)
        self.differing = _not_lost_here(differences, history)
        self._edges_differing = np.array([one.edge for one in self.differing], np.int64)
        self._edges_differing_by = {
            cause: np.array([one.edge for one in self.differing if one.cause == cause], np.int64)
            for cause in dict.fromkeys(one.cause for one in self.differing)
        }
        self._fates_there = {one.edge: one.cause for one in self.differing if one.cause != ADDED}
        self._all_errors: tuple[tuple[int, ...], list[ErrorRow]] = (), []
        self._fates: dict[int, str] = {}
        self._errors: list[ErrorRow] = []
        self._losses: LatestLosses | None = None
        self._losses_taken = 0
        self._edges_of_cause: dict[str, Int64Column] = {}
        self._causes: tuple[tuple[object, ...], PixelCauses] | None = None
        self._memories: dict[str, tuple[int, UInt8Column]] = {}

    # -- frames

    def rows(self, first: int, stop: int) -> Sequence[FrameRow]:
        """Return frames by their numbers, with their fates."""
        self._take_errors()
        rows = self._rows.rows(first, stop)
        begin = max(first, self.first_frame)
        labels = self._code_labels(begin, begin + len(rows)) or ("",) * len(rows)
        return [
            replace(row, fate=self._fate_at(row.edge), code_label=label)
            for row, label in zip(rows, labels, strict=True)
        ]

    def find(self, text: str, frame: int, *, back: bool) -> int | None:
        """Return the nearest frame that matches a text."""
        return self._rows.find(text, frame, back=back)

    def sums(self, first_edge: int, stop_edge: int, columns: int) -> TimeSums:
        """Return the sums of equal parts of a stretch."""
        line = self._history.timeline(first_edge, stop_edge, columns)
        found = {cause: one.astype(np.float64) for cause, one in line.losses().items()}
        self._take_errors()
        # Losses by faults injected in the replay are not in the trace.
        for cause in CAUSE_WORDS.values() if self._replay.is_faulty else ():
            here = np.diff(np.searchsorted(self._edges_lost(cause), line.edges))
            if here.any():
                found[cause] = here.astype(np.float64)
        for cause, edges in self._edges_differing_by.items():
            here = np.diff(np.searchsorted(edges, line.edges)).astype(np.float64)
            if here.any():
                found[cause] = found.get(cause, 0) + here
        return TimeSums(
            use_ratio=np.minimum(line.frames / np.maximum(line.slots, 1), 1.0),
            changed_bytes=line.changed_bytes.astype(np.float64),
            frames=line.frames.astype(np.float64),
            losses=found,
            fifo_frames=line.fifo_high_water.astype(np.float64),
            keys=line.keys.astype(np.float64),
        )

    # -- pixels

    def pixel(self, unit: str, x: int, y: int, *, deep: bool = False) -> PixelFacts:
        """Return what a pixel shows at the present position, and why."""
        shown = self.shown_frames
        # A page may have been shown since the last frame; only then does the edge matter.
        edge = self._pipeline.edge if self._unit(unit).pages > 1 else None
        key = (unit, x, y, shown, edge, self.version)
        if self._causes is None or self._causes[0] != key:
            self._causes = key, self._history.causes(unit, x, y, shown, edge)
        why = self._causes[1]
        address = self._rows.places.address(self._unit(unit).number, SPACE_MEMORY, why.offset)
        if why.byte is not None:
            address = why.byte.full_address
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
            self._frame_row(why.byte.frame) if deep and why.byte is not None else None,
        )

    def _frame_row(self, frame: int) -> FrameRow:
        """Return a frame without the rest of its slot."""
        (row,) = self._rows.rows(frame, frame + 1)
        self._take_errors()
        symbols = self._rows.layout.frame_symbols
        lanes = tuple(lane[:symbols] for lane in row.lanes)
        return replace(row, lanes=lanes, fate=self._fate_at(row.edge))

    def _fate_at(self, edge: int) -> str:
        return self._fates.get(edge) or self._fates_there.get(edge, "")

    def _cause(self, role: str, value: str, write: Write | None, *, deep: bool) -> PixelCause:
        if write is None:
            return PixelCause(role, value)
        cycle, address, instruction = write.cycle, write.full_address, None
        if deep and (made := self._made_by(write.frame)) is not None:
            (cycle, address, _), instruction = made
        label = self._rows.places.label(address)
        return PixelCause(role, value, write.frame, cycle, address, label, instruction)

    def write_beside(self, unit: str, x: int, y: int, frame: int, *, back: bool) -> int | None:
        """Return the number of the nearest frame that writes a pixel's byte, or None."""
        offset = self._replay.displays[unit].pixel(x, y)[0]
        place = Place(unit, "memory", offset, offset + 1)
        if back:
            found = self._history.last_write(place, max(0, frame))
        else:
            found = self._history.next_write(place, frame)
        return None if found is None else found.frame

    def write_sums(self, unit: str, first_edge: int, *, unchanged: bool = False) -> WriteSums:
        """Return the writes to a unit from an edge up to the present position."""
        described = self._unit(unit)
        stop = self.shown_frames
        first = max(self.frame_at(first_edge), stop - SUMMED_FRAMES_MAX)
        # To find what memory held takes longer than all the rest.
        before = self._memory_before(described, first) if unchanged else None
        writes, same, last_edge = self._summed(described, self._rows.batch(first, stop), before)
        stop_edge = max(self.edge_at(self._replay.cycle), first_edge)
        self._take_errors()
        losses = Losses.empty() if self._losses is None else self._losses.since(0)
        lost_edge = losses.edge.astype(np.int64)
        is_here = (lost_edge >= first_edge) & (lost_edge < max(stop_edge, 1))
        lost = [FrameBatch(losses.edge[is_here], losses.word[is_here])]
        if self._fates_there:
            sent = self._rows.batch(first, stop)
            differs = np.isin(sent.edge, np.array(list(self._fates_there), np.uint64))
            lost.append(FrameBatch(sent.edge[differs], sent.word[differs]))
        return WriteSums(
            described,
            first_edge,
            stop_edge,
            writes,
            same if unchanged else np.zeros_like(same),
            last_edge,
            self._summed(described, FrameBatch.joined(lost))[0],
        )

    def _summed(
        self, unit: Unit, frames: FrameBatch, memory: UInt8Column | None = None
    ) -> tuple[UInt32Column, UInt32Column, Int64Column]:
        """Return counts of writes and of unchanged ones, and the last edge, for each byte."""
        size = unit.memory_bytes
        writes, same = np.zeros(size, np.uint32), np.zeros(size, np.uint32)
        last_edge = np.full(size, -1, np.int64)
        before = np.zeros(size, np.uint8) if memory is None else memory.copy()
        pieces, fields = self._rows.in_pieces(frames.word)
        edge = np.ascontiguousarray(frames.edge)
        sum_writes(pieces, edge, fields, unit.number, before, writes, same, last_edge)
        return writes, same, last_edge

    def _memory_before(self, unit: Unit, frame: int) -> UInt8Column:
        """Return a unit's memory after COUNT frames, as sent."""
        begin = self._history.first_frame
        if frame <= begin:
            return np.array(self._history.display_at_begin(unit.name).memory)
        if (kept := self._memories.get(unit.name)) is not None and kept[0] == frame:
            return kept[1]
        edge = self._history.edge_of_frame(frame - 1) + 1
        point = self._history.reader.seek(edge)
        pipeline = Pipeline(self.board)
        if point.states:
            pipeline.restore(point.states, edge=point.edge, frames_carried=point.frames_before)
        for frames in self._history.reader.frames_between(point.edge, edge):
            pipeline.feed_frames(frames, stop_edge=0)
        for name, display in pipeline.displays.items():
            self._memories[name] = frame, np.array(display.memory)
        return self._memories[unit.name][1]

    # -- errors and receiver

    @property
    def _accounting(self) -> Pipeline:
        """The pipeline that knows what was lost."""
        return self._pipeline

    @property
    def _store_pages(self) -> FullAddresses | None:
        """The stores' full addresses by their cycles; None: a trace has no cycles of stores."""
        return None

    def _take_errors(self) -> None:
        """Take up what was lost since; a jump begins anew."""
        pipeline = self._accounting
        if pipeline.latest_losses is None:
            pipeline.keep_latest_losses()
        record = pipeline.latest_losses
        if record is None:
            return
        if record is not self._losses:
            self._losses, self._losses_taken = record, 0
            self._loss_names = LossNames(
                pipeline,
                labels=self._labels,
                by_cycle=self._store_pages,
                by_edge=FullAddresses(self.board.banks, self._history.reader.shown_pages),
            )
            self._errors, self._fates, self._edges_of_cause = [], {}, {}
        if record.stop == self._losses_taken:
            return
        new = [
            ErrorRow(
                edge=one.edge,
                cycle=one.cycle,
                cause=CAUSE_WORDS[one.cause],
                address=None if one.address is None else full_address(one.address, one.page),
                address_label=one.address_label or "",
                data=one.data,
            )
            for one in self._loss_names.describe(record.since(self._losses_taken))
        ]
        self._losses_taken = record.stop
        self._edges_of_cause = {}
        # They are known a little out of order; almost sorted, they are sorted at once.
        self._errors += new
        self._errors.sort(key=attrgetter("edge"))
        if len(self._errors) > 2 * LOSSES_MAX:
            new = self._errors = self._errors[-LOSSES_MAX:]
            self._fates = {}
        at_sender = CAUSE_WORDS[Cause.SENDER_FIFO]
        self._fates |= {one.edge: one.cause for one in new if one.cause != at_sender}

    def _edges_lost(self, cause: str) -> Int64Column:
        """Return int64[errors]: the edges of the errors of a cause, in order."""
        if cause not in self._edges_of_cause:
            edges = [row.edge for row in self._errors if row.cause == cause]
            self._edges_of_cause[cause] = np.array(edges, np.int64)
        return self._edges_of_cause[cause]

    def errors(self) -> Sequence[ErrorRow]:
        """Return the stores that were not received as sent so far, in order."""
        self._take_errors()
        if not self.differing:
            return self._errors
        count = self.differing_so_far()
        key = count, len(self._errors), self._losses_taken
        if self._all_errors[0] != key:
            found = [*self._errors, *self.differing[:count]]
            self._all_errors = key, sorted(found, key=attrgetter("edge"))
        return self._all_errors[1]

    def differing_so_far(self) -> int:
        """Return how many of `differing` come before the present position."""
        here = self.edge_at(self._replay.cycle)
        return int(np.searchsorted(self._edges_differing, here, side="right"))

    def error_beside(self, edge: int, *, back: bool) -> int | None:
        """Return the edge of the nearest error after an edge, or before it, or None."""
        found = self._known_error_beside(edge, back=back)
        here = self._replay.cycle
        elsewhere = None
        try:
            if not self._replay.is_faulty:
                elsewhere = self._error_of_index(edge, found, back=back)
            elif found is None and not back:
                # What was is known, as it was played; what comes is not.
                elsewhere = self._first_error_ahead(edge)
        finally:
            if elsewhere is None and self._replay.cycle != here:
                self._replay.seek(here)
        return found if elsewhere is None else elsewhere

    def _known_error_beside(self, edge: int, *, back: bool) -> int | None:
        known = [one.edge for one in self.errors()] + [at for at, _ in self._differences]
        return _nearest(known, edge, back=back)

    def _first_error_ahead(self, edge: int) -> int | None:
        """Play on until there is an error."""
        step = self.board.clock_hz // 20
        while self._replay.cycle < self._end_cycle:
            self._replay.run(min(step, self._end_cycle - self._replay.cycle))
            if self.on_search is not None:
                self.on_search(self._replay.cycle)
            if (found := self._known_error_beside(edge, back=False)) is not None:
                return found
        return None

    def _error_of_index(self, edge: int, known: int | None, *, back: bool) -> int | None:
        """Return the nearest error that is nearer than a known one, from the write index.

        The errors known are those played since the last jump began; the index knows how many
        there are in each span of frames, and a span is short enough to be played.
        """
        index = self._history.index
        lost = index.sums_before[list(_ERROR_COLUMNS)].sum(axis=0)
        before = index.frames_before
        spans = np.flatnonzero(np.diff(lost))
        frame = self.frame_at(edge)
        spans = spans[before[spans] < frame] if back else spans[before[spans + 1] > frame]
        for span in (spans[::-1] if back else spans)[:SPANS_PLAYED_MAX].tolist():
            first, stop = int(before[span]), int(before[span + 1])
            edges = [self._history.edge_of_frame(one) for one in (first, stop - 1)]
            if known is not None and (edges[1] < known if back else edges[0] > known):
                return None
            # What becomes of a frame is known a little after it.
            self._replay.seek(self.cycle_showing(stop - 1 + self.board.receiver.fifo_depth))
            played = [one.edge for one in self.errors() if edges[0] <= one.edge <= edges[1]]
            if (found := _nearest(played, edge, back=back)) is not None:
                return found
        return None

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


def _not_lost_here(differences: Sequence[ErrorRow], history: History) -> Sequence[ErrorRow]:
    """Return the differences that are no losses of the board's own receiver."""
    if not differences:
        return ()
    lost = set(SentHistory(history).lost_edges().tolist())
    return tuple(one for one in differences if one.edge not in lost)


def _nearest(edges: Sequence[int], edge: int, *, back: bool) -> int | None:
    if back:
        return max((one for one in edges if one < edge), default=None)
    return min((one for one in edges if one > edge), default=None)


def _causes_in_words(why: PixelCauses) -> list[tuple[str, str, Write | None]]:
    """Return each cause of a pixel's colour as text, its value, and its write."""
    red, green, blue = why.colour
    causes: list[tuple[str, str, Write | None]] = [("byte", f"${why.value:02X}", why.byte)]
    if why.palette is not None:
        causes.append(("palette", f"entry {why.index}: {red}, {green}, {blue}", why.palette.blue))
    if why.base is not None:
        causes.append(("base", f"offset ${why.base_offset:04X}", why.base))
    if why.page_write is not None:
        causes.append(("page", str(why.page), why.page_write))
    if why.cell is not None:
        cell = why.cell
        kind = "ink" if cell.is_ink else "paper"
        causes.append(("colours", f"${cell.colours:02X}: {kind}", cell.colours_write))
        if cell.glyph_write is not None:
            causes.append(("glyph", f"row ${cell.glyph_bits:02X}", cell.glyph_write))
        if cell.is_cursor:
            causes.append(("cursor", "changes it", cell.cursor))
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
        held=None if fifo is None else fifo.frames_held,
        held_max=None if served is None else served.frames_held_max,
        mean_wait_ns=None if served is None else served.mean_wait_ns,
        rows=tuple(rows),
    )
