"""The wire between the two ends, with faults injected.

How to think about it. The wire takes a stretch as the sender spelled it and gives the stretches
that the receiver samples. Flips, late, early and stuck lanes change symbols; a lost or an extra
edge changes no symbol but cuts the stretch: a receiver that is fed edges up to f and then from
f + 1 on never saw edge f, and one that is fed up to f + 1 and then from f on saw it twice. So edges
stay the sender's, which is link time, and the slot grid stays where it is.

Each symbol that a fault changed, each edge lost and each edge injected is one entry of the log,
with its place in the row of symbols that the receiver samples: what became of it is told by
what the receiver did with that symbol.

A lane that is early shows what is sent on the next edge, which nobody knows yet at the end of a
stretch: with such a lane the wire keeps a stretch's last edge for the next one.

Idle time costs nothing where no fault hits it. A lane that is stuck, late or early all the time
hits every idle slot that it changes.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from busplay.batch import SymbolBatch, SymbolColumn
from busplay.description.faults import FaultPlan
from busplay.description.link import StrobeFraming
from busplay.errors import InputError
from busplay.link.layout import FrameLayout
from busplay.wire import damage
from busplay.wire.schedule import Dense, Schedule
from busplay.wire.streams import NEVER, Hits, Int64Column

# Bits are counted in 64 bits, up to 17 of them an edge.
LAST_EDGE = 1 << 57
# A lane that is hurt all the time has every slot spelled out; so many at once.
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
        ordinal: int64[faults]; which of the symbols that the receiver samples is concerned, from
            0: the changed one, the extra one, or the one that follows the lost ones.
        kind: uint8[faults]; a `FaultKind`.
    """

    ordinal: Int64Column
    kind: NDArray[np.uint8]

    def __len__(self) -> int:
        return len(self.ordinal)


@dataclass(frozen=True, slots=True, eq=False)
class _LaneHits:
    """What hits single edges of a stretch."""

    late: Hits
    early: Hits
    flips: Hits

    def __len__(self) -> int:
        return len(self.late) + len(self.early) + len(self.flips)

    def between(self, first: int, stop: int) -> _LaneHits:
        return _LaneHits(
            _between(self.late, first, stop),
            _between(self.early, first, stop),
            _between(self.flips, first, stop),
        )


