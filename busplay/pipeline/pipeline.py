"""The pipeline after the core: sender, wire, receiver and displays of one board, joined.

Live programs, stores from other emulators and replayed traces all go through this one
object. `feed` takes stores and `feed_frames` takes frames that a sender made before; from
the wire on they are the same.

When `feed` returns, every store of the batch has arrived or is counted as lost: the pipeline runs
ahead of the processor by the few slots that the sender's FIFO still holds. Where the batches
are cut therefore changes nothing, neither in the frames nor on the screen.

Every frame and every fault injected ends in one column of the accounts (`transport`, `accounts`).
Once the receiver is in sync on a wire without faults, and its timing cannot lose anything, every
frame is sure to be received right: then large batches go through the fused engine.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from busplay.batch import FrameBatch, StoreBatch, UInt64Column
from busplay.description.board import Board
from busplay.description.faults import FaultPlan
from busplay.display.bank import DisplayBank
from busplay.display.display import Display
from busplay.errors import InputError
from busplay.link.layout import FrameLayout
from busplay.losses.losses import Losses
from busplay.pipeline.frame_accounts import SentFrames
from busplay.pipeline.transport import FUSED_FROM_FRAMES, RunAccounts, Transport
from busplay.receiver.receiver import Receiver
from busplay.receiver.states import ReceiverCounters, State
from busplay.sender.encoder import Encoder, LostStores

if TYPE_CHECKING:
    from busplay.engine.engine import FusedEngine

RECEIVER_STATE = "receiver"
SERVICE_STATE = "service"
UNIT_STATE = "unit "


@dataclass(frozen=True, slots=True)
class PipelineCounters:
    """What went in, what came out and what got lost on the way.

    Attributes:
        stores: stores in windows that were offered to the sender.
        frames_sent: frames that left the sender, idle ones not counted.
        frames_overrun: stores lost because the sender's FIFO was full.
        receiver: what the receiver saw.
        writes_outside: delivered frames whose offset or unit does not exist.
        accounts: what became of every frame and every fault.
    """

    stores: int
    frames_sent: int
    frames_overrun: int
    receiver: ReceiverCounters
    writes_outside: int
    accounts: RunAccounts

    def losses(self) -> dict[str, int]:
        """Return what went wrong on the way, by cause in words; causes of 0 are left out."""
        seen, frames = self.receiver, self.accounts.frames
        causes = (
            (self.frames_overrun, "lost at the sender's full FIFO", ""),
            (seen.checks_failed, "checks failed", "check failed"),
            (seen.syncs_lost, "losses of sync", "loss of sync"),
            (seen.frames_missed, "frames missed by sequence", "frame missed by sequence"),
            (seen.frames_aborted, "frames aborted", "frame aborted"),
            (frames.lost_at_receiver, "lost at the receiver's full FIFO", ""),
            (frames.lost_late, "served after their deadline", "served after its deadline"),
            (self.writes_outside, "outside the units", ""),
        )
        return {one if count == 1 and one else many: count for count, many, one in causes if count}

    @property
    def errors(self) -> int:
        """Everything that went wrong on the way, all causes together."""
        return sum(self.losses().values())

    def error_text(self) -> str:
        """Return what went wrong, for people; empty if nothing did."""
        return "; ".join(f"{count:,} {words}" for words, count in self.losses().items())


class Pipeline:
    """Sender → wire → receiver → displays.

    Args:
        board: the description.
        faults: damage to injected; None: none.
        timing: let the receiver's FIFO, service, deadline and busy times act; else every frame
            delivered is served.

    Attributes:
        board: the description.
        layout: of the board's link.
        encoder, receiver, bank: the stages, for their counters; feed the pipeline, not them.
        lost_edges: uint64[lost]; where the last stores fed found the sender's FIFO full.

    Raises:
        DescriptionError: the receiver's times cannot be.
    """

    def __init__(
        self, board: Board, *, faults: FaultPlan | None = None, timing: bool = True
    ) -> None:
        self.board = board
        self.faults = faults
        self.timing = timing
        self.layout = FrameLayout(board.link)
        self.encoder = Encoder(board)
        self.receiver = Receiver(self.layout, correct_one_bit=board.receiver.correct_one_bit)
        self.bank = DisplayBank(board, self.layout)
        self._edge = 0
        self._frames_carried = 0
        self._frames_given = 0
        self._engine: FusedEngine | None = None
        self.lost_edges: UInt64Column = np.empty(0, np.uint64)
        self._on_losses: Callable[[Losses], object] | None = None
        self._on_delivered: Callable[[FrameBatch], object] | None = None
        self._transport = self._new_transport()

    def _new_transport(self) -> Transport:
        transport = Transport(
            self.board,
            self.receiver,
            self._deliver,
            fused=self._fused_at if self._on_delivered is None else None,
            step_edges=self.encoder.step_edges,
            faults=self.faults,
            timing=self.timing,
            edge=self._edge,
        )
        transport.frames.on_losses = self._on_losses
        return transport

    def _deliver(self, frames: FrameBatch) -> None:
        self.bank.feed(frames)
        if self._on_delivered is not None:
            self._on_delivered(frames)

    def watch_losses(self, on_losses: Callable[[Losses], object]) -> None:
        """Have all stores that are not received right told, as soon as that is known."""
        self._on_losses = on_losses
        self._transport.frames.on_losses = on_losses

    def watch_delivered(self, on_delivered: Callable[[FrameBatch], object]) -> None:
        """Have all frames told that are served and shown, in order; before anything is fed.

        Raises:
            ValueError: something was fed already.
        """
        if self._edge:
            raise ValueError("frames have been delivered already that nobody watched")
        self._on_delivered = on_delivered
        self._transport = self._new_transport()

    @property
    def delivered_edge(self) -> int:
        """Link edge before which no frame begins that is delivered later."""
        return self._transport.settled_edge(self._edge)

    @property
    def edge(self) -> int:
        """Link edge up to which everything has passed the wire."""
        return self._edge

    @property
    def frames_carried(self) -> int:
        """Frames that were put on the wire so far, idle ones not counted."""
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
        engine = self._engine_for(len(stores))
        if engine is not None:
            frames = engine.feed(stores, stop_cycle=stop_cycle) or FrameBatch.empty()
            self._passed_plain(len(frames), edge=engine.edge)
        else:
            frames = self.encoder.feed(stores, stop_cycle=stop_cycle)
            which = self.encoder.sent_store
            sent = SentFrames(frames.edge, frames.word, stores.cycle[which], stores.address[which])
            self._carry(sent, stop_edge=self.encoder.settled_edge)
        lost = self.encoder.take_lost()
        self.lost_edges = lost.edge
        self._enter_lost(lost)
        return frames

    def _enter_lost(self, lost: LostStores) -> None:
        if len(lost):
            tables = self.encoder.tables
            word = tables.address[lost.address] ^ tables.data[lost.data]
            self._transport.frames.add_lost_at_sender(lost.edge, lost.cycle, lost.address, word)

    def enter_lost(self, lost: LostStores) -> None:
        """Enter stores that the sender of the frames given had lost."""
        self._frames_given += len(lost)
        self._enter_lost(lost)

    def feed_frames(
        self, frames: FrameBatch, *, stop_edge: int, stores: SentFrames | None = None
    ) -> None:
        """Carry frames over the wire and show what the receiver delivers.

        Args:
            frames: starting at `edge` or later.
            stop_edge: where this stretch may end; it is moved back to the grid on which frames
                start, and behind the last frame.
            stores: the same frames with the stores that they carry, where somebody knows them.
        """
        self._frames_given += len(frames)
        engine = self._engine_for(len(frames))
        if engine is not None:
            received = self.receiver.counters.frames_received
            engine.feed_frames(frames, stop_edge=stop_edge)
            received = self.receiver.counters.frames_received - received
            self._passed_plain(received, edge=engine.edge)
            # A foreign recording may hold frames that are idle or wrong in themselves.
            self._frames_carried += len(frames) - received
            self._transport.frames.add_undelivered(len(frames) - received)
        else:
            self._carry(stores or SentFrames.of_frames(frames), stop_edge=stop_edge)

    def _passed_plain(self, count: int, *, edge: int) -> None:
        """Enter frames that the fused engine carried, all of them received right."""
        self._edge = edge
        self._frames_carried += count
        self._transport.frames.add_right(count)

    def _carry(self, sent: SentFrames, *, stop_edge: int) -> None:
        """Carry frames through the stages."""
        grid = self.encoder.grid_edges
        stop = stop_edge // grid * grid
        if len(sent):
            stop = max(stop, int(sent.edge[-1]) + self.encoder.step_edges)
        if stop <= self._edge:
            return
        self._transport.carry(sent, first_edge=self._edge, stop_edge=stop)
        self._edge = stop
        self._frames_carried += len(sent)

    def _engine_for(self, count: int) -> FusedEngine | None:
        """Return the fused engine for a large batch; None: the stages do it.

        The two agree at any moment, so they can take turns. The fused one is some times
        faster, but its loop takes seconds to compile when it is first used on a machine; the
        batches of a program in real time are not worth that. It keeps no accounts, so it only
        takes what is sure to be received right.
        """
        if self._on_delivered is not None:
            # The fused engine shows frames itself and tells nobody which.
            return None
        if count < FUSED_FROM_FRAMES or not self._transport.carries_all_right(self._edge):
            return None
        return self._fused_at(self._edge)

    def _fused_at(self, edge: int) -> FusedEngine:
        """Return the fused engine, standing at an edge."""
        if self._engine is None:
            # Loads and compiles a kernel that small batches can do without.
            from busplay.engine.engine import FusedEngine

            self._engine = FusedEngine(self.encoder, self.receiver, self.bank)
        self._engine.edge = edge
        return self._engine

    def counters(self) -> PipelineCounters:
        """What has happened since the pipeline was made."""
        bank = self.bank.counters
        outside = sum(display.counters.frames_outside for display in self.displays.values())
        sent = self.encoder.counters
        return PipelineCounters(
            stores=sent.stores_offered,
            frames_sent=self._frames_carried,
            frames_overrun=sent.frames_overrun,
            receiver=self.receiver.counters,
            writes_outside=outside + bank.frames_unknown_unit,
            accounts=self._transport.accounts(stores=sent.stores_offered + self._frames_given),
        )

    @property
    def losses(self) -> Losses:
        """The first stores that were not received right, one by one."""
        return self._transport.losses

    def states(self) -> dict[str, bytes]:
        """Return the state of receiver and units, for a trace's key frame."""
        units = {UNIT_STATE + name: state for name, state in self.bank.state().items()}
        service = self._transport.state()
        waiting = {} if service is None else {SERVICE_STATE: service}
        return {RECEIVER_STATE: self.receiver.snapshot(), **waiting, **units}

    def restore(self, states: Mapping[str, bytes], *, edge: int, frames_carried: int) -> None:
        """Take up what `states` gave, as of `edge` and after that many frames.

        Raises:
            InputError: the states are not those of this board.
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
        self._edge = edge
        self._frames_carried = frames_carried
        # The accounts begin anew: what came before is in nobody's memory.
        self._frames_given = 0
        self._transport = self._new_transport()
        self._transport.restore(states.get(SERVICE_STATE), edge=edge)

    @property
    def in_sync(self) -> bool:
        """Tell whether the receiver is in SYNC."""
        return self.receiver.state is State.SYNC
