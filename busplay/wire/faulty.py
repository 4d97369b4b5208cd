"""The wire between the two ends, with faults injected.

How to think about it. The wire takes a stretch in words and returns the stretches that the
receiver samples. Flips, late, early and stuck lanes change symbols: hit edges become runs of
symbols, and the rest stays words and idle time. A lost or an extra edge changes no symbol but cuts
the stretch: a receiver that is fed edges up to f and then from f + 1 on missed edge f, and one
that is fed up to f + 1 and then from f on sampled it twice. So edges remain the sender's, which is
link time, and the slot grid does not move.

Each symbol changed, each edge lost and each edge added is one log entry, with its ordinal among
the symbols that the receiver samples: its outcome follows from what the receiver did with that
symbol.

An early lane shows what is sent on the next edge, which is unknown at the end of a stretch: with
such a lane the wire keeps a stretch's last edge for the next one.
"""

from __future__ import annotations

from copy import deepcopy
from dataclasses import dataclass
from enum import IntEnum
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from busplay.batch import FrameBatch, Int64Column, WireBatch
from busplay.description.faults import Faults
from busplay.description.link import StrobeFraming
from busplay.errors import InputError
from busplay.link.layout import FrameLayout
from busplay.link.slot_symbols import slot_shape
from busplay.wire import damage
from busplay.wire.damage import NO_DENSE_FAULTS, DamagedRuns, DenseFaults, EdgeHits, symbol_at
from busplay.wire.schedule import Schedule
from busplay.wire.streams import NEVER, Hits

# Bits, up to 17 an edge, are counted in 64 bits.
LAST_EDGE = 1 << 57
# A lane that is faulty on every edge has every slot expanded to symbols: this many at once.
PIECE_SLOTS = 1 << 15


class FaultKind(IntEnum):
    """What was injected."""

    LATE = damage.LATE
    FLIPPED = damage.FLIPPED
    STUCK = damage.STUCK
    EARLY = damage.EARLY
    LOST_EDGE = 4
    EXTRA_EDGE = 5


@dataclass(frozen=True, slots=True, eq=False)
class FaultLog:
    """Faults that were injected, in the order in which the receiver meets them.

    Attributes:
        ordinal: int64[faults]; ordinal, from 0, among the symbols that the receiver samples, of
            the changed symbol, the extra one, or the one after the lost ones.
        kind: uint8[faults]; a `FaultKind`.
    """

    ordinal: Int64Column
    kind: NDArray[np.uint8]

    def __len__(self) -> int:
        return len(self.ordinal)


