"""The pipeline after the core: sender, wire, receiver and displays of one board, joined.

Live programs, stores from other emulators and replayed traces all go through this one
object. `feed` takes stores and `feed_frames` takes frames already made by a sender; from
the wire on they are the same.

When `feed` returns, every store of the batch has arrived or is counted as lost: the pipeline runs
ahead of the processor by the few slots that the sender FIFO still holds. So batch boundaries
affect neither the frames nor the screen.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from busplay.batch import (
    NO_SPANS,
    DeliveredFrames,
    FrameBatch,
    Int64Column,
    StoreBatch,
    UInt8Column,
    UInt32Column,
    UInt64Column,
    WireBatch,
)
from busplay.description.board import Board
from busplay.description.faults import Faults
from busplay.display.bank import NO_REFRESHES, DisplayBank
from busplay.display.display import Display
from busplay.display.writes import NOT_COUNTED, WriteCounts
from busplay.errors import InputError
from busplay.link.layout import FrameLayout
from busplay.losses.latest import LatestLosses
from busplay.losses.losses import Losses
from busplay.pipeline.accounts import Accounts, RunAccounts
from busplay.pipeline.frame_accounts import ReceivedFrames, SentFrames
from busplay.pipeline.refreshes import Refreshes
from busplay.receiver.counters import ReceiverCounters
from busplay.receiver.fifo import ReceiverFifo
from busplay.receiver.receiver import Receiver
from busplay.receiver.states import State
from busplay.sender.encoder import Encoder, LostStores
from busplay.wire.faulty import FaultyWire

RECEIVER_STATE = "receiver"
FIFO_STATE = "service"
UNIT_STATE = "unit "
NO_FAULTS = Faults()


@dataclass(frozen=True, slots=True)
class PipelineCounters:
    """What went in, what came out and what was lost.

    Attributes:
        stores: stores in windows that were offered to the sender.
        frames_sent: frames that left the sender, idle ones not counted.
        frames_overrun: stores lost because the sender FIFO was full.
        receiver: the receiver's counts.
        writes_outside: delivered frames whose offset or unit does not exist.
        accounts: what became of every frame and every fault.
        overrun_before, late_before: frames lost at the receiver FIFO, and served late, before the
            accounts began, as they do at a jump.
    """

    stores: int
    frames_sent: int
    frames_overrun: int
    receiver: ReceiverCounters
    writes_outside: int
    accounts: RunAccounts
    overrun_before: int = 0
    late_before: int = 0

    def losses(self) -> dict[str, int]:
        """Return the errors by cause, in words; causes of 0 are left out."""
        seen, frames = self.receiver, self.accounts.frames
        causes = (
            (self.frames_overrun, "lost at the full sender FIFO", ""),
            (seen.checks_failed, "checks failed", "check failed"),
            (seen.syncs_lost, "losses of sync", "loss of sync"),
            (seen.frames_missed, "frames missed by sequence", "frame missed by sequence"),
            (seen.frames_aborted, "frames aborted", "frame aborted"),
            (self.overrun_before + frames.lost_at_receiver, "lost at the full receiver FIFO", ""),
            (
                self.late_before + frames.lost_late,
                "served after their deadline",
                "served after its deadline",
            ),
            (self.writes_outside, "outside the units", ""),
        )
        return {one if count == 1 and one else many: count for count, many, one in causes if count}

    @property
    def errors(self) -> int:
        """Count of errors, all causes together."""
        return sum(self.losses().values())

    def error_text(self) -> str:
        """Return the errors as text; empty if there are none."""
        return "; ".join(f"{count:,} {words}" for words, count in self.losses().items())


@dataclass(frozen=True, slots=True, eq=False)
class Arrivals:
    """Frames that the receiver delivered, whether they were served in time or not.

    Attributes:
        frames: as the receiver found them.
        fate: uint8[frames]; a `Fate` for each; empty: all were served in time.
        held: uint32[frames]; frames that the receiver's FIFO held once each had come; empty: it
            cannot lose any.
        as_sent: they are all that were sent in this stretch, each at its edge with its word.
    """

    frames: FrameBatch
    fate: UInt8Column
    held: UInt32Column
    as_sent: bool


NO_FATES: UInt8Column = np.empty(0, np.uint8)
NO_HELD: UInt32Column = np.empty(0, np.uint32)


@dataclass(frozen=True, slots=True, eq=False)
class PipelineSnapshot:
    """A pipeline between two batches, faults to come included, for `Pipeline.resume`.

    Attributes:
        edge: link edge up to which everything has passed the wire.
        frames_carried: frames so far.
        states: of receiver and units.
        wire: with faults; None if none are injected on the wire.
    """

    edge: int
    frames_carried: int
    states: dict[str, bytes]
    wire: FaultyWire | None


class Pipeline:
    """Sender → wire → receiver → displays.

    Args:
        board: the description.
        faults: faults to inject; None: none.
        timing: apply the receiver FIFO depth, service time, deadline and busy times; else every
            frame delivered is served.

    Attributes:
        board: the description.
        layout: of the board's link.
        encoder, receiver, bank: the stages, for their counters; feed the pipeline, not them.
        wire: with faults; None if none are injected on the wire.
        receiver_fifo: None if it cannot lose anything.
        lost_edges: uint64[lost]; edges at which stores of the last batch found the sender FIFO
            full.

    Raises:
        DescriptionError: the receiver's times are impossible.
    """

    def __init__(self, board: Board, *, faults: Faults | None = None, timing: bool = True) -> None:
        self.board = board
        self.faults = faults
        self.timing = timing
        self.layout = FrameLayout(board.link)
        self.encoder = Encoder(board)
        self.receiver = Receiver(self.layout, correct_one_bit=board.receiver.correct_one_bit)
        self.bank = DisplayBank(board, self.layout)
        self._refreshes = Refreshes(board, self.encoder) if self.bank.has_pages else None
        self._refreshed_edge = 0
        self._edge = 0
        self._frames_carried = 0
        self._frames_given = 0
        self.lost_edges: UInt64Column = np.empty(0, np.uint64)
        self._on_losses: Callable[[Losses], object] | None = None
        self._keeps_latest_losses = False
        self._on_delivered: Callable[[FrameBatch], object] | None = None
        self._on_arrivals: Callable[[Arrivals], object] | None = None
        self._counts_of: Callable[[DeliveredFrames], WriteCounts] | None = None
        self._begin()

    def _begin(self, wire: FaultyWire | None = None) -> None:
        """Make wire, FIFO and accounts, which begin at the receiver's present edge.

        Args:
            wire: with what is to come from here on; None: it is made from the plan.
        """
        plan = NO_FAULTS if self.faults is None else self.faults
        link = self.board.link
        edge_hz = (link.clock_hz or self.board.clock_hz) * link.edges_per_cycle
        self.wire: FaultyWire | None = wire
        if plan.on_wire and wire is None:
            self.wire = FaultyWire(
                self.layout,
                plan,
                edge_hz=edge_hz,
                first_edge=self._edge,
                first_ordinal=self.receiver.symbols_fed,
            )
        self._overrun_before = self._late_before = 0
        self.receiver_fifo: ReceiverFifo | None = None
        if self.timing:
            frame_symbols = self.layout.frame_symbols
            fifo = ReceiverFifo(
                self.board.receiver,
                edge_hz=edge_hz,
                frame_symbols=frame_symbols,
                stalls=plan.stalls,
                seed=plan.seed,
            )
            # Damage can bring two frames closer together than a sender would: adjacent, and with
            # an extra edge closer still.
            nearest = frame_symbols if plan.on_wire else self.encoder.step_edges
            if plan.extra_edges or plan.stalls or not fifo.is_harmless(nearest):
                self.receiver_fifo = fifo
        self._accounts = Accounts(self.board, self.receiver, self.wire)
        self._accounts.frames.on_losses = self._on_losses
        if self._keeps_latest_losses:
            self._accounts.frames.latest_losses = LatestLosses()

    def keep_latest_losses(self) -> None:
        """Keep the latest stores not received intact, from now on, and not only the first."""
        self._keeps_latest_losses = True
        latest = self._accounts.frames.latest_losses = LatestLosses()
        latest.add(self.losses)

    @property
    def latest_losses(self) -> LatestLosses | None:
        """The latest stores not received intact, since the accounts began; None: not kept."""
        return self._accounts.frames.latest_losses

    def watch_losses(self, on_losses: Callable[[Losses], object]) -> None:
        """Call `on_losses` with every store not received intact, once that is known."""
        self._on_losses = on_losses
        self._accounts.frames.on_losses = on_losses

    def watch_delivered(self, on_delivered: Callable[[FrameBatch], object]) -> None:
        """Call `on_delivered` with all frames that are served in time, in order.

        Raises:
            ValueError: frames were already fed.
        """
        if self._edge:
            raise ValueError("frames have already been delivered")
        self._on_delivered = on_delivered

    def watch_arrivals(self, on_arrivals: Callable[[Arrivals], object]) -> None:
        """Call `on_arrivals` with every frame that the receiver delivers, served or not."""
        self._on_arrivals = on_arrivals

    def count_writes(self, counts_of: Callable[[DeliveredFrames], WriteCounts]) -> None:
        """Count the writes to the units in what `counts_of` returns for the frames served."""
        self._counts_of = counts_of

    @property
    def delivered_edge(self) -> int:
        """Link edge before which no frame delivered later begins."""
        return self.receiver.settled_edge(self._carried_edge)

    @property
    def edge(self) -> int:
        """Link edge up to which everything has passed the wire."""
        return self._edge

    @property
    def frames_carried(self) -> int:
        """Frames put on the wire so far, idle ones not counted."""
        return self._frames_carried

    @property
    def displays(self) -> Mapping[str, Display]:
        """The units' displays by name, in the board's order."""
        return self.bank.displays

    def feed(self, stores: StoreBatch, *, stop_cycle: int) -> FrameBatch:
        """Send stores, carry them over the wire and show them.

        Args:
            stores: in windows, all before `stop_cycle`.
            stop_cycle: cycle up to which the processor has run.

        Returns:
            the frames that were sent, for a recorder.
        """
        frames = self.encoder.feed(stores, stop_cycle=stop_cycle)
        sent = SentFrames.of_stores(frames, stores, self.encoder.sent_store)
        self._carry(sent, stop_edge=self.encoder.settled_edge)
        lost = self.encoder.take_lost()
        self.lost_edges = lost.edge
        self._enter_lost(lost)
        return frames

    def _enter_lost(self, lost: LostStores) -> None:
        if len(lost):
            self._accounts.frames.add_lost_at_sender(lost.edge, lost.cycle, lost.address, lost.word)

    def enter_lost(self, lost: LostStores) -> None:
        """Enter stores lost by the sender that made the frames fed."""
        self._frames_given += len(lost)
        self._enter_lost(lost)

    def feed_frames(
        self, frames: FrameBatch, *, stop_edge: int, stores: SentFrames | None = None
    ) -> None:
        """Carry frames over the wire and show what the receiver delivers.

        Args:
            frames: starting at `edge` or later.
            stop_edge: where this stretch ends, rounded down to the grid on which frames start, but
                not before the end of the last frame.
            stores: the same frames with the stores that they carry, if known.
        """
        self._frames_given += len(frames)
        self._carry(stores or SentFrames.of_frames(frames), stop_edge=stop_edge)

    def _carry(self, sent: SentFrames, *, stop_edge: int) -> None:
        """Carry frames over a stretch of the wire; show and account for what arrives."""
        grid = self.encoder.grid_edges
        stop = stop_edge // grid * grid
        if len(sent):
            stop = max(stop, int(sent.edge[-1]) + self.encoder.step_edges)
        if stop <= self._edge:
            return
        words = FrameBatch(sent.edge, sent.word)
        batch = WireBatch.of_words(words, first_edge=self._edge, stop_edge=stop)
        parts = [batch] if self.wire is None else self.wire.feed(batch)
        delivered = DeliveredFrames.joined(words, [self.receiver.receive(part) for part in parts])
        self._edge = stop
        self._frames_carried += len(sent)
        fate, held = NO_FATES, NO_HELD
        if self.receiver_fifo is None:
            served, got = delivered, ReceivedFrames.all_served(delivered)
        else:
            # Each frame has a fate of its own, so they are laid out one by one.
            frames = delivered.frames()
            result = self.receiver_fifo.feed(frames)
            served = DeliveredFrames.copied(result.frames)
            fate, held = result.fate, result.held
            got = ReceivedFrames(frames.edge, frames.word, result.fate, result.busy, NO_SPANS)
        self._accounts.enter(sent, got, carried_edge=self._carried_edge)
        counted = NOT_COUNTED if self._counts_of is None else self._counts_of(served)
        self.bank.show(served, refreshes=self._refreshes_among(served), counted=counted)
        if self._on_delivered is not None:
            self._on_delivered(served.frames())
        if self._on_arrivals is not None:
            came = Arrivals(delivered.frames(), fate, held, as_sent=delivered.is_as_sent)
            self._on_arrivals(came)

    def _refreshes_among(self, served: DeliveredFrames) -> Int64Column:
        """Return how many of the frames came before each refresh that is now settled."""
        if self._refreshes is None:
            return NO_REFRESHES
        edges = self._refreshes.between(self._refreshed_edge, self._carried_edge)
        self._refreshed_edge = self._carried_edge
        before = np.searchsorted(served.frames().edge, np.array(edges, np.uint64))
        return np.unique(before).astype(np.int64)

    @property
    def _carried_edge(self) -> int:
        """Link edge up to which the receiver has been fed."""
        return self._edge - (0 if self.wire is None else self.wire.held_edges)

    def counters(self) -> PipelineCounters:
        """Counts since the pipeline was made."""
        bank = self.bank.counters
        outside = sum(display.counters.frames_outside for display in self.displays.values())
        sent = self.encoder.counters
        return PipelineCounters(
            stores=sent.stores_offered,
            frames_sent=self._frames_carried,
            frames_overrun=sent.frames_overrun,
            receiver=self.receiver.counters,
            writes_outside=outside + bank.frames_unknown_unit,
            accounts=self._accounts.totals(
                stores=sent.stores_offered + self._frames_given,
                receiver_fifo=None if self.receiver_fifo is None else self.receiver_fifo.counters,
            ),
            overrun_before=self._overrun_before,
            late_before=self._late_before,
        )

    @property
    def losses(self) -> Losses:
        """The first stores that were not received intact."""
        return self._accounts.frames.losses

    def states(self) -> dict[str, bytes]:
        """Return the state of receiver and units, for a trace's key frame."""
        units = {UNIT_STATE + name: state for name, state in self.bank.state().items()}
        fifo = self.receiver_fifo
        waiting = {} if fifo is None else {FIFO_STATE: fifo.snapshot()}
        return {RECEIVER_STATE: self.receiver.snapshot(), **waiting, **units}

    def snapshot(self) -> PipelineSnapshot:
        """Return all that decides on what is to come, for `resume`."""
        wire = None if self.wire is None else self.wire.copy()
        return PipelineSnapshot(self._edge, self._frames_carried, self.states(), wire)

    def resume(self, snapshot: PipelineSnapshot) -> None:
        """Go back to a snapshot of a pipeline of the same board and faults.

        Raises:
            InputError: as for `restore`.
        """
        self.restore(
            snapshot.states,
            edge=snapshot.edge,
            frames_carried=snapshot.frames_carried,
            wire=None if snapshot.wire is None else snapshot.wire.copy(),
        )

    def restore(
        self,
        states: Mapping[str, bytes],
        *,
        edge: int,
        frames_carried: int,
        wire: FaultyWire | None = None,
    ) -> None:
        """Go back to the states from `states`, at `edge` and after `frames_carried` frames.

        Args:
            states, edge, frames_carried: where to go on.
            wire: with the faults to come; None: those of the plan from `edge` on.

        Raises:
            InputError: the states are not of this board.
        """
        units = {
            name.removeprefix(UNIT_STATE): state
            for name, state in states.items()
            if name.startswith(UNIT_STATE)
        }
        try:
            self.receiver.restore(states.get(RECEIVER_STATE, b""))
        except ValueError as error:
            raise InputError(
                place="state of the receiver", found=str(error), wanted="record the trace anew"
            ) from error
        self.bank.restore(units)
        self.bank.clear_counters()
        self._edge = edge
        self._refreshed_edge = edge
        self._frames_carried = frames_carried
        # The accounts begin anew: the states do not hold them.
        self._frames_given = 0
        self._begin(wire)
        fifo = states.get(FIFO_STATE)
        if fifo is None or self.receiver_fifo is None:
            return
        try:
            self.receiver_fifo.restore(fifo, edge=edge)
            counters = self.receiver_fifo.counters
            self._overrun_before, self._late_before = counters.frames_overrun, counters.frames_late
        except ValueError as error:
            raise InputError(
                place="state of the receiver FIFO",
                found=str(error),
                wanted="record the trace anew",
            ) from error

    @property
    def in_sync(self) -> bool:
        """Return whether the receiver is in SYNC."""
        return self.receiver.state is State.SYNC
