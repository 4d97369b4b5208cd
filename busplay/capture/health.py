"""What was wrong with a capture: which frames, where, on which lanes, and how long out of sync."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from busplay.batch import SymbolColumn
from busplay.capture.blame import LaneBlame
from busplay.capture.clock import Int64Column
from busplay.capture.sampling import SymbolRun
from busplay.link.layout import FrameLayout
from busplay.receiver.counters import ReceiverLog
from busplay.receiver.states import LogKind

# Rows of a list that are kept; what is beyond is counted.
ROWS_MAX = 10_000


@dataclass(frozen=True, slots=True)
class DamagedFrame:
    """A frame that was invalid or aborted.

    Attributes:
        time_ps: its first clock edge, in the capture's own time, as all times here.
        kind: `check failed`, `aborted` or `corrected`.
        word: its bits as they were read; None where it was aborted.
        lanes: lanes at fault, as far as the frame shows them.
    """

    time_ps: int
    kind: str
    word: int | None
    lanes: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Outage:
    """A stretch out of sync.

    Attributes:
        first_ps: where it began: the first of the frames that led to it, or the capture.
        stop_ps: where the receiver was in sync again; None: not before the end.
        symbols: how many symbols it took.
    """

    first_ps: int
    stop_ps: int | None
    symbols: int


@dataclass(frozen=True, slots=True)
class Gap:
    """A stretch in which a clock that ran before was silent, or samples are missing.

    Attributes:
        first_ps: the last edge before it.
        stop_ps: the first edge behind it.
        edges: edges that would have fitted between.
    """

    first_ps: int
    stop_ps: int
    edges: int


@dataclass(frozen=True, slots=True)
class Health:
    """What was found; the lists end after ROWS_MAX rows, the counts do not.

    Attributes:
        damaged: frames that were invalid, aborted or corrected.
        outages: stretches out of sync; the first is the search at the capture's start.
        gaps: stretches with no clock.
        gap_count: how many there were.
        lane_errors: damaged frames by the lane at fault.
        lane_errors_unknown: damaged frames whose lane is not known.
        first_frame_ps, last_frame_ps: first edges of the first and last valid frame; None: there
            was none.
        first_sync_ps: when the receiver was in sync for the first time; None: never.
    """

    damaged: tuple[DamagedFrame, ...]
    outages: tuple[Outage, ...]
    gaps: tuple[Gap, ...]
    gap_count: int
    lane_errors: tuple[int, ...]
    lane_errors_unknown: int
    first_frame_ps: int | None
    last_frame_ps: int | None
    first_sync_ps: int | None


class HealthWatch:
    """Watches a receiver that decodes a capture; fed with each run and what became of it.

    Args:
        layout: of the link.
        lists_gaps: the clock should not pause, so list where it did.
        zero_ps: what is added to times, to make them the capture's own.
    """

    def __init__(self, layout: FrameLayout, *, lists_gaps: bool, zero_ps: int = 0) -> None:
        self._damaged: list[DamagedFrame] = []
        self._outages: list[Outage] = []
        self._gaps: list[Gap] = []
        self._gap_count = 0
        self._lane_errors = [0] * layout.lanes
        self._lane_errors_unknown = 0
        self._first_frame_ps: int | None = None
        self._last_frame_ps: int | None = None
        self._first_sync_ps: int | None = None
        self._layout = layout
        self._blame = LaneBlame(layout)
        self._lists_gaps = lists_gaps
        self._zero_ps = zero_ps
        framing = layout.link.framing
        frames_back = getattr(framing, "release_frames", 0) + 2
        self._kept = frames_back * layout.slot_symbols
        self._symbols: SymbolColumn = np.empty(0, layout.symbol_dtype)
        self._edge_ps: Int64Column = np.empty(0, np.int64)
        self._first = 0  # number of the first of the symbols kept
        self._out_since: tuple[int, int] | None = (0, 0)
        self._starts_known = False

    @property
    def symbols(self) -> int:
        """Symbols seen so far."""
        return self._first + len(self._symbols)

    def times_ps(self, symbol: Int64Column) -> Int64Column:
        """Return the clock edge's time of symbols of the last run, or shortly before it."""
        if not len(self._edge_ps):
            return np.zeros(len(symbol), np.int64)
        return self._edge_ps[np.clip(symbol - self._first, 0, len(self._edge_ps) - 1)]

    def add_run(self, run: SymbolRun) -> None:
        """Take the symbols that the receiver is given next."""
        if not len(run):
            return
        if not self._starts_known:
            self._out_since = (0, int(run.edge_ps[0]))
            self._starts_known = True
        drop = max(0, len(self._symbols) - self._kept)
        self._symbols = np.concatenate([self._symbols[drop:], run.symbols])
        self._edge_ps = np.concatenate([self._edge_ps[drop:], run.edge_ps])
        self._first += drop
        if self._lists_gaps and len(run.jump_index):
            self._add_gaps(run)

    def _add_gaps(self, run: SymbolRun) -> None:
        self._gap_count += len(run.jump_index)
        for place, edges, gap_ps in zip(
            run.jump_index.tolist(), run.jump_edges.tolist(), run.jump_ps.tolist(), strict=True
        ):
            if len(self._gaps) == ROWS_MAX:
                return
            stop = int(run.edge_ps[place]) + self._zero_ps
            self._gaps.append(Gap(stop - gap_ps, stop, edges))

    def add_log(self, log: ReceiverLog) -> None:
        """Take what the receiver noted of the last run."""
        if not len(log):
            return
        self._blame_lanes(log)
        times = self.times_ps(log.first)
        stops = self.times_ps(log.stop)
        moves = np.flatnonzero((log.kind == LogKind.SYNC_LOST) | (log.kind == LogKind.SYNC_GAINED))
        for row in moves.tolist():
            if log.kind[row] == LogKind.SYNC_LOST:
                self._out_since = (int(log.first[row]), int(times[row]))
                continue
            if self._first_sync_ps is None:
                self._first_sync_ps = int(stops[row]) + self._zero_ps
            self._end_outage(int(log.first[row]), int(stops[row]))

    def _end_outage(self, symbol: int, time_ps: int | None) -> None:
        if self._out_since is None:
            return
        since, since_ps = self._out_since
        self._out_since = None
        if symbol > since and len(self._outages) < ROWS_MAX:
            stop_ps = None if time_ps is None else time_ps + self._zero_ps
            self._outages.append(Outage(since_ps + self._zero_ps, stop_ps, symbol - since))

    def _blame_lanes(self, log: ReceiverLog) -> None:
        kinds = {
            LogKind.CHECK_FAILED: "check failed",
            LogKind.CORRECTED: "corrected",
            LogKind.ABORTED: "aborted",
        }
        rows = np.flatnonzero(np.isin(log.kind, list(kinds)))
        if not len(rows):
            return
        kind, first = log.kind[rows], log.first[rows]
        whole = kind != LogKind.ABORTED
        words = np.zeros(len(rows), np.uint64)
        blamed = np.zeros(len(rows), np.uint32)
        if whole.any():
            offsets = np.arange(self._layout.frame_symbols)
            places = (first[whole] - self._first)[:, None] + offsets
            places = np.clip(places, 0, len(self._symbols) - 1)
            words[whole] = self._layout.to_words(self._symbols[places].reshape(-1))
            blamed[whole] = self._blame.lanes(words[whole])
        for lane in range(self._layout.lanes):
            has_lane = blamed >> np.uint32(lane) & np.uint32(1)
            self._lane_errors[lane] += int(np.count_nonzero(has_lane))
        self._lane_errors_unknown += int(np.count_nonzero(blamed == 0))
        times = self.times_ps(first)
        room = ROWS_MAX - len(self._damaged)
        for row in range(min(room, len(rows))):
            lanes = tuple(n for n in range(self._layout.lanes) if int(blamed[row]) >> n & 1)
            self._damaged.append(
                DamagedFrame(
                    time_ps=int(times[row]) + self._zero_ps,
                    kind=kinds[LogKind(int(kind[row]))],
                    word=int(words[row]) if whole[row] else None,
                    lanes=lanes,
                )
            )

    def add_frames(self, time_ps: Int64Column) -> None:
        """Take when the frames that were delivered began."""
        if not len(time_ps):
            return
        if self._first_frame_ps is None:
            self._first_frame_ps = int(time_ps[0]) + self._zero_ps
        self._last_frame_ps = int(time_ps[-1]) + self._zero_ps

    def finish(self) -> Health:
        """Return what was found, the last stretch out of sync included."""
        self._end_outage(self.symbols, None)
        return Health(
            damaged=tuple(self._damaged),
            outages=tuple(self._outages),
            gaps=tuple(self._gaps),
            gap_count=self._gap_count,
            lane_errors=tuple(self._lane_errors),
            lane_errors_unknown=self._lane_errors_unknown,
            first_frame_ps=self._first_frame_ps,
            last_frame_ps=self._last_frame_ps,
            first_sync_ps=self._first_sync_ps,
        )