class FaultyWire:
    """A link's wires with a plan's faults injected.

    Args:
        layout: the link's frame.
        plan: the faults; its stalls are left to the receiver FIFO.
        edge_hz: edges in a second, for times.
        first_edge: edge from which the wire is fed.
        first_ordinal: symbols that the receiver has sampled before.
    """

    def __init__(
        self,
        layout: FrameLayout,
        plan: Faults,
        *,
        edge_hz: int,
        first_edge: int = 0,
        first_ordinal: int = 0,
    ) -> None:
        self.layout = layout
        self.plan = plan
        self._injected = np.zeros(len(FaultKind), np.int64)
        self._shape = slot_shape(layout)
        wires = layout.lanes + isinstance(layout.link.framing, StrobeFraming)
        self._schedule = Schedule(plan, edge_hz=edge_hz, wires=wires)
        self._before = self._symbol_at(FrameBatch.empty(), first_edge - 1)
        self._ordinal_shift = first_ordinal - first_edge
        # Of late lanes, early lanes and flips, in this order.
        self._hits = [Hits.none()] * 3
        self._held: WireBatch | None = None
        self._lost: Int64Column = np.empty(0, np.int64)
        self._extra: Int64Column = np.empty(0, np.int64)
        self._looked_at = first_edge
        self._logs: list[FaultLog] = []
        # Faults before the first edge are past.
        if first_edge:
            self._looked_at = 0
            self.look(first_edge)
            self._forget(first_edge)

    def copy(self) -> FaultyWire:
        """Return a wire on which everything to come is as on this one; it has injected nothing."""
        shared = {id(one): one for one in (self.layout, self.plan, self._shape)}
        other = deepcopy(self, shared)
        other._injected[:] = 0
        other._logs = []
        return other

    def take_log(self) -> FaultLog:
        """Return the faults injected since the last call."""
        logs, self._logs = self._logs, []
        if len(logs) == 1:
            return logs[0]
        if not logs:
            return FaultLog(np.empty(0, np.int64), np.empty(0, np.uint8))
        ordinal = np.concatenate([log.ordinal for log in logs])
        kind = np.concatenate([log.kind for log in logs])
        if (ordinal[1:] < ordinal[:-1]).any():
            order = np.argsort(ordinal, kind="stable")
            ordinal, kind = ordinal[order], kind[order]
        return FaultLog(ordinal, kind)

    def feed(self, batch: WireBatch) -> list[WireBatch]:
        """Carry a stretch of the wire.

        Args:
            batch: in words; begins where the one before it stopped.

        Returns:
            The stretches that the receiver samples, in order; between two an edge may be left out
            or repeated. The last `held_edges` are kept.

        Raises:
            InputError: the stretch reaches past `LAST_EDGE`.
        """
        if batch.stop_edge > LAST_EDGE:
            raise InputError(
                found=f"link edge {batch.stop_edge}",
                wanted=f"faults can be injected up to edge {LAST_EDGE}",
            )
        self.look(batch.stop_edge)
        whole = batch
        if self.plan.early_lanes:
            whole = self._with_held(batch)
            if whole.first_edge == whole.stop_edge:
                return []
            batch = whole.part(whole.first_edge, whole.stop_edge - 1)
            self._held = whole.part(whole.stop_edge - 1, whole.stop_edge)
        stop_edge = batch.stop_edge
        lost = self._lost[: self._lost.searchsorted(stop_edge)]
        extra = self._extra[: self._extra.searchsorted(stop_edge)]
        sampled: list[WireBatch] = []
        for first, stop, dense in self._pieces(batch.first_edge, batch.stop_edge):
            piece = batch
            if (first, stop) != (batch.first_edge, batch.stop_edge):
                piece = batch.part(first, stop)
            hits = [each.between(first, stop) for each in self._hits]
            if dense != NO_DENSE_FAULTS or any(map(len, hits)):
                after = self._symbol_at(whole.words, stop) if self.plan.early_lanes else 0
                piece = self._damaged(piece, dense, hits, lost, after=after)
            if self.plan.late_lanes:
                self._before = self._symbol_at(batch.words, stop - 1)
            sampled += self._sampled(piece, lost, extra)
        self._ordinal_shift += len(extra) - len(lost)
        self._forget(stop_edge)
        return sampled

    @property
    def faults_injected(self) -> dict[FaultKind, int]:
        """Counts of symbols changed, edges lost and edges added, by kind."""
        return dict(zip(FaultKind, self._injected.tolist(), strict=True))

    @property
    def held_edges(self) -> int:
        """Count of edges kept for the next stretch: 1 with an early lane, else 0."""
        return int(self._held is not None)

    def _with_held(self, batch: WireBatch) -> WireBatch:
        """Prepend the kept edge to a stretch."""
        held = self._held
        if held is None:
            return batch
        words = FrameBatch.joined([held.words, batch.words])
        return WireBatch.of_words(words, first_edge=held.first_edge, stop_edge=batch.stop_edge)

    # -- faults to come

    def look(self, stop_edge: int) -> None:
        """Draw all faults before an edge; they stay to be injected."""
        if stop_edge <= self._looked_at:
            return
        self._looked_at = stop_edge
        schedule = self._schedule
        draws = (schedule.take_late, schedule.take_early, schedule.take_flips)
        self._hits = [
            Hits.joined([waiting, take(stop_edge)])
            for waiting, take in zip(self._hits, draws, strict=True)
        ]
        lost, extra = schedule.take_lost(stop_edge), schedule.take_extra(stop_edge)
        if len(lost):
            self._lost = np.union1d(self._lost, lost)
        if len(extra):
            self._extra = np.union1d(self._extra, extra)

    def _forget(self, stop_edge: int) -> None:
        """Drop the faults before an edge."""
        self._hits = [each.between(stop_edge, NEVER) for each in self._hits]
        self._lost = self._lost[self._lost.searchsorted(stop_edge) :]
        self._extra = self._extra[self._extra.searchsorted(stop_edge) :]

    # -- symbols

    def _pieces(self, first_edge: int, stop_edge: int) -> list[tuple[int, int, DenseFaults]]:
        """Cut a stretch where a fault of every edge begins or ends."""
        if not self._schedule.dense:
            return [(first_edge, stop_edge, NO_DENSE_FAULTS)]
        cuts = {first_edge, stop_edge}
        for first, stop, _ in self._schedule.dense:
            cuts |= {edge for edge in (first, stop) if first_edge < edge < stop_edge}
        bounds = sorted(cuts)
        pieces = []
        for first, stop in pairwise(bounds):
            late = early = stuck = level = 0
            for begin, end, dense in self._schedule.dense:
                if begin <= first < end:
                    # If a wire is stuck at two levels, the later entry of the plan wins.
                    late |= dense.late
                    early |= dense.early
                    stuck |= dense.stuck
                    level = level & ~dense.stuck | dense.level
            now = self._dense_faults(late, early, stuck, level)
            step = PIECE_SLOTS * self.layout.slot_symbols if now.changes_idle else stop - first
            pieces += [(at, min(at + step, stop), now) for at in range(first, stop, step)]
        return pieces

    def _dense_faults(self, *masks: int) -> DenseFaults:
        late, early, stuck, level = map(np.uint64, masks)
        idle = self.layout.idle_symbols.astype(np.uint64)
        is_early = early & ~late
        shown = idle & ~late & ~is_early
        shown |= (np.roll(idle, 1) & late) | (np.roll(idle, -1) & is_early)
        shown = (shown & ~stuck) | level
        return DenseFaults(late, early, stuck, level, changes_idle=bool((shown != idle).any()))

    def _damaged(
        self,
        piece: WireBatch,
        dense: DenseFaults,
        hits: list[Hits],
        lost: Int64Column,
        *,
        after: int,
    ) -> WireBatch:
        """Damage a piece, and log it."""
        late, early, flips = hits
        room = len(late) + len(early) + len(flips)
        if dense.changes_idle:
            room = piece.stop_edge - piece.first_edge
        elif dense != NO_DENSE_FAULTS:
            room += len(piece.words) * (self.layout.slot_symbols + 2)
        entries = room * damage.KINDS
        runs = DamagedRuns(
            edge=np.empty(room, np.int64),
            first=np.empty(room + 1, np.int64),
            symbols=np.empty(room, self.layout.symbol_dtype),
            log_edge=np.empty(entries, np.int64),
            log_kind=np.empty(entries, np.uint8),
        )
        count, symbols, logged = damage.damage(
            np.ascontiguousarray(piece.words.edge),
            np.ascontiguousarray(piece.words.word),
            piece.first_edge,
            piece.stop_edge,
            np.uint64(self._before),
            np.uint64(after),
            dense,
            EdgeHits(late.edge, late.mask, early.edge, early.mask, flips.edge, flips.mask),
            self._shape,
            runs,
        )
        log_edge, log_kind = runs.log_edge[:logged], runs.log_kind[:logged]
        if len(lost):
            # An edge that is not sampled is not damaged.
            seen = np.isin(log_edge, np.setdiff1d(lost, self._extra), invert=True)
            log_edge, log_kind = log_edge[seen], log_kind[seen]
        self._log(log_edge + self._shifts_before(log_edge), log_kind)
        return WireBatch(
            piece.words,
            runs.edge[:count],
            runs.first[: count + 1],
            runs.symbols[:symbols],
            piece.first_edge,
            piece.stop_edge,
        )

    def _symbol_at(self, words: FrameBatch, edge: int) -> int:
        """Return the symbol that is sent on an edge."""
        slot = max(0, int(words.edge.searchsorted(np.uint64(max(edge, 0)))) - 1)
        return int(symbol_at(edge, words.edge, words.word, slot, self._shape))

    # -- edges

    def _shifts_before(self, edges: Int64Column) -> int | Int64Column:
        """Return how many more symbols than edges were sampled before each."""
        if not len(self._extra) and not len(self._lost):
            return self._ordinal_shift
        # A repeated edge is sampled first, then once more.
        shifts = self._extra.searchsorted(edges) - self._lost.searchsorted(edges)
        return shifts + self._ordinal_shift

    def _sampled(self, batch: WireBatch, lost: Int64Column, extra: Int64Column) -> list[WireBatch]:
        """Cut a stretch where edges are lost or sampled twice."""
        first, stop = batch.first_edge, batch.stop_edge
        if not len(lost) and not len(extra):
            return [batch]
        lost = lost[lost.searchsorted(first) : lost.searchsorted(stop)]
        extra = extra[extra.searchsorted(first) : extra.searchsorted(stop)]
        for kind, edges in ((FaultKind.LOST_EDGE, lost), (FaultKind.EXTRA_EDGE, extra)):
            shift = self._shifts_before(edges)
            # An extra edge is the symbol after the one it repeats, if that was sampled.
            if kind is FaultKind.EXTRA_EDGE:
                shift = shift + np.isin(edges, lost, invert=True)
            self._log(edges + shift, np.full(len(edges), kind, np.uint8))
        gone = set(lost.tolist())
        parts = []
        begin = first
        for edge in np.union1d(lost, extra).tolist():
            is_extra = bool(np.isin(edge, extra))
            if edge in gone:
                parts.append((begin, edge))
                begin = edge if is_extra else edge + 1
            else:
                parts.append((begin, edge + 1))
                begin = edge
        parts.append((begin, stop))
        return [batch.part(begin, end) for begin, end in parts if begin < end]

    def _log(self, ordinal: Int64Column, kind: NDArray[np.uint8]) -> None:
        if not len(ordinal):
            return
        self._logs.append(FaultLog(ordinal, kind))
        self._injected += np.bincount(kind, minlength=len(FaultKind))
