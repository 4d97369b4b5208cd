"""From a capture's changes to frames: sampler, receiver, and the figures of both.

    with open_capture("run3.vcd") as capture:
        decoder = CaptureDecoder(capture, FrameLayout(link), lane_map)
        report = decoder.run()

The same receiver as in a live run takes the symbols. Where the frames go (a trace, displays) is up
to the caller: `busplay.conversion.decode` has the way that every command takes.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict

import numpy as np

from busplay.batch import ChangeBatch, FrameBatch
from busplay.capture import sampled_symbols
from busplay.capture.edge_grid import EdgeGrid, EdgeTimeTable
from busplay.capture.eye import LaneEye, lane_eye
from busplay.capture.health import HealthWatch
from busplay.capture.lane_map import LaneMap
from busplay.capture.look_ahead import (
    ChangeSource,
    DecodeSettings,
    look_ahead,
    survey_or_refuse,
)
from busplay.capture.moments import find_moments
from busplay.capture.report import CaptureSampling, DecodedEdges, DecodeReport, SamplingReport
from busplay.capture.sampling import SymbolRun, SymbolSampler
from busplay.capture.survey import SAMPLES_FOR_CERTAINTY
from busplay.errors import InputError
from busplay.formats.read_ahead import read_ahead
from busplay.link.layout import FrameLayout
from busplay.receiver.receiver import Receiver

# The receiver is fed in pieces of this size, so that its buffer for frames stays small.
PIECE_SYMBOLS = 1 << 17


class CaptureDecoder:
    """One decode of one capture.

    Args:
        source: the capture, with its signals chosen.
        layout: of the link.
        lane_map: which signal is which wire.
        settings: what the user decides.

    Attributes:
        receiver: which takes the symbols.
        survey: what was found out about the clock beforehand.

    Raises:
        InputError: the clock has too few edges, or the moment to read lanes is too far away.
    """

    def __init__(
        self,
        source: ChangeSource,
        layout: FrameLayout,
        lane_map: LaneMap,
        *,
        settings: DecodeSettings | None = None,
    ) -> None:
        settings = settings or DecodeSettings()
        self._source = source
        self._layout = layout
        self._lane_map = lane_map
        self._hand_over: Callable[[FrameBatch, int], None] | None = None
        look, batches = look_ahead(source, lane_map)
        self._batches = batches
        self.survey = survey_or_refuse(
            look, layout.link, lane_map, source=source, settings=settings
        )
        plan = self.survey.plan
        if settings.sample_at_ps is None:
            self._offsets_ps = find_moments(look, layout, lane_map, self.survey)
        elif abs(settings.sample_at_ps) <= plan.period_ps:
            self._offsets_ps = (settings.sample_at_ps,) * len(lane_map.data)
        else:
            raise InputError(
                place="--sample-at",
                found=f"{settings.sample_at_ps:,} ps",
                wanted=f"edges come every {plan.period_ps:,} ps, so give less than that either way",
            )
        self._sampler = SymbolSampler(layout, lane_map, plan, self._offsets_ps)
        self.receiver = Receiver(layout, correct_one_bit=settings.correct)
        self.receiver.keeps_log = True
        self._zero_ps = source.info.zero_ps
        self._watch = HealthWatch(layout, lists_gaps=not plan.is_gated, zero_ps=self._zero_ps)
        self._grid = EdgeGrid(layout)
        self._times = EdgeTimeTable(max(1, plan.period_ps // 2))
        given_ps = settings.glitch_filter_ps
        self._glitch_ps = given_ps if given_ps is not None else plan.glitch_ps
        self._changed_ps = np.full(64, -1, np.int64)
        wires_mask = sum(1 << probe.index for probe in {*lane_map.data, lane_map.clock})
        used = [byte for byte in range(8) if wires_mask >> 8 * byte & 0xFF]
        self._shifts = np.array([8 * byte for byte in used], np.uint64)
        self._rows_by_change = np.zeros((len(used), 256), np.int64)
        self._glitches = np.zeros(64, np.int64)
        self._levels: np.uint64 | None = None
        self._wire_mask = np.uint64(wires_mask)

    def run(
        self,
        deliver: Callable[[FrameBatch, int], None] | None = None,
        *,
        on_batch: Callable[[CaptureDecoder], None] | None = None,
        finish_on_interrupt: bool = False,
    ) -> DecodeReport:
        """Decode to the capture's end.

        Args:
            deliver: called with frames, on the slot grid and in order, and the link edge up to
                which all are known; once more with none at the end.
            on_batch: called after each batch, for a progress bar.
            finish_on_interrupt: when the user interrupts, report what was read until then.

        Raises:
            InputError: the capture is damaged; every frame before it has been delivered.
        """
        is_interrupted = False
        self._hand_over = deliver
        try:
            for batch in read_ahead(self._batches):
                self._count_changes(batch)
                self._decode(self._sampler.feed(batch))
                if on_batch is not None:
                    on_batch(self)
        except KeyboardInterrupt:
            if not finish_on_interrupt:
                raise
            is_interrupted = True
        self._decode(self._sampler.flush())
        self._grid.advance(self._watch.symbols)
        if self._hand_over is not None:
            self._hand_over(FrameBatch.empty(), self._grid.stop_edge)
        return self._report(is_interrupted=is_interrupted)

    @property
    def edges(self) -> DecodedEdges:
        """Where the frames that were delivered lie in the capture."""
        return DecodedEdges(
            times=self._times,
            zero_ps=self._zero_ps,
            stop_edge=self._grid.stop_edge,
            frame_ps=self._layout.frame_symbols * self.survey.plan.period_ps,
        )

    @property
    def sampling(self) -> CaptureSampling:
        """How the capture is read."""
        return CaptureSampling(self._lane_map, self.survey.plan, self._offsets_ps)

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
        if self._hand_over is not None:
            self._hand_over(placed, self._grid.stop_edge)

    def _report(self, *, is_interrupted: bool) -> DecodeReport:
        info, seen = self._source.info, self.receiver.counters
        damaged = seen.checks_failed + seen.frames_aborted
        is_clean = (
            not (damaged or seen.frames_missed or seen.syncs_lost or seen.frames_corrected)
            and seen.syncs_gained > 0
            and info.complete
            and not is_interrupted
        )
        return DecodeReport(
            file=info.file,
            format=info.format,
            link=self._layout.link.name,
            is_clean=is_clean,
            is_complete=info.complete and not is_interrupted,
            is_interrupted=is_interrupted,
            cut_reason=info.cut_reason or None,
            notes=info.notes,
            start_ps=info.start_ps,
            stop_ps=info.stop_ps,
            map={wire: str(probe) for wire, probe in self._lane_map.wires.items()},
            idle_wires=tuple(
                wire
                for wire, probe in self._lane_map.wires.items()
                if not self._changes(probe.index)
            ),
            glitch_filter_ps=self._glitch_ps,
            frames_damaged=damaged,
            receiver=seen,
            clock=self._sampler.clock.counters,
            sampling=self._sampling(),
            lanes=self._eyes(),
            health=self._watch.finish(),
        )

    def _sampling(self) -> SamplingReport:
        survey, sampler = self.survey, self._sampler
        samples = survey.samples_per_edge
        return SamplingReport(
            sample_ps=survey.plan.resolution_ps or None,
            samples_per_edge=round(samples, 3) or None,
            rate_is_told=survey.rate_is_told,
            clock_is_steady=survey.is_steady,
            clock_is_gated=survey.plan.is_gated,
            clock_recovery="steady" if survey.plan.steady else "seen",
            clock_edges_judged=survey.edges,
            symbols=sampler.symbols,
            symbols_in_doubt=sampler.symbols_in_doubt,
            symbols_unknown=sampler.symbols_unknown,
            symbols_beyond_frame=sampler.symbols_beyond,
            rests_inserted=sampler.rests_inserted,
            is_certain=not sampler.symbols_in_doubt and not 0 < samples < SAMPLES_FOR_CERTAINTY,
        )

    def _eyes(self) -> tuple[LaneEye, ...]:
        wires = [name for name in self._lane_map.wires if name != "clock"]
        return tuple(
            lane_eye(
                self._sampler.eye(probe.index),
                wire=wire,
                signal=str(probe),
                sample_at_ps=offset_ps,
                period_ps=self.survey.plan.period_ps,
                changes=self._changes(probe.index),
                glitches=int(self._glitches[probe.index]),
            )
            for wire, probe, offset_ps in zip(
                wires, self._lane_map.data, self._offsets_ps, strict=True
            )
        )


def trace_summary(report: DecodeReport) -> dict[str, int]:
    """Return the figures of a decode that its trace keeps."""
    return {f"capture_{name}": count for name, count in asdict(report.receiver).items()}
