"""The wire between the two ends, with faults put in.

How to think about it. The wire takes a stretch as the sender spelled it and gives the stretches
that the receiver samples. Flips, late and stuck lanes change symbols; a lost or an extra edge
changes no symbol but cuts the stretch: a receiver that is fed edges up to f and then from f + 1
on never saw edge f, and one that is fed up to f + 1 and then from f on saw it twice. So edges
stay the sender's, which is link time, and the slot grid stays where it is.

Each symbol that a fault changed, each edge lost and each edge put in is one entry of the log,
with its place in the row of symbols that the receiver samples: what became of it is told by
what the receiver did with that symbol.

Idle time costs nothing where no fault hits it. A lane that is stuck or late all the time hits
every idle slot that it changes.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from busplay.batch import SymbolBatch, SymbolColumn
from busplay.description.faults import FaultPlan, Span
from busplay.description.link import StrobeFraming
from busplay.errors import InputError
from busplay.link.layout import FrameLayout
from busplay.units import NS_PER_S, Ratio
from busplay.wire import kernels
from busplay.wire.streams import NEVER, EdgeStream, FlipStream, Hits, Int64Column, generator

# Bits are counted in 64 bits, up to 17 of them an edge.
LAST_EDGE = 1 << 57
# A lane that is hurt all the time has every slot spelled out; so many at once.
PIECE_SLOTS = 1 << 15


class FaultKind(IntEnum):
    """What was put in."""

    LATE = kernels.LATE
    FLIPPED = kernels.FLIPPED
    STUCK = kernels.STUCK
    LOST_EDGE = 3
    EXTRA_EDGE = 4


@dataclass(frozen=True, slots=True, eq=False)
class FaultLog:
    """Faults that were put in, in the order in which the receiver meets them.

    Attributes:
        ordinal: int64[faults]; which of the symbols that the receiver samples is concerned, from
            0: the changed one, the extra one, or the one that follows the lost ones.
        kind: uint8[faults]; a `FaultKind`.
    """

    ordinal: Int64Column
    kind: NDArray[np.uint8]

    def __len__(self) -> int:
        return len(self.ordinal)


@dataclass(frozen=True, slots=True)
class _Dense:
    """What hurts every edge of a piece."""

    late: int = 0
    stuck: int = 0
    level: int = 0

    def __bool__(self) -> bool:
        return bool(self.late or self.stuck)


class FaultyWire:
    """A link's wires with faults put in as a plan says.

    Args:
        layout: the link's frame.
        plan: what to put in; its stalls are the receiver's business.
        edge_hz: edges in a second, for times.
        first_edge: edge from which the wire is fed.
        first_ordinal: symbols that the receiver has sampled before.

    Attributes:
        faults_put_in: symbols that were changed, edges that were lost and that were put in, by
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
        self.faults_put_in = dict.fromkeys(FaultKind, 0)
        self._bits: Int64Column = np.zeros(3, np.int64)
        self._edges_of_ns = Ratio.of(edge_hz, NS_PER_S)
        self._idle = np.ascontiguousarray(layout.idle_symbols)
        self._wires = layout.lanes + isinstance(layout.link.framing, StrobeFraming)
        self._before = int(self._idle[(first_edge - 1) % len(self._idle)])
        self._ordinal_shift = first_ordinal - first_edge
        self._late = self._flipped = Hits.none()
        self._gone: Int64Column = np.empty(0, np.int64)
        self._lost: Int64Column = np.empty(0, np.int64)
        self._extra: Int64Column = np.empty(0, np.int64)
        self._looked_at = first_edge
        self._logs: list[FaultLog] = []
        self._make_streams()
        # A run that is taken up in the middle has had the faults before it.
        if first_edge:
            self._looked_at = 0
            self.look(first_edge)
            self._forget(first_edge)

    def _make_streams(self) -> None:
        plan = self.plan
        self._flips = []
        for index, flips in enumerate(plan.bit_flips):
            first, stop = self._edges_of(flips.span)
            self._flips.append(
                FlipStream(
                    generator(plan.seed, 0, index),
                    generator(plan.seed, 1, index),
                    flips.ratio,
                    wires=flips.lanes or tuple(range(self._wires)),
                    burst_edges=flips.burst_edges,
                    burst_ratio=flips.burst_ratio,
                    first_edge=first,
                    stop_edge=stop,
                )
            )
        # A lane that is always late is dense; what comes by chance has a stream.
        self._lates: list[tuple[int, EdgeStream]] = []
        self._dense: list[tuple[int, int, _Dense]] = []
        for index, late in enumerate(plan.late_lanes):
            first, stop = self._edges_of(late.span)
            if late.ratio == 1:
                self._dense.append((first, stop, _Dense(late=1 << late.lane)))
                continue
            random = generator(plan.seed, 2, index)
            stream = EdgeStream(random, late.ratio, first_edge=first, stop_edge=stop)
            self._lates.append((1 << late.lane, stream))
        for stuck in plan.stuck_lanes:
            wire = 1 << stuck.lane
            self._dense.append(
                (*self._edges_of(stuck.span), _Dense(stuck=wire, level=wire * stuck.level))
            )
        self._losses: list[tuple[int, EdgeStream]] = []
        for index, lost in enumerate(plan.lost_edges):
            first, stop = self._edges_of(lost.span)
            random = generator(plan.seed, 3, index)
            stream = EdgeStream(
                random, lost.ratio, first_edge=first, stop_edge=stop, at_edges=lost.at_edges
            )
            self._losses.append((lost.count, stream))
        self._extras = []
        for index, extra in enumerate(plan.extra_edges):
            first, stop = self._edges_of(extra.span)
            random = generator(plan.seed, 4, index)
            self._extras.append(
                EdgeStream(
                    random, extra.ratio, first_edge=first, stop_edge=stop, at_edges=extra.at_edges
                )
            )

    def _edges_of(self, span: Span) -> tuple[int, int]:
        first = min(self._edges_of_ns.ceil(span.first_ns), NEVER)
        if span.stop_ns is None:
            return first, NEVER
        return first, min(self._edges_of_ns.ceil(span.stop_ns), NEVER)

    @property
    def bits_damaged(self) -> dict[FaultKind, int]:
        """How many bits late lanes, flips and stuck lanes changed."""
        return {FaultKind(kind): int(count) for kind, count in enumerate(self._bits)}

    def take_log(self) -> FaultLog:
        """Give the faults put in since the last call."""
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
            out, or take one twice.

        Raises:
            InputError: the stretch reaches past `LAST_EDGE`.
        """
        if batch.stop_edge > LAST_EDGE:
            raise InputError(
                found=f"link edge {batch.stop_edge}",
                wanted=f"faults can be put in up to edge {LAST_EDGE}",
            )
        stop_edge = batch.stop_edge
        self.look(stop_edge)
        late, flips = self._late.before(stop_edge), self._flipped.before(stop_edge)
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
            hits = _between(late, first, stop), _between(flips, first, stop)
            if dense or len(hits[0]) or len(hits[1]):
                slots, symbols = self._damaged(slots, symbols, first, stop, dense, *hits, lost)
            self._before = self._last_symbol(edges[piece], batch.symbols, done, stop)
            whole = SymbolBatch(slots.view(np.uint64), symbols, first, stop)
            sampled += self._sampled(whole, lost, extra)
            done = begun
            if done and edges[done - 1] + len(self._idle) > stop:
                done -= 1
        self._ordinal_shift += len(extra) - len(lost)
        self._forget(stop_edge)
        return sampled

    # -- what is to come

    @property
    def is_sparse(self) -> bool:
        """Whether nothing but bits that flip and edges that are lost or added is put in."""
        return not self._dense and not self._lates

    def look(self, stop_edge: int) -> None:
        """Find all that happens before an edge; it stays to be put in."""
        if stop_edge <= self._looked_at:
            return
        self._looked_at = stop_edge
        late, flipped = self._take_hits(stop_edge)
        self._late = Hits.joined([self._late, late])
        self._flipped = Hits.joined([self._flipped, flipped.combined()])
        self._take_edges(stop_edge)

    def _forget(self, stop_edge: int) -> None:
        """Drop what happened before an edge."""
        self._late = self._late.after(len(self._late.before(stop_edge)))
        self._flipped = self._flipped.after(len(self._flipped.before(stop_edge)))
        self._lost = self._lost[np.searchsorted(self._lost, stop_edge) :]
        self._extra = self._extra[np.searchsorted(self._extra, stop_edge) :]

    @property
    def next_cut(self) -> int:
        """The first edge, of those looked at, that is lost or sampled twice."""
        return min((int(cuts[0]) for cuts in (self._lost, self._extra) if len(cuts)), default=NEVER)

    def flips_before(self, stop_edge: int) -> Hits:
        """Give the bits, of the edges looked at, that flip before an edge."""
        return self._flipped.before(stop_edge)

    def pass_flips(self, count: int) -> None:
        """Enter the next flips as put in, by somebody who carried symbols in the wire's place."""
        if not count:
            return
        hits = Hits(self._flipped.edge[:count], self._flipped.mask[:count])
        self._flipped = self._flipped.after(count)
        self._bits[kernels.FLIPPED] += int(np.bitwise_count(hits.mask).sum())
        self._log(hits.edge + self._ordinal_shift, np.full(count, FaultKind.FLIPPED, np.uint8))

    # -- symbols

    def _take_hits(self, stop_edge: int) -> tuple[Hits, Hits]:
        late = []
        for mask, stream in self._lates:
            edge = stream.take(stop_edge)
            late.append(Hits(edge, np.full(len(edge), mask, np.uint64)))
        return Hits.joined(late), Hits.joined([stream.take(stop_edge) for stream in self._flips])

    def _pieces(self, first_edge: int, stop_edge: int) -> list[tuple[int, int, _Dense]]:
        """Cut a stretch where something that hurts every edge begins or ends."""
        if not self._dense:
            return [(first_edge, stop_edge, _Dense())]
        cuts = {first_edge, stop_edge}
        for first, stop, _ in self._dense:
            cuts |= {edge for edge in (first, stop) if first_edge < edge < stop_edge}
        bounds = sorted(cuts)
        pieces = []
        for first, stop in pairwise(bounds):
            late = stuck = level = 0
            for begin, end, dense in self._dense:
                if begin <= first < end:
                    # Of two levels that one wire is stuck at the later in the plan wins.
                    late |= dense.late
                    stuck |= dense.stuck
                    level = level & ~dense.stuck | dense.level
            now = _Dense(late, stuck, level)
            step = PIECE_SLOTS * len(self._idle) if self._changes_idle(now) else stop - first
            pieces += [(at, min(at + step, stop), now) for at in range(first, stop, step)]
        return pieces

    def _changes_idle(self, dense: _Dense) -> bool:
        idle = self._idle.astype(np.uint64)
        late = np.uint64(dense.late)
        hurt = (idle & ~late) | (np.roll(idle, 1) & late)
        hurt = (hurt & ~np.uint64(dense.stuck)) | np.uint64(dense.level)
        return bool((hurt != idle).any())

    def _damaged(
        self,
        slots: Int64Column,
        symbols: SymbolColumn,
        first: int,
        stop: int,
        dense: _Dense,
        late: Hits,
        flips: Hits,
        lost: Int64Column,
    ) -> tuple[Int64Column, SymbolColumn]:
        """Spell out what is hit, damage it, and log it."""
        slot = len(self._idle)
        touched = [late.edge, flips.edge]
        if dense.late:
            # A frame's last symbol shows once more on the late lane.
            touched += [slots + slot, np.array([first])]
        hit = np.unique(np.concatenate(touched))
        spells_all = self._changes_idle(dense)
        room = len(slots) + len(hit) + 1
        if spells_all:
            room = (stop - first) // slot + 2 * len(slots) + 2
        edge, source = np.empty(room, np.int64), np.empty(room, np.int64)
        count = kernels.lay_out(slots, hit, first, stop, slot, spells_all, edge, source)
        edge, source = edge[:count].copy(), source[:count]
        out = np.empty(count * slot, symbols.dtype)
        kernels.fill(edge, source, np.ascontiguousarray(symbols), self._idle, out)
        entries = 3 * count * slot if dense else len(late) + len(flips)
        log_edge, log_kind = np.empty(entries, np.int64), np.empty(entries, np.uint8)
        bits = self._bits.copy()
        found = kernels.damage(
            edge,
            out,
            self._idle,
            first,
            stop,
            self._before,
            dense.late,
            dense.stuck,
            dense.level,
            late.edge,
            late.mask,
            flips.edge,
            flips.mask,
            log_edge,
            log_kind,
            bits,
        )
        self._bits = bits
        log_edge, log_kind = log_edge[:found], log_kind[:found]
        if len(lost):
            # What nobody samples is not damaged.
            seen = np.isin(log_edge, np.setdiff1d(lost, self._extra), invert=True)
            log_edge, log_kind = log_edge[seen], log_kind[seen]
        shift = self._ordinal_shift + self._shifts_before(log_edge)
        self._log(log_edge + shift, log_kind)
        return edge, out

    def _last_symbol(
        self, slots: Int64Column, symbols: SymbolColumn, first_slot: int, stop: int
    ) -> int:
        """Give the symbol that was sent on the edge before `stop`."""
        slot = len(self._idle)
        if len(slots) and slots[-1] + slot >= stop:
            place = (first_slot + len(slots) - 1) * slot + stop - 1 - int(slots[-1])
            return int(symbols[place])
        return int(self._idle[(stop - 1) % slot])

    # -- edges

    def _take_edges(self, stop_edge: int) -> None:
        """Find the edges before `stop_edge` that are lost and that are sampled twice."""
        parts = [self._gone]
        for count, stream in self._losses:
            begun = stream.take(stop_edge)
            if len(begun):
                parts.append((begun[:, None] + np.arange(count)).reshape(-1))
        lost = np.unique(np.concatenate(parts))
        cut = int(np.searchsorted(lost, stop_edge))
        self._lost, self._gone = np.union1d(self._lost, lost[:cut]), lost[cut:]
        for each in self._extras:
            self._extra = np.union1d(self._extra, each.take(stop_edge))

    def _shifts_before(self, edges: Int64Column) -> Int64Column:
        """Give how many more symbols than edges the receiver sampled, of this stretch, before."""
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
            self.faults_put_in[one] += int(counts[one])


def _between(hits: Hits, first: int, stop: int) -> Hits:
    low, high = np.searchsorted(hits.edge, (first, stop))
    return Hits(hits.edge[low:high], hits.mask[low:high])
