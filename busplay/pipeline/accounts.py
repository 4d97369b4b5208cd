"""What became of every frame and every fault of a run."""

from __future__ import annotations

from dataclasses import dataclass

from busplay.description.board import Board
from busplay.description.link import StrobeFraming
from busplay.pipeline.fault_accounts import FaultAccounts
from busplay.pipeline.frame_accounts import FrameAccounts, ReceivedFrames, SentFrames
from busplay.pipeline.totals import FaultTotals, FrameTotals
from busplay.receiver.fifo import FifoCounters
from busplay.receiver.receiver import Receiver
from busplay.receiver.states import State
from busplay.wire.faulty import FaultKind, FaultyWire

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
        faults: every fault injected, by kind; empty if none were planned.
        receiver_fifo: counts of the receiver FIFO; None if its timing cannot lose anything.
    """

    frames: FrameTotals
    faults: dict[FaultKind, FaultTotals]
    receiver_fifo: FifoCounters | None

    @property
    def is_balanced(self) -> bool:
        """Whether every sum equals its parts."""
        return self.frames.balance() == 0 and not any(one.balance() for one in self.faults.values())


class Accounts:
    """The accounts of a pipeline, from its receiver's present state on.

    Args:
        board: of the receiver.
        receiver: it keeps a log from now on.
        wire: with faults; None: none are injected.

    Attributes:
        frames: the accounts of frames.
    """

    def __init__(self, board: Board, receiver: Receiver, wire: FaultyWire | None) -> None:
        self._receiver = receiver
        self._wire = wire
        self._missed_before = receiver.counters.frames_missed
        receiver.keeps_log = True
        framing, sequence = board.link.framing, board.link.field_named("sequence")
        in_sync = receiver.state is State.SYNC
        self._has_sequence = sequence is not None
        self.frames = FrameAccounts(
            sequence_bits=min(sequence.bits, 32) if sequence else 0, in_sync=in_sync
        )
        release = 0 if isinstance(framing, StrobeFraming) else framing.release_frames
        self._faults = FaultAccounts(
            len(FaultKind),
            margin_symbols=(release + 2) * receiver.layout.frame_symbols,
            in_sync=in_sync,
        )

    def enter(self, sent: SentFrames, got: ReceivedFrames, *, carried_edge: int) -> None:
        """Enter frames, and the logs of wire and receiver since the last call.

        Args:
            sent: frames put on the wire since the last call.
            got: frames delivered since the last call.
            carried_edge: link edge up to which the receiver has been fed.
        """
        receiver = self._receiver
        log = receiver.take_log()
        self.frames.feed(sent, got, log, settled_edge=receiver.settled_edge(carried_edge))
        if self._wire is not None:
            faults = self._wire.take_log()
            self._faults.feed(faults.ordinal, faults.kind, log, symbols_fed=receiver.symbols_fed)

    def totals(self, *, stores: int, receiver_fifo: FifoCounters | None) -> RunAccounts:
        """Return the accounts as they stand.

        Args:
            stores: stores offered to the sender since the accounts were opened.
            receiver_fifo: counts of the receiver FIFO, if there is one.
        """
        seen = self._receiver.counters
        missed = seen.frames_missed - self._missed_before if self._has_sequence else None
        faults: dict[FaultKind, FaultTotals] = {}
        if self._wire is not None:
            totals = self._faults.totals(symbols_judged=seen.symbols_fed - seen.pending_symbols)
            faults = {kind: totals[kind] for kind in FAULT_NAMES}
        return RunAccounts(
            frames=self.frames.totals(stores=stores, missed_by_sequence=missed),
            faults=faults,
            receiver_fifo=receiver_fifo,
        )
