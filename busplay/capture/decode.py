"""A capture on the pipeline: changes, symbols, the one receiver, frames, and where they go.

    with open_capture("run3.vcd") as capture:
        decoding = Decoding(capture, link)
        report = decoding.run()

The same receiver as in a live run takes the symbols, and the same displays the frames.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import chain
from pathlib import Path
from typing import Protocol

import numpy as np

from busplay.batch import CaptureInfo, ChangeBatch, FrameBatch
from busplay.capture import sampled_symbols
from busplay.capture.clock import ClockCounters, Int64Column
from busplay.capture.edge_grid import EdgeGrid, EdgeTimes
from busplay.capture.eye import LaneEye, lane_eye
from busplay.capture.health import Health, HealthWatch
from busplay.capture.lane_map import LaneMap
from busplay.capture.moments import find_moments
from busplay.capture.sampling import SymbolRun, SymbolSampler
from busplay.capture.survey import ClockSurvey, moves_by_signal, survey_clock
from busplay.description.board import Board
from busplay.description.link import Link
from busplay.display.bank import DisplayBank
from busplay.errors import InputError
from busplay.formats.read_ahead import read_ahead
from busplay.link.layout import FrameLayout
from busplay.pipeline.pipeline import Pipeline
from busplay.receiver.receiver import Receiver
from busplay.receiver.states import ReceiverCounters
from busplay.trace.header import TraceHeader
from busplay.trace.writer import TraceWriter
from busplay.units import PS_PER_S
from busplay.version import VERSION

# How much is looked at before decoding begins: changes, and how many of them should be the
# clock's and how many of other wires; how far to read on for such a stretch.
LOOK_CHANGES = 150_000
LOOK_EDGES = 256
LOOK_MOVES = 4_000
LOOK_SEARCH = 3_000_000
LOOK_CHANGES_MAX = 40_000_000
# The receiver is fed in pieces of this, so that its room for frames stays small.
PIECE_SYMBOLS = 1 << 17


class ChangeSource(Protocol):
    """What is decoded; `busplay.formats.capture.Capture` is one."""

    signals: tuple[str, ...]

    @property
    def info(self) -> CaptureInfo:
        """What is known of the capture."""

    def batches(self) -> Iterator[ChangeBatch]:
        """Return the changes from the start."""


@dataclass(frozen=True, slots=True)
class DecodeSettings:
    """What the user decides, where the data would.

    Attributes:
        sample_at_ps: when all lanes are read, from the clock's edge.
        glitch_ps: levels that are shorter count as glitches, and not on the clock.
        steady_clock: follow the clock as one that runs on its own, or as it was seen.
    """

    sample_at_ps: int | None = None
    glitch_ps: int | None = None
    steady_clock: bool | None = None


@dataclass(frozen=True, slots=True)
class DecodeReport:
    """What came of a capture; times are in the capture's own time.

    Attributes:
        info: of the capture.
        link_name: name of the link.
        lane_map: which signal was which wire.
        survey: what was found out about the clock beforehand.
        clock: what it did.
        eyes: each lane's, and the strobe's.
        receiver: its counters.
        health: what was wrong, and where.
        symbols: symbols read; `symbols_in_doubt` of them the sampling cannot be sure of, and
            `symbols_unknown` were read while a wire was neither high nor low.
        rests_inserted: symbols injected where the strobe rested while the clock stood still.
        symbols_beyond: symbols read while the strobe was held for more than a frame.
        glitch_ps: what counted as a glitch.
        idle_wires: mapped wires that never changed.
        times: link edges of the trace to capture time.
        stop_edge: link edge at which the trace ends.
    """

    info: CaptureInfo
    link_name: str
    lane_map: LaneMap
    survey: ClockSurvey
    clock: ClockCounters
    eyes: tuple[LaneEye, ...]
    receiver: ReceiverCounters
    health: Health
    symbols: int
    symbols_in_doubt: int
    symbols_unknown: int
    rests_inserted: int
    symbols_beyond: int
    glitch_ps: int
    idle_wires: tuple[str, ...]
    times: EdgeTimes
    stop_edge: int

    @property
    def frames_damaged(self) -> int:
        """Frames that were wrong or aborted."""
        return self.receiver.checks_failed + self.receiver.frames_aborted

    @property
    def is_clean(self) -> bool:
        """Nothing was damaged, lost or cut, and frames were found."""
        seen = self.receiver
        return not (
            self.frames_damaged
            or seen.frames_missed
            or seen.syncs_lost
            or seen.frames_corrected
            or not seen.syncs_gained
            or not self.info.complete
        )


class Decoding:
    """One decode of one capture.

    Args:
        source: the capture, with its signals chosen.
        layout: of the link.
        lane_map: which signal is which wire.
        settings: what the user decides.
        board: whose displays show the frames; its link is the layout's.
        output: file to which the trace is written.
        mend: let the receiver mend one wrong bit.

    Attributes:
        bank: the displays, or None.

    Raises:
        InputError: the clock has too few edges.
        OutputError: the trace cannot be written.
    """

    def __init__(
        self,
        source: ChangeSource,
        layout: FrameLayout,
        lane_map: LaneMap,
        *,
        settings: DecodeSettings | None = None,
        board: Board | None = None,
        output: Path | None = None,
        mend: bool = False,
    ) -> None:
        settings = settings or DecodeSettings()
        self._source = source
        self._layout = layout
        self._lane_map = lane_map
        look, batches = look_ahead(source, lane_map)
        self._batches = batches
        self.survey = survey_or_refuse(
            look, layout.link, lane_map, source=source, settings=settings
        )
        wires = len(lane_map.data)
        period_ps = self.survey.plan.period_ps
        if settings.sample_at_ps is not None:
            if abs(settings.sample_at_ps) > period_ps:
                raise InputError(
                    place="--sample-at",
                    found=f"{settings.sample_at_ps:,} ps",
                    wanted=f"edges come every {period_ps:,} ps, so give less than that either way",
                )
            offsets_ps = (settings.sample_at_ps,) * wires
        else:
            offsets_ps = find_moments(look, layout, lane_map, self.survey)
        self._offsets_ps = offsets_ps
        plan = self.survey.plan
        self._sampler = SymbolSampler(layout, lane_map, plan, offsets_ps)
        self.receiver = Receiver(layout, correct_one_bit=mend)
        self.receiver.keeps_log = True
        self._watch = HealthWatch(layout, lists_gaps=not plan.is_gated)
        self._grid = EdgeGrid(layout)
        self._times = EdgeTimes(max(1, plan.period_ps // 2))
        self._glitch_ps = settings.glitch_ps if settings.glitch_ps is not None else plan.glitch_ps
        self._changed_ps = np.full(64, -1, np.int64)
        wires_mask = sum(1 << probe.index for probe in {*lane_map.data, lane_map.clock})
        used = [byte for byte in range(8) if wires_mask >> 8 * byte & 0xFF]
        self._shifts = np.array([8 * byte for byte in used], np.uint64)
        self._rows_by_change = np.zeros((len(used), 256), np.int64)
        self._glitches = np.zeros(64, np.int64)
        self._levels: np.uint64 | None = None
        self._wire_mask = np.uint64(wires_mask)
        self.bank = DisplayBank(board, layout) if board is not None else None
        self._writer: TraceWriter | None = None
        if output is not None:
            header = TraceHeader(link=layout.link, board=board, busplay_version=VERSION)
            self._writer = TraceWriter(
                output, header=header, units=None if board is None else Pipeline(board)
            )

    def run(self, on_batch: Callable[[Decoding], None] | None = None) -> DecodeReport:
        """Decode to the capture's end.

        Args:
            on_batch: called after each batch, for a progress bar.

        Raises:
            InputError: the capture is damaged; what came before is in the trace.
            OutputError: the trace cannot be written any further; it reads up to there.
        """
        try:
            for batch in read_ahead(self._batches):
                self._count_changes(batch)
                self._decode(self._sampler.feed(batch))
                if on_batch is not None:
                    on_batch(self)
            self._decode(self._sampler.flush())
        except BaseException:
            if self._writer is not None:
                self._writer.abandon()
            raise
        return self._finish()

    def _count_changes(self, batch: ChangeBatch) -> None:
        if not len(batch):
            return
        before = batch.level[0] if self._levels is None else self._levels
        self._levels = batch.level[-1]
        sampled_symbols.count_glitches(
            batch.time_ps,
            batch.level,
            before,
            self._wire_mask,
            self._shifts,
            self._glitch_ps,
            self._changed_ps,
            self._rows_by_change,
            self._glitches,
        )

    def _changes(self, signal: int) -> int:
        byte, bit = divmod(signal, 8)
        row = int(np.flatnonzero(self._shifts == np.uint64(8 * byte))[0])
        has_bit = (np.arange(256) >> bit & 1).astype(bool)
        return int(self._rows_by_change[row, has_bit].sum())

    def _decode(self, run: SymbolRun) -> None:
        if not len(run):
            return
        first = self._watch.symbols
        self._watch.add_run(run)
        self._grid.add_jumps(run.jump_index + first, run.jump_edges)
        for start in range(0, len(run), PIECE_SYMBOLS):
            piece = run.symbols[start : start + PIECE_SYMBOLS]
            frames = self.receiver.feed_symbols(piece, first + start)
            self._watch.add_log(self.receiver.take_log())
            self._deliver(frames)

    def _deliver(self, frames: FrameBatch) -> None:
        if not len(frames):
            return
        symbol = frames.edge.astype(np.int64)
        time_ps = self._watch.times_ps(symbol)
        placed = FrameBatch(self._grid.place(symbol), frames.word)
        self._watch.add_frames(time_ps)
        self._times.add(placed.edge, time_ps)
        if self.bank is not None:
            self.bank.feed(placed)
        if self._writer is not None:
            self._writer.write(placed, stop_edge=self._grid.stop_edge)

    def _finish(self) -> DecodeReport:
        self._grid.advance(self._watch.symbols)
        health = self._watch.finish()
        info = self._source.info
        report = DecodeReport(
            info=info,
            link_name=self._layout.link.name,
            lane_map=self._lane_map,
            survey=self.survey,
            clock=self._sampler.clock.counters,
            eyes=self._eyes(),
            receiver=self.receiver.counters,
            health=health,
            symbols=self._sampler.symbols,
            symbols_in_doubt=self._sampler.symbols_in_doubt,
            symbols_unknown=self._sampler.symbols_unknown,
            rests_inserted=self._sampler.rests_inserted,
            symbols_beyond=self._sampler.symbols_beyond,
            glitch_ps=self._glitch_ps,
            idle_wires=tuple(
                wire
                for wire, probe in self._lane_map.wires.items()
                if not self._changes(probe.index)
            ),
            times=self._times,
            stop_edge=self._grid.stop_edge,
        )
        if self._writer is not None:
            self._writer.write(FrameBatch.empty(), stop_edge=self._grid.stop_edge)
            self._writer.close(summary=_summary(report))
        return report

    def _eyes(self) -> tuple[LaneEye, ...]:
        wires = [name for name in self._lane_map.wires if name != "clock"]
        return tuple(
            lane_eye(
                self._sampler.eye(probe.index),
                wire=wire,
                signal=str(probe),
                offset_ps=offset_ps,
                period_ps=self.survey.plan.period_ps,
                changes=self._changes(probe.index),
                glitches=int(self._glitches[probe.index]),
            )
            for wire, probe, offset_ps in zip(
                wires, self._lane_map.data, self._offsets_ps, strict=True
            )
        )


def _summary(report: DecodeReport) -> dict[str, int]:
    seen = report.receiver
    return {
        "capture_frames_received": seen.frames_received,
        "capture_frames_idle": seen.frames_idle,
        "capture_checks_failed": seen.checks_failed,
        "capture_frames_aborted": seen.frames_aborted,
        "capture_frames_missed": seen.frames_missed,
        "capture_locks_lost": seen.syncs_lost,
    }


def look_ahead(
    source: ChangeSource, lane_map: LaneMap | None = None
) -> tuple[ChangeBatch, Iterator[ChangeBatch]]:
    """Read on until a capture shows something; give that stretch, and the whole from its start.

    A link may be silent for a long time before the first frame, and a clock may start late, so
    the stretch is the first in which the clock and other wires move, or else the liveliest.

    Args:
        source: the capture.
        lane_map: the wires that count; None: not known, so all, and the clock is what moves most.

    Raises:
        InputError: the capture is damaged there.
    """
    batches = iter(source.batches())
    window: deque[tuple[ChangeBatch, Int64Column]] = deque()
    rows = read = 0
    moves = np.zeros(64, np.int64)
    is_whole = True
    found_at: int | None = None
    best: list[ChangeBatch] = []
    most = -1.0
    level: np.uint64 | None = None
    # Signals that have nothing to do with the link may move from the start.
    enough = LOOK_CHANGES if lane_map is not None else LOOK_SEARCH
    counted = np.ones(64, np.int64)
    if lane_map is not None:
        counted[:] = 0
        counted[[probe.index for probe in lane_map.wires.values()]] = 1
    for batch in batches:
        if not len(batch):
            continue
        moved = moves_by_signal(batch, level) * counted
        level = batch.level[-1]
        window.append((batch, moved))
        read += len(batch)
        rows += len(batch)
        moves += moved
        liveliness = float(np.log2(1 + moves).sum())
        if liveliness > most:
            best, most = [batch for batch, _ in window], liveliness
        edges = int(moves.max() if lane_map is None else moves[lane_map.clock.index])
        if found_at is None and edges >= LOOK_EDGES and moves.sum() - edges >= LOOK_MOVES:
            found_at = 0 if is_whole else read
        if found_at is not None and read >= max(enough, found_at + LOOK_CHANGES // 2):
            break
        if read >= LOOK_CHANGES_MAX:
            break
        while rows - len(window[0][0]) >= LOOK_CHANGES:
            old, old_moves = window.popleft()
            rows, moves = rows - len(old), moves - old_moves
            is_whole = False
    look = _lively(_concatenated(best), lane_map)
    if is_whole:
        return look, chain([batch for batch, _ in window], batches)
    return look, iter(source.batches())


def _lively(look: ChangeBatch, lane_map: LaneMap | None) -> ChangeBatch:
    """Take no more than LOOK_CHANGES rows, from shortly before clock and other wires move."""
    if len(look) <= 2 * LOOK_CHANGES:
        return look
    moved = look.level[1:] ^ look.level[:-1]
    if lane_map is None:
        clock, others = int(np.argmax(moves_by_signal(look))), ~0 & (1 << 64) - 1
    else:
        clock, others = lane_map.clock.index, sum(1 << probe.index for probe in lane_map.data)
    begun = 0
    for mask in (1 << clock, others & ~(1 << clock)):
        rows = np.flatnonzero(moved & np.uint64(mask))
        begun = max(begun, int(rows[0]) if len(rows) else 0)
    first = max(0, begun - 4 * LOOK_EDGES)
    return look[first : first + LOOK_CHANGES]


def survey_or_refuse(
    look: ChangeBatch,
    link: Link,
    lane_map: LaneMap,
    *,
    source: ChangeSource,
    settings: DecodeSettings,
) -> ClockSurvey:
    """Look at the clock, or say why it is none.

    Raises:
        InputError: it has too few edges.
    """
    survey = survey_clock(
        look,
        lane_map.clock,
        edges=link.edges,
        sample_ps=sample_ps_of(source.info),
        glitch_ps=settings.glitch_ps,
        steady=settings.steady_clock,
    )
    if survey is not None:
        return survey
    bit = (look.level >> np.uint64(lane_map.clock.index)) & np.uint64(1)
    count = int(np.count_nonzero(bit[1:] != bit[:-1])) if len(bit) else 0
    raise InputError(
        file=source.info.file,
        place=f"signal {lane_map.clock.signal}",
        found=f"{count} changes in the first {max(0, len(look) - 1):,} of the capture",
        wanted="that is no clock; name another (--map clock=SIGNAL), or let --find-map try",
    )


def sample_ps_of(info: CaptureInfo) -> int | None:
    """Return the analyser's sample period, if the capture tells it."""
    return None if info.sample_rate_hz is None else PS_PER_S // info.sample_rate_hz


def _concatenated(batches: list[ChangeBatch]) -> ChangeBatch:
    if len(batches) == 1:
        return batches[0]
    if not batches:
        return ChangeBatch.empty()
    return ChangeBatch(
        np.concatenate([one.time_ps for one in batches]),
        np.concatenate([one.level for one in batches]),
        np.concatenate([one.unknown for one in batches]),
    )


__all__ = [
    "ChangeSource",
    "DecodeReport",
    "DecodeSettings",
    "Decoding",
    "Int64Column",
    "look_ahead",
    "sample_ps_of",
]
