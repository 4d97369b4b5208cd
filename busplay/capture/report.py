"""The figures of a decode, which `busplay decode --json` prints, and the library returns.

All times are in the capture's own time, as its file counts it.
"""

from __future__ import annotations

from dataclasses import dataclass

from busplay.capture.clock import ClockCounters, ClockPlan
from busplay.capture.edge_grid import EdgeTimeTable
from busplay.capture.eye import LaneEye
from busplay.capture.health import Health
from busplay.capture.lane_map import LaneMap
from busplay.receiver.counters import ReceiverCounters


@dataclass(frozen=True, slots=True)
class SamplingReport:
    """How well the capture's samples show the symbols.

    Attributes:
        sample_ps: the analyser's sample period; None: finer than matters.
        samples_per_edge: sample periods in one level of the clock; None: as above.
        rate_is_told: the file or the user states the rate; else it was inferred from the clock.
        clock_is_steady: the clock runs evenly, without pauses.
        clock_is_gated: the clock stands still between frames as a rule.
        clock_recovery: `steady` where edges were taken from an even clock, `seen` where they
            were taken as the samples show them.
        clock_edges_judged: edges that were looked at before this was decided.
        symbols: symbols read.
        symbols_in_doubt: of them those during which a wire changed within a sample.
        symbols_unknown: of them those read while a wire was neither high nor low.
        symbols_beyond_frame: symbols read while the strobe was held for more than a frame.
        rests_inserted: symbols that stand for a strobe that rested while the clock stood still.
        is_certain: there are 4 samples an edge or more, and no symbol is in doubt.
    """

    sample_ps: int | None
    samples_per_edge: float | None
    rate_is_told: bool
    clock_is_steady: bool
    clock_is_gated: bool
    clock_recovery: str
    clock_edges_judged: int
    symbols: int
    symbols_in_doubt: int
    symbols_unknown: int
    symbols_beyond_frame: int
    rests_inserted: int
    is_certain: bool


@dataclass(frozen=True, slots=True)
class DecodeReport:
    """What was found when a capture was decoded.

    Attributes:
        file: the capture's name.
        format: its format, such as `vcd`.
        link: name of the link.
        is_clean: frames were found, and nothing was damaged, lost or cut.
        is_complete: the capture was read to its end, and the end was in order.
        is_interrupted: decoding was stopped; the figures are of what was read until then.
        cut_reason: why the capture is not complete; None: it is.
        notes: what was assumed, skipped or looks wrong.
        start_ps, stop_ps: where the capture begins and ends.
        map: the signal of each wire; `!` marks an inverted probe.
        idle_wires: wires whose signal never changes.
        glitch_filter_ps: levels that are shorter counted as glitches.
        frames_damaged: frames whose check or constants failed, and aborted ones.
        receiver: the receiver's counters.
        clock: what the clock did.
        sampling: how well the samples show the symbols.
        lanes: each lane's eye, and the strobe's.
        health: what was wrong, and where.
    """

    file: str
    format: str
    link: str
    is_clean: bool
    is_complete: bool
    is_interrupted: bool
    cut_reason: str | None
    notes: tuple[str, ...]
    start_ps: int
    stop_ps: int
    map: dict[str, str]
    idle_wires: tuple[str, ...]
    glitch_filter_ps: int
    frames_damaged: int
    receiver: ReceiverCounters
    clock: ClockCounters
    sampling: SamplingReport
    lanes: tuple[LaneEye, ...]
    health: Health

    @property
    def has_hardly_a_frame(self) -> bool:
        """Whether the link or the map is probably another one."""
        received = self.receiver.frames_received
        return not self.receiver.syncs_gained or self.frames_damaged > 2 * received


@dataclass(frozen=True, slots=True)
class CaptureSampling:
    """How a capture was read, so that a part of it can be looked at again.

    Attributes:
        lane_map: which signal is which wire.
        plan: of the clock.
        offsets_ps: for each lane, and the strobe behind them, when it is read, from the edge.
    """

    lane_map: LaneMap
    plan: ClockPlan
    offsets_ps: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class DecodedEdges:
    """Where link edges of the decoded trace lie in the capture.

    Attributes:
        times: link edges to the time since the capture's zero.
        zero_ps: the capture's zero in its own time.
        stop_edge: link edge at which the trace ends.
        frame_ps: how long a frame takes.
    """

    times: EdgeTimeTable
    zero_ps: int
    stop_edge: int
    frame_ps: int
