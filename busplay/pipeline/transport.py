"""From the sender's frames to frames served: wire, receiver and FIFO, with the accounts kept.

Where faults are injected, or the receiver's timing can lose frames, or nobody knows yet whether
the receiver is in sync, frames go this way, and each of them ends in one column of the accounts.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from busplay.batch import FrameBatch
from busplay.description.board import Board
from busplay.description.faults import FaultPlan
from busplay.description.link import StrobeFraming
from busplay.engine.noisy.hit_slots import hit_slots
from busplay.engine.noisy.noisy import NoisyEngine
from busplay.engine.word_hits import WordHits
from busplay.errors import InputError
from busplay.link.layout import FrameLayout
from busplay.losses.losses import Losses
from busplay.pipeline.fault_accounts import FaultAccounts
from busplay.pipeline.frame_accounts import DeliveredFrames, FrameAccounts, SentFrames
from busplay.pipeline.totals import FaultTotals, FrameTotals
from busplay.receiver import machine as receiver_kernels
from busplay.receiver.fifo import FifoCounters, ReceiverFifo
from busplay.receiver.receiver import Receiver
from busplay.receiver.states import ReceiverLog, State
from busplay.sender.expander import expand
from busplay.wire.faulty import FaultKind, FaultyWire
from busplay.wire.streams import Hits

if TYPE_CHECKING:
    from busplay.engine.engine import FusedEngine

FUSED_FROM_FRAMES = 40_000
"""Batches from this size on may go through the fused engine, which takes long to compile.

At 8 MHz and 60 pictures a second the densest batch is 33,334 frames.
"""

NOISY_SLOTS = 2_048
"""So many slots go word by word where the fused engine finds something that is not plain."""

SYMBOL_SLOTS = 24
"""So many slots are spelled out at a time until the receiver is in sync again: it takes some 15."""

FAULT_NAMES = {
    FaultKind.FLIPPED: "flipped symbols",
    FaultKind.LATE: "late symbols",
    FaultKind.EARLY: "early symbols",
    FaultKind.STUCK: "stuck symbols",
    FaultKind.LOST_EDGE: "lost edges",
    FaultKind.EXTRA_EDGE: "extra edges",
}


@dataclass(frozen=True, slots=True)
class RunAccounts:
    """What became of every frame and every fault of a run.

    Attributes:
        frames: every store in a window, by what became of it.
        faults: every fault injected, by kind; empty where none were to be injected.
        receiver_fifo: what the receiver's FIFO saw; None where its timing cannot lose anything.
    """

    frames: FrameTotals
    faults: dict[FaultKind, FaultTotals]
    receiver_fifo: FifoCounters | None

    @property
    def is_balanced(self) -> bool:
        """Whether every sum is what its parts add up to."""
        return self.frames.balance() == 0 and not any(one.balance() for one in self.faults.values())


def edges_per_second(board: Board) -> int:
    """Return how many edges of a board's link there are in a second."""
    return (board.link.clock_hz or board.clock_hz) * board.link.edges_per_cycle