class FaultyWire:
    """A link's wires with faults injected as a plan says.

    Args:
        layout: the link's frame.
        plan: what to injected; its stalls are the receiver's business.
        edge_hz: edges in a second, for times.
        first_edge: edge from which the wire is fed.
        first_ordinal: symbols that the receiver has sampled before.

    Attributes:
        faults_injected: symbols that were changed, edges that were lost and that were injected, by
            kind.
    """

    def __init__(
        self,
        layout: FrameLayout,
        plan: FaultPlan,
        *,
        edge_hz: int,
        first_edge: int = 0,
        first_ordinal: int = 0,
    ) -> None:
        self.layout = layout
        self.plan = plan
        self.faults_injected = dict.fromkeys(FaultKind, 0)
        self._idle = np.ascontiguousarray(layout.idle_symbols)
        wires = layout.lanes + isinstance(layout.link.framing, StrobeFraming)
        self._schedule = Schedule(plan, edge_hz=edge_hz, wires=wires)
        self._before = int(self._idle[(first_edge - 1) % len(self._idle)])
        self._ordinal_shift = first_ordinal - first_edge
        self._late = self._early = self._flipped = Hits.none()
        self._held: SymbolBatch | None = None
        self._lost: Int64Column = np.empty(0, np.int64)
        self._extra: Int64Column = np.empty(0, np.int64)
        self._looked_at = first_edge
        self._logs: list[FaultLog] = []
        # A run that is taken up in the middle has had the faults before it.
        if first_edge:
            self._looked_at = 0
            self.look(first_edge)
            self._forget(first_edge)

    def take_log(self) -> FaultLog:
        """Return the faults injected since the last call."""
        logs, self._logs = self._logs, []
        if not logs:
            return FaultLog(np.empty(0, np.int64), np.empty(0, np.uint8))
        ordinal = np.concatenate([log.ordinal for log in logs])
        kind = np.concatenate([log.kind for log in logs])
        order = np.argsort(ordinal, kind="stable")
        return FaultLog(ordinal[order], kind[order])

    def feed(self, batch: SymbolBatch) -> list[SymbolBatch]:
        """Carry a stretch of the wire.

        Args:
            batch: begins where the one before it stopped.

        Returns:
            What the receiver samples, in order: stretches that follow each other, leave an edge
            out, or take one twice; all but the `held_edges` last.

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
            batch = self._part(whole, whole.first_edge, whole.stop_edge - 1)
            self._held = self._part(whole, whole.stop_edge - 1, whole.stop_edge)
        stop_edge = batch.stop_edge
        hits = _LaneHits(
            self._late.before(stop_edge),
            self._early.before(stop_edge),
            self._flipped.before(stop_edge),
        )
        lost = self._lost[: np.searchsorted(self._lost, stop_edge)]
        extra = self._extra[: np.searchsorted(self._extra, stop_edge)]
        sampled: list[SymbolBatch] = []
        edges = batch.edge.view(np.int64)
        done = 0
        for first, stop, dense in self._pieces(batch.first_edge, batch.stop_edge):
            # Slots from `done` on reach past `first`; the last of them may reach past `stop`.
            begun = int(np.searchsorted(edges, stop))
            piece = slice(done, begun)
            slots = edges[piece]
            symbols = batch.symbols[done * len(self._idle) : begun * len(self._idle)]
            here = hits.between(first, stop)
            if dense or len(here):
                after = self._symbol_at(whole, stop) if self.plan.early_lanes else 0
                slots, symbols = self._damaged(
                    slots, symbols, first, stop, dense, here, lost, after=after
                )
            self._before = self._symbol_at(batch, stop - 1)
            damaged = SymbolBatch(slots.view(np.uint64), symbols, first, stop)
            sampled += self._sampled(damaged, lost, extra)
            done = begun
            if done and edges[done - 1] + len(self._idle) > stop:
                done -= 1
        self._ordinal_shift += len(extra) - len(lost)
        self._forget(stop_edge)
        return sampled

    @property
    def held_edges(self) -> int:
        """How many of the last edges fed wait for what follows: 1 with an early lane, else 0."""
        return int(self._held is not None)

    def _with_held(self, batch: SymbolBatch) -> SymbolBatch:
        """Put the edge that was kept before a stretch."""
        held = self._held
        if held is None:
            return batch
        return SymbolBatch(
            np.concatenate([held.edge, batch.edge]),
            np.concatenate([held.symbols, batch.symbols]),
            held.first_edge,
            batch.stop_edge,
        )

    # -- what is to come

    @property
    def is_sparse(self) -> bool:
        """Whether nothing but bits that flip and edges that are lost or added is injected."""
        return self._schedule.is_sparse

    def look(self, stop_edge: int) -> None:
        """Find all that happens before an edge; it stays to be injected."""
        if stop_edge <= self._looked_at:
            return
        self._looked_at = stop_edge
        schedule = self._schedule
        self._late = Hits.joined([self._late, schedule.take_late(stop_edge)])
        self._early = Hits.joined([self._early, schedule.take_early(stop_edge)])
        self._flipped = Hits.joined([self._flipped, schedule.take_flips(stop_edge)])
        lost, extra = schedule.take_lost(stop_edge), schedule.take_extra(stop_edge)
        if len(lost):
            self._lost = np.union1d(self._lost, lost)
        if len(extra):
            self._extra = np.union1d(self._extra, extra)

    def _forget(self, stop_edge: int) -> None:
        """Drop what happened before an edge."""
        self._late = self._late.after(len(self._late.before(stop_edge)))
        self._early = self._early.after(len(self._early.before(stop_edge)))
        self._flipped = self._flipped.after(len(self._flipped.before(stop_edge)))
        self._lost = self._lost[np.searchsorted(self._lost, stop_edge) :]
        self._extra = self._extra[np.searchsorted(self._extra, stop_edge) :]

    @property
    def next_cut(self) -> int:
        """The first edge, of those looked at, that is lost or sampled twice."""
        return min((int(cuts[0]) for cuts in (self._lost, self._extra) if len(cuts)), default=NEVER)

    def flips_before(self, stop_edge: int) -> Hits:
        """Return the bits, of the edges looked at, that flip before an edge."""
        return self._flipped.before(stop_edge)

    def pass_flips(self, count: int) -> None:
        """Enter the next flips as injected, by somebody who carried symbols in the wire's place."""
        if not count:
            return
        edge = self._flipped.edge[:count]
        self._flipped = self._flipped.after(count)
        self._log(edge + self._ordinal_shift, np.full(count, FaultKind.FLIPPED, np.uint8))

    # -- symbols

    def _pieces(self, first_edge: int, stop_edge: int) -> list[tuple[int, int, Dense]]:
        """Cut a stretch where something that hurts every edge begins or ends."""
        if not self._schedule.dense:
            return [(first_edge, stop_edge, Dense())]
        cuts = {first_edge, stop_edge}
        for first, stop, _ in self._schedule.dense:
            cuts |= {edge for edge in (first, stop) if first_edge < edge < stop_edge}
        bounds = sorted(cuts)
        pieces = []
        for first, stop in pairwise(bounds):
            late = early = stuck = level = 0
            for begin, end, dense in self._schedule.dense:
                if begin <= first < end:
                    # Of two levels that one wire is stuck at the later in the plan wins.
                    late |= dense.late
                    early |= dense.early
                    stuck |= dense.stuck
                    level = level & ~dense.stuck | dense.level
            now = Dense(late, early, stuck, level)
            step = PIECE_SLOTS * len(self._idle) if self._changes_idle(now) else stop - first
            pieces += [(at, min(at + step, stop), now) for at in range(first, stop, step)]
        return pieces

    def _changes_idle(self, dense: Dense) -> bool:
        idle = self._idle.astype(np.uint64)
        late = np.uint64(dense.late)
        early = np.uint64(dense.early) & ~late
        hurt = (idle & ~late & ~early) | (np.roll(idle, 1) & late) | (np.roll(idle, -1) & early)
        hurt = (hurt & ~np.uint64(dense.stuck)) | np.uint64(dense.level)
        return bool((hurt != idle).any())

    def _damaged(
        self,
        slots: Int64Column,
        symbols: SymbolColumn,
        first: int,
        stop: int,
        dense: Dense,
        hits: _LaneHits,
        lost: Int64Column,
        *,
        after: int,
    ) -> tuple[Int64Column, SymbolColumn]:
        """Spell out what is hit, damage it, and log it."""
        slot = len(self._idle)
        touched = [hits.late.edge, hits.early.edge, hits.flips.edge]
        if dense.late:
            # A frame's last symbol shows once more on the late lane.
            touched += [slots + slot, np.array([first])]
        if dense.early:
            # And its first symbol shows an edge before the frame on the early one.
            touched += [slots - 1, np.array([stop - 1])]
        hit = np.unique(np.concatenate(touched))
        spells_all = self._changes_idle(dense)
        room = len(slots) + len(hit) + 1
        if spells_all:
            room = (stop - first) // slot + 2 * len(slots) + 2
        edge, source = np.empty(room, np.int64), np.empty(room, np.int64)
        count = damage.lay_out(slots, hit, first, stop, slot, spells_all, edge, source)
        edge, source = edge[:count].copy(), source[:count]
        out = np.empty(count * slot, symbols.dtype)
        damage.fill(edge, source, np.ascontiguousarray(symbols), self._idle, out)
        entries = damage.KINDS * count * slot if dense else len(hits)
        log_edge, log_kind = np.empty(entries, np.int64), np.empty(entries, np.uint8)
        found = damage.damage(
            edge,
            out,
            self._idle,
            first,
            stop,
            self._before,
            after,
            dense.late,
            dense.early,
            dense.stuck,
            dense.level,
            hits.late.edge,
            hits.late.mask,
            hits.early.edge,
            hits.early.mask,
            hits.flips.edge,
            hits.flips.mask,
            log_edge,
            log_kind,
        )
        log_edge, log_kind = log_edge[:found], log_kind[:found]
        if len(lost):
            # What nobody samples is not damaged.
            seen = np.isin(log_edge, np.setdiff1d(lost, self._extra), invert=True)
            log_edge, log_kind = log_edge[seen], log_kind[seen]
        shift = self._ordinal_shift + self._shifts_before(log_edge)
        self._log(log_edge + shift, log_kind)
        return edge, out

    def _symbol_at(self, batch: SymbolBatch, edge: int) -> int:
        """Return the symbol that was sent on an edge of a stretch."""
        slot = len(self._idle)
        index = int(np.searchsorted(batch.edge.view(np.int64), edge, side="right")) - 1
        if index >= 0:
            place = edge - int(batch.edge[index])
            if place < slot:
                return int(batch.symbols[index * slot + place])
        return int(self._idle[edge % slot])

    # -- edges

    def _shifts_before(self, edges: Int64Column) -> Int64Column:
        """Return how many more symbols than edges the receiver sampled, of this stretch, before."""
        # An edge that is hit itself is sampled first, then once more.
        more = np.searchsorted(self._extra, edges, side="left")
        return (more - np.searchsorted(self._lost, edges, side="left")).astype(np.int64)

    def _sampled(
        self, batch: SymbolBatch, lost: Int64Column, extra: Int64Column
    ) -> list[SymbolBatch]:
        """Cut a stretch where edges are lost or sampled twice."""
        first, stop = batch.first_edge, batch.stop_edge
        lost = lost[np.searchsorted(lost, first) : np.searchsorted(lost, stop)]
        extra = extra[np.searchsorted(extra, first) : np.searchsorted(extra, stop)]
        if not len(lost) and not len(extra):
            return [batch]
        for kind, edges in ((FaultKind.LOST_EDGE, lost), (FaultKind.EXTRA_EDGE, extra)):
            shift = self._ordinal_shift + self._shifts_before(edges)
            # An extra edge is the symbol after the one it repeats, if that was sampled.
            if kind is FaultKind.EXTRA_EDGE:
                shift += np.isin(edges, lost, invert=True)
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
        return [self._part(batch, begin, end) for begin, end in parts if begin < end]

    def _part(self, batch: SymbolBatch, first: int, stop: int) -> SymbolBatch:
        slot = len(self._idle)
        edges = batch.edge.view(np.int64)
        low = int(np.searchsorted(edges, first - slot, side="right"))
        high = int(np.searchsorted(edges, stop))
        return SymbolBatch(
            batch.edge[low:high], batch.symbols[low * slot : high * slot], first, stop
        )

    def _log(self, ordinal: Int64Column, kind: NDArray[np.uint8]) -> None:
        if not len(ordinal):
            return
        self._logs.append(FaultLog(ordinal, kind))
        counts = np.bincount(kind, minlength=len(FaultKind))
        for one in FaultKind:
            self.faults_injected[one] += int(counts[one])


def _between(hits: Hits, first: int, stop: int) -> Hits:
    low, high = np.searchsorted(hits.edge, (first, stop))
    return Hits(hits.edge[low:high], hits.mask[low:high])
