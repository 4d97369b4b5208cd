"""From changes and clock edges to symbols: every lane read at its own moment.

A lane's moment is a fixed time from the clock's edge, before it (negative) or after. Lanes
that share a moment are read together, so one walk over the changes does for a link without
skew. Where the strobe is held for a frame and the clock stands still between frames, no edge
shows that the strobe rested; a symbol is injected that does, and counted.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from busplay.batch import ChangeBatch, SymbolColumn
from busplay.capture import sampled_symbols
from busplay.capture.clock import ClockFollower, ClockPlan, Int64Column, KindColumn
from busplay.capture.lane_map import LaneMap
from busplay.description.link import StrobeFraming
from busplay.link.framing.strobe import idle_level
from busplay.link.layout import FrameLayout

# Rows at a batch's seam that are joined to those left over from the batch before.
SEAM_ROWS = 512
# Rows that are kept while no clock edge comes, at most.
WAITING_ROWS_MAX = 1 << 20


@dataclass(frozen=True, slots=True, eq=False)
class SymbolRun:
    """Symbols that follow each other, as a receiver would take them in.

    Attributes:
        symbols: unsigned[symbols] of the layout's `symbol_dtype`.
        edge_ps: int64[symbols]; time of each symbol's clock edge.
        jump_index: int64[jumps]; symbols before which the clock was silent for longer than one
            and a half periods.
        jump_edges: int64[jumps]; how many edges would have fitted there.
        jump_ps: int64[jumps]; how long it was.
    """

    symbols: SymbolColumn
    edge_ps: Int64Column
    jump_index: Int64Column
    jump_edges: Int64Column
    jump_ps: Int64Column

    def __len__(self) -> int:
        return len(self.symbols)


@dataclass(frozen=True, slots=True)
class _Group:
    """Wires that are read at one moment."""

    offset_ps: int
    mask: np.uint64
    shifts: NDArray[np.uint64]
    tables: NDArray[np.uint32]
    flip: np.uint32
    rest_symbol: np.uint32
    eye: Int64Column
    state: Int64Column


class SymbolSampler:
    """Reads symbols out of a capture's changes; fed batch by batch.

    Args:
        layout: of the link.
        lane_map: which signal is which wire.
        plan: of the clock.
        offsets_ps: for each lane, and the strobe behind them, the moment from the edge.

    Attributes:
        clock: the follower, for its counters.
        symbols_in_doubt: symbols that this sampling rate leaves in doubt.
        rests_inserted: symbols injected where the strobe rested while the clock stood still.
        symbols_beyond: symbols read while the strobe was held for more than a frame.
    """

    def __init__(
        self,
        layout: FrameLayout,
        lane_map: LaneMap,
        plan: ClockPlan,
        offsets_ps: tuple[int, ...],
    ) -> None:
        if len(offsets_ps) != len(lane_map.data):
            raise ValueError(f"{len(lane_map.data)} wires need as many offsets")
        link = layout.link
        self.layout = layout
        self.plan = plan
        self.clock = ClockFollower(lane_map.clock, edges=link.edges, plan=plan)
        self.symbols_in_doubt = 0
        self.rests_inserted = 0
        self.symbols_beyond = 0
        self.symbols = 0
        framing = link.framing
        self._is_held = isinstance(framing, StrobeFraming) and framing.span == "frame"
        rest = idle_level(framing) if isinstance(framing, StrobeFraming) else 0
        self._groups = _groups(layout, lane_map, offsets_ps, rest)
        self._strobe_group = self._groups[0]
        if lane_map.strobe is not None:
            bit = 1 << lane_map.strobe.index
            self._strobe_group = next(one for one in self._groups if int(one.mask) & bit)
            self._strobe_mask = np.uint64(bit)
            self._strobe_rest = np.uint64(bit if rest ^ lane_map.strobe.inverted else 0)
        self._most_offset_ps = max(offsets_ps)
        self._least_offset_ps = min(offsets_ps)
        self._tail = ChangeBatch.empty()
        self._edge_ps: Int64Column = np.empty(0, np.int64)
        self._edge_kind: KindColumn = np.empty(0, np.uint8)
        self._held_edges = -1
        self._last_doubted = 0
        self._last_edge_ps = -1
        self._start_ps: int | None = None

    @property
    def symbols_unknown(self) -> int:
        """Symbols that were read while a wire was neither high nor low."""
        return max(int(group.state[sampled_symbols.SYMBOLS_UNKNOWN]) for group in self._groups)

    def eye(self, signal: int) -> Int64Column:
        """Return int64[EYE_BINS]: a signal's changes by their time from its moment.

        The bins reach from a period before the moment to a period after it; a change counts
        on both sides, from the moment behind it and from the one before.
        """
        byte, bit = divmod(signal, 8)
        has_bit = (np.arange(256) >> bit & 1).astype(bool)
        for group in self._groups:
            if int(group.mask) >> signal & 1:
                row = int(np.flatnonzero(group.shifts == np.uint64(8 * byte))[0])
                counts: Int64Column = group.eye[row][:, has_bit].sum(axis=1)
                return counts
        raise KeyError(f"signal {signal} is no wire of this link")

    def feed(self, changes: ChangeBatch) -> SymbolRun:
        """Take changes, in order of time; return the symbols that they settle."""
        if not len(changes):
            return self._joined([])
        edge_ps, kind = self.clock.feed(changes)
        if self._start_ps is None:
            self._start_ps = int(changes.time_ps[0])
        runs = [self._add_edges(edge_ps, kind)]
        tail_rows = len(self._tail)
        if not tail_rows or len(changes) <= SEAM_ROWS:
            runs.append(self._take(_join(self._tail, changes)))
        else:
            # Joining whole batches cost as much as reading the symbols; the seam is enough.
            runs.append(self._take(_join(self._tail, changes[:SEAM_ROWS]), trim=False))
            if all(int(group.state[sampled_symbols.ROW]) >= tail_rows for group in self._groups):
                for group in self._groups:
                    group.state[sampled_symbols.ROW] -= tail_rows
                runs.append(self._take(changes))
            else:
                runs.append(self._take(_join(self._tail, changes)))
        return self._joined([run for run in runs if run is not None])

    def flush(self) -> SymbolRun:
        """Return the symbols that waited for changes which do not come any more."""
        edge_ps, kind = self.clock.flush()
        runs = [self._add_edges(edge_ps, kind), self._take(self._tail, is_last=True)]
        return self._joined([run for run in runs if run is not None])

    # -- inside

    def _add_edges(self, edge_ps: Int64Column, kind: KindColumn) -> SymbolRun | None:
        if not len(self._edge_ps):
            self._edge_ps, self._edge_kind = edge_ps, kind
        else:
            self._edge_ps = np.concatenate([self._edge_ps, edge_ps])
            self._edge_kind = np.concatenate([self._edge_kind, kind])
        return None

    def _take(
        self, rows: ChangeBatch, *, trim: bool = True, is_last: bool = False
    ) -> SymbolRun | None:
        """Read what the rows settle, and keep those that later edges need."""
        if not len(rows):
            return None
        count = len(self._edge_ps)
        if not is_last:
            known_ps = int(rows.time_ps[-1]) - self._most_offset_ps
            count = int(np.searchsorted(self._edge_ps, known_ps, side="left"))
        edge_ps, kind = self._edge_ps[:count], self._edge_kind[:count]
        self._edge_ps, self._edge_kind = self._edge_ps[count:], self._edge_kind[count:]
        run = None
        if count:
            if self._is_held:
                edge_ps, kind = self._with_rests(rows, edge_ps, kind)
            run = self._read(rows, edge_ps, kind)
        if trim:
            self._keep(rows)
        return run

    def _keep(self, rows: ChangeBatch) -> None:
        first = min(int(group.state[sampled_symbols.ROW]) for group in self._groups)
        if len(rows) - first > WAITING_ROWS_MAX and not len(self._edge_ps):
            # The next edge comes later than all this, so only its lookback counts.
            earliest = int(rows.time_ps[-1]) + self._least_offset_ps
            earliest = max(0, min(earliest, earliest - self.plan.glitch_ps))
            first = max(
                first, int(np.searchsorted(rows.time_ps, np.uint64(earliest), side="right")) - 1
            )
        kept = rows[first:]
        self._tail = ChangeBatch(kept.time_ps.copy(), kept.level.copy(), kept.unknown.copy())
        for group in self._groups:
            group.state[sampled_symbols.ROW] = max(0, int(group.state[sampled_symbols.ROW]) - first)

    def _with_rests(
        self, rows: ChangeBatch, edge_ps: Int64Column, kind: KindColumn
    ) -> tuple[Int64Column, KindColumn]:
        group = self._strobe_group
        first = int(group.state[sampled_symbols.ROW])
        out_ps = np.empty(2 * len(edge_ps) + 1, np.int64)
        out_kind = np.empty(2 * len(edge_ps) + 1, np.uint8)
        begun = 0
        is_active = rows.level[first] & self._strobe_mask != self._strobe_rest
        if self.symbols == 0 and is_active and self._begins_at_rest():
            # Nothing has moved for longer than a level of the clock lasts: no frame is under way.
            assert self._start_ps is not None
            out_ps[0], out_kind[0] = self._start_ps - group.offset_ps, sampled_symbols.RESTS
            begun = 1
        count, self._held_edges, beyond = sampled_symbols.insert_rests(
            rows.time_ps[first:],
            rows.level[first:],
            edge_ps,
            kind,
            self._strobe_mask,
            self._strobe_rest,
            group.offset_ps,
            max(1, self.plan.glitch_ps),
            self.layout.frame_symbols,
            self._held_edges,
            out_ps[begun:],
            out_kind[begun:],
        )
        count += begun
        self.symbols_beyond += beyond
        self.rests_inserted += count - len(edge_ps)
        return out_ps[:count], out_kind[:count]

    def _begins_at_rest(self) -> bool:
        first = self.clock.first_edge_ps
        if first is None or self._start_ps is None or not self.plan.is_gated:
            return False
        return 4 * (first - self._start_ps) > 3 * self.plan.period_ps

    def _read(self, rows: ChangeBatch, edge_ps: Int64Column, kind: KindColumn) -> SymbolRun:
        symbols: SymbolColumn = np.empty(len(edge_ps), self.layout.symbol_dtype)
        doubted = np.zeros(len(edge_ps) + 1, np.uint8)
        doubted[0] = self._last_doubted
        resolution = self.plan.resolution_ps
        for number, group in enumerate(self._groups):
            sampled_symbols.take_symbols(
                rows.time_ps,
                rows.level,
                rows.unknown,
                edge_ps,
                kind,
                group.offset_ps,
                group.mask,
                group.shifts,
                group.tables,
                group.flip,
                group.rest_symbol,
                int(number > 0),
                self.plan.period_ps,
                # A change seen just before the moment happened before it, if the moment is
                # known; an edge as seen may itself have been a sample earlier.
                0 if self.plan.steady else resolution,
                resolution,
                group.eye,
                group.state,
                doubted,
                symbols,
            )
        self.symbols_in_doubt += int(np.count_nonzero(doubted)) - self._last_doubted
        self._last_doubted = int(doubted[-1])
        jump_index = np.empty(len(edge_ps), np.int64)
        jump_edges = np.empty(len(edge_ps), np.int64)
        jump_ps = np.empty(len(edge_ps), np.int64)
        jumps = sampled_symbols.find_jumps(
            edge_ps, kind, self._last_edge_ps, self.plan.period_ps, jump_index, jump_edges, jump_ps
        )
        self._last_edge_ps = int(edge_ps[-1])
        self.symbols += len(symbols)
        return SymbolRun(symbols, edge_ps, jump_index[:jumps], jump_edges[:jumps], jump_ps[:jumps])

    def _joined(self, runs: list[SymbolRun]) -> SymbolRun:
        if len(runs) == 1:
            return runs[0]
        if not runs:
            none = np.empty(0, np.int64)
            return SymbolRun(np.empty(0, self.layout.symbol_dtype), none, none, none, none)
        before = np.cumsum([0] + [len(run) for run in runs])
        return SymbolRun(
            np.concatenate([run.symbols for run in runs]),
            np.concatenate([run.edge_ps for run in runs]),
            np.concatenate(
                [run.jump_index + start for run, start in zip(runs, before, strict=False)]
            ),
            np.concatenate([run.jump_edges for run in runs]),
            np.concatenate([run.jump_ps for run in runs]),
        )


def _join(first: ChangeBatch, second: ChangeBatch) -> ChangeBatch:
    if not len(first):
        return second
    return ChangeBatch(
        np.concatenate([first.time_ps, second.time_ps]),
        np.concatenate([first.level, second.level]),
        np.concatenate([first.unknown, second.unknown]),
    )


def _groups(
    layout: FrameLayout, lane_map: LaneMap, offsets_ps: tuple[int, ...], rest: int
) -> list[_Group]:
    groups = []
    for offset_ps in dict.fromkeys(offsets_ps):
        mask = flip = rest_symbol = 0
        by_byte: dict[int, NDArray[np.uint32]] = {}
        for bit, (probe, own_ps) in enumerate(zip(lane_map.data, offsets_ps, strict=True)):
            if own_ps != offset_ps:
                continue
            mask |= 1 << probe.index
            flip |= int(probe.inverted) << bit
            if bit == layout.lanes:
                rest_symbol |= rest << bit
            byte, place = divmod(probe.index, 8)
            table = by_byte.setdefault(byte, np.zeros(256, np.uint32))
            table[(np.arange(256) >> place & 1).astype(bool)] |= np.uint32(1 << bit)
        state = np.zeros(sampled_symbols.TAKE_STATE, np.int64)
        state[sampled_symbols.LAST_MOMENT_PS] = -1
        groups.append(
            _Group(
                offset_ps,
                np.uint64(mask),
                np.array([8 * byte for byte in by_byte], np.uint64),
                np.array(list(by_byte.values()), np.uint32),
                np.uint32(flip),
                np.uint32(rest_symbol),
                np.zeros((len(by_byte), sampled_symbols.EYE_BINS, 256), np.int64),
                state,
            )
        )
    return groups