class Transport:
    """Wire, receiver and FIFO of one board, from link edge 0 or where a recording is taken up.

    Args:
        board: the description.
        receiver: of the board's layout.
        deliver: takes frames that were served in time, in order.
        step_edges: edges from a frame's start to the earliest start of the next.
        fused: gives the fused engine of the same stages, standing at an edge, for long stretches
            that no fault hits; None: there is none.
        faults: what to injected; None: nothing.
        timing: let the receiver's FIFO, service, deadline and busy times act.
        edge: link edge up to which everything has passed.

    Attributes:
        wire: with faults; None where none are injected there.
        service: the receiver's FIFO; None where it cannot lose anything.
        frames: the accounts of frames.

    Raises:
        DescriptionError: the receiver's times cannot be.
    """

    def __init__(
        self,
        board: Board,
        receiver: Receiver,
        deliver: Callable[[FrameBatch], None],
        *,
        step_edges: int,
        fused: Callable[[int], FusedEngine] | None = None,
        faults: FaultPlan | None = None,
        timing: bool = True,
        edge: int = 0,
    ) -> None:
        self._receiver = receiver
        self._deliver = deliver
        self._fused = fused
        self._noisy = NoisyEngine(receiver)
        self._layout: FrameLayout = receiver.layout
        plan = FaultPlan() if faults is None else faults
        edge_hz = edges_per_second(board)
        receiver.keeps_log = True
        self._fed_before = int(receiver.registers[receiver_kernels.FED])
        self._missed_before = receiver.counters.frames_missed
        self.wire: FaultyWire | None = None
        if plan.on_wire:
            self.wire = FaultyWire(
                self._layout,
                plan,
                edge_hz=edge_hz,
                first_edge=edge,
                first_ordinal=self._fed_before,
            )
        self.service: ReceiverFifo | None = None
        if timing:
            service = ReceiverFifo(
                board.receiver,
                edge_hz=edge_hz,
                frame_symbols=self._layout.frame_symbols,
                stalls=plan.stalls,
                seed=plan.seed,
            )
            # Damage can bring two frames nearer together than a sender would: as near as two
            # whole frames can be, and with an edge too many nearer yet.
            nearest = self._layout.frame_symbols if plan.on_wire else step_edges
            if plan.extra_edges or plan.stalls or not service.is_harmless(nearest):
                self.service = service
        sequence = board.link.field_named("sequence")
        in_sync = receiver.state is State.SYNC
        self._has_sequence = sequence is not None
        self.frames = FrameAccounts(
            sequence_bits=min(sequence.bits, 32) if sequence else 0, in_sync=in_sync
        )
        framing = board.link.framing
        release = 0 if isinstance(framing, StrobeFraming) else framing.release_frames
        self._faults = FaultAccounts(
            len(FaultKind),
            margin_symbols=(release + 2) * self._layout.frame_symbols,
            in_sync=in_sync,
        )

    @property
    def is_plain(self) -> bool:
        """Whether nothing is injected and nothing can be lost behind the receiver."""
        return self.wire is None and self.service is None

    def carries_all_right(self, edge: int) -> bool:
        """Tell whether every frame sent from `edge` on is sure to be received right.

        On a wire without faults it is so for a receiver that stands in sync between two frames
        on the slot grid, unless idle frames themselves can mislead it.
        """
        registers, geometry = self._receiver.registers, self._receiver.machine.geometry
        return (
            self.is_plain
            and self.frames.is_settled
            and int(registers[receiver_kernels.STATE]) == receiver_kernels.SYNC
            and int(registers[receiver_kernels.POSITION]) == 0
            and bool(geometry[receiver_kernels.IS_STEADY])
            and (self._layout.strobe_mask != 0 or edge % self._layout.slot_symbols == 0)
        )

    def carry(self, sent: SentFrames, *, first_edge: int, stop_edge: int) -> None:
        """Carry frames over a stretch of the wire, and deliver those that are served in time.

        As long as the receiver is in sync and no edge is lost, whole words tell all, flipped bits
        or none; else the symbols are spelled out until it is in sync again.

        Args:
            sent: frames whose slots lie in the stretch.
            first_edge, stop_edge: the stretch; it begins where the one before it stopped.
        """
        wire = self.wire
        large = len(sent) >= FUSED_FROM_FRAMES
        if wire is None:
            by_words = large or not self.is_plain
        else:
            by_words = wire.is_sparse
            wire.look(stop_edge)
        if not by_words or not self._noisy.is_usable:
            self._carry_symbols(sent, first_edge, stop_edge)
            return
        at = first_edge
        while at < stop_edge:
            limit = self._first_cut(sent, stop_edge)
            while at < limit and self._noisy.is_in_sync(at):
                before = at
                sent, at = self._carry_words(sent, at, limit, large=large)
                if at == before:
                    break
            if at < stop_edge:
                end = min(stop_edge, at + SYMBOL_SLOTS * self._layout.slot_symbols)
                end = self._uncut(sent, end)
                count = int(np.searchsorted(sent.edge, np.uint64(end)))
                self._carry_symbols(sent.first(count), at, end)
                sent, at = sent.after(count), end

    def _first_cut(self, sent: SentFrames, stop_edge: int) -> int:
        """Return the start of the slot in which an edge is first lost or sampled twice."""
        cut = self.wire.next_cut if self.wire is not None else stop_edge
        return self._slot_start(sent, cut, stop_edge)

    def _slot_start(self, sent: SentFrames, edge: int, stop_edge: int) -> int:
        """Return the start of the slot an edge lies in, or the end of the stretch before it."""
        if edge >= stop_edge:
            return stop_edge
        slot = self._layout.slot_symbols
        before = int(np.searchsorted(sent.edge, np.uint64(edge), side="right")) - 1
        if before >= 0 and int(sent.edge[before]) + slot > edge:
            return int(sent.edge[before])
        return edge - edge % slot if self._layout.link.start == "slot" else edge

    def _uncut(self, sent: SentFrames, edge: int) -> int:
        """Return an edge, or the end of the frame that it lies in."""
        before = int(np.searchsorted(sent.edge, np.uint64(edge))) - 1
        return (
            max(edge, int(sent.edge[before]) + self._layout.slot_symbols) if before >= 0 else edge
        )

    def _carry_words(
        self, sent: SentFrames, at: int, limit: int, *, large: bool
    ) -> tuple[SentFrames, int]:
        """Carry frames in sync over a stretch where no edge is lost; give what is left of them."""
        hits = Hits.none() if self.wire is None else self.wire.flips_before(limit)
        if large and self.service is None and self.frames.is_settled and self._fused is not None:
            left, edge = self._carry_fused(self._fused(at), sent, limit, hits)
            if edge > at:
                return left, edge
            # What stopped it is one frame; behind it, it can go on.
            limit = min(limit, self._uncut(sent, at + NOISY_SLOTS * self._layout.slot_symbols))
            hits = hits.before(limit)
        count = int(np.searchsorted(sent.edge, np.uint64(limit)))
        carried = self._noisy.carry(
            FrameBatch(sent.edge[:count], sent.word[:count]),
            hits.edge,
            hits.mask,
            first_edge=at,
            stop_edge=limit,
        )
        if self.wire is not None:
            self.wire.pass_flips(carried.hits)
        self._arrive(sent.first(carried.frames), carried.delivered, stop_edge=carried.edge)
        return sent.after(carried.frames), carried.edge

    def _carry_fused(
        self, engine: FusedEngine, sent: SentFrames, limit: int, hits: Hits
    ) -> tuple[SentFrames, int]:
        """Carry as much as the fused engine takes; what it delivers is sure to be right."""
        count = int(np.searchsorted(sent.edge, np.uint64(limit)))
        frames = FrameBatch(sent.edge[:count], sent.word[:count])
        hit = hit_slots(self._layout, frames, hits.edge, hits.mask)
        taken, taken_hits = engine.feed_hit(hit.frames, WordHits(hit.place, hit.error))
        edge = engine.edge
        if not taken:
            return sent, edge
        count = int(np.searchsorted(sent.edge, np.uint64(edge)))
        failed = hit.sent[:taken_hits]
        self.frames.add_in_sync(sent.first(count), failed[failed >= 0])
        if self.wire is not None:
            self.wire.pass_flips(len(hits.before(edge)))
            self._enter_faults(self._receiver.take_log())
        return sent.after(count), edge

    def _carry_symbols(self, sent: SentFrames, first_edge: int, stop_edge: int) -> None:
        """Carry frames symbol by symbol, with whatever happens to them."""
        frames = FrameBatch(sent.edge, sent.word)
        batch = expand(frames, self._layout, first_edge=first_edge, stop_edge=stop_edge)
        receiver = self._receiver
        if self.wire is None:
            delivered = receiver.feed(batch)
        else:
            delivered = FrameBatch.joined([receiver.feed(part) for part in self.wire.feed(batch)])
            stop_edge -= self.wire.held_edges
        self._arrive(sent, delivered, stop_edge=stop_edge)

    def _arrive(self, sent: SentFrames, delivered: FrameBatch, *, stop_edge: int) -> None:
        """Serve what was delivered, show it, and enter all that happened."""
        receiver = self._receiver
        log = receiver.take_log()
        if self.service is None:
            served = delivered
            nothing = np.zeros(len(delivered), np.uint8)
            got = DeliveredFrames(delivered.edge, delivered.word, nothing, nothing)
        else:
            result = self.service.feed(delivered)
            served = result.frames
            got = DeliveredFrames(delivered.edge, delivered.word, result.fate, result.busy)
        self.frames.feed(sent, got, log, settled_edge=receiver.settled_edge(stop_edge))
        self._enter_faults(log)
        self._deliver(served)

    def _enter_faults(self, log: ReceiverLog) -> None:
        """Enter what the wire injected and what the receiver saw meanwhile."""
        if self.wire is None:
            return
        faults = self.wire.take_log()
        fed = int(self._receiver.registers[receiver_kernels.FED])
        self._faults.feed(faults.ordinal, faults.kind, log, symbols_fed=fed)

    def settled_edge(self, edge: int) -> int:
        """Return the edge before which no frame to come begins, all up to `edge` being carried."""
        held = 0 if self.wire is None else self.wire.held_edges
        return self._receiver.settled_edge(edge - held)

    @property
    def losses(self) -> Losses:
        """The first stores that were not received right."""
        return self.frames.losses

    def accounts(self, *, stores: int) -> RunAccounts:
        """Return the accounts as they stand.

        Args:
            stores: that were offered to the sender since the transport was made.
        """
        seen = self._receiver.counters
        missed = seen.frames_missed - self._missed_before if self._has_sequence else None
        faults: dict[FaultKind, FaultTotals] = {}
        if self.wire is not None:
            judged = int(self._receiver.registers[receiver_kernels.FED]) - seen.pending_symbols
            totals = self._faults.totals(symbols_judged=judged)
            faults = {kind: totals[kind] for kind in FAULT_NAMES}
        return RunAccounts(
            frames=self.frames.totals(stores=stores, missed_by_sequence=missed),
            faults=faults,
            receiver_fifo=None if self.service is None else self.service.counters,
        )

    def state(self) -> bytes | None:
        """Return the FIFO's state, for a trace's key frame; None where it needs none."""
        return None if self.service is None else self.service.snapshot()

    def restore(self, state: bytes | None, *, edge: int) -> None:
        """Take up a FIFO's state as of a link edge; without one it is empty.

        Raises:
            InputError: it is not that of this board's receiver.
        """
        if state is None or self.service is None:
            return
        try:
            self.service.restore(state, edge=edge)
        except ValueError as error:
            raise InputError(
                place="state of the receiver's FIFO",
                found=str(error),
                wanted="record the trace anew",
            ) from error
