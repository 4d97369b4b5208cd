"""The accounts of one pipeline: every frame and every fault ends in exactly one of their columns.

How to think about it. The pipeline enters the stores offered and lost at the sender, the frames on
the wire, the frames delivered with their fate, and the receiver's log. A frame is settled once the
receiver can no longer deliver it: it was received intact or damaged, lost at the receiver FIFO, or
late; or it was not delivered, and the log says whether the receiver was in sync at its first
symbol.

Nothing is derived by subtraction, so the sums can be checked against what was injected.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from busplay.batch import (
    NO_SPANS,
    DeliveredFrames,
    FrameBatch,
    StoreBatch,
    UInt16Column,
    UInt64Column,
)
from busplay.losses.latest import LatestLosses
from busplay.losses.losses import LOSSES_MAX, NO_CYCLE, Cause, Losses
from busplay.pipeline import settling
from busplay.pipeline.totals import FrameTotals
from busplay.receiver.counters import ReceiverLog
from busplay.receiver.states import LogKind

_CAUSE_OF_NOTE = np.array(
    [Cause.DAMAGED, Cause.RECEIVER_FIFO, Cause.DEADLINE, Cause.WIRE], np.uint8
)


_NO_FATE = np.empty(0, np.uint8)
# One number each, broadcast to a column: no memory is filled for unknown values.
_NO_CYCLES = np.broadcast_to(np.uint64(NO_CYCLE), 1 << 40)
_NO_ADDRESSES = np.broadcast_to(np.uint16(0), 1 << 40)


@dataclass(frozen=True, slots=True, eq=False)
class SentFrames:
    """Frames on the wire, and the stores that they carry if known.

    Attributes:
        edge, word: as in a batch of frames.
        cycle: uint64[frames]; of the store; `NO_CYCLE` if not known.
        address: uint16[frames]; of the store; 0 if not known.
    """

    edge: UInt64Column
    word: UInt64Column
    cycle: UInt64Column
    address: UInt16Column

    def __len__(self) -> int:
        return len(self.edge)

    @classmethod
    def of_frames(cls, frames: FrameBatch) -> SentFrames:
        """Take frames whose stores are not known."""
        count = len(frames)
        return cls(
            frames.edge,
            frames.word,
            _NO_CYCLES[:count],
            _NO_ADDRESSES[:count],
        )

    @classmethod
    def of_stores(
        cls, frames: FrameBatch, stores: StoreBatch, which: NDArray[np.int64] | None
    ) -> SentFrames:
        """Take frames with the stores that they carry: `which` of the stores, or all of them."""
        cycle, address = stores.cycle, stores.address
        if which is not None:
            cycle, address = cycle[which], address[which]
        return cls(frames.edge, frames.word, cycle, address)

    def then(self, other: SentFrames) -> SentFrames:
        """Return these and then the others."""
        if not len(self):
            return other
        return SentFrames(
            np.concatenate([self.edge, other.edge]),
            np.concatenate([self.word, other.word]),
            np.concatenate([self.cycle, other.cycle]),
            np.concatenate([self.address, other.address]),
        )

    def first(self, count: int) -> SentFrames:
        """Return the first COUNT frames."""
        return SentFrames(
            self.edge[:count], self.word[:count], self.cycle[:count], self.address[:count]
        )

    def after(self, count: int) -> SentFrames:
        """Return all but the first COUNT frames."""
        return SentFrames(
            self.edge[count:], self.word[count:], self.cycle[count:], self.address[count:]
        )


@dataclass(frozen=True, slots=True, eq=False)
class ReceivedFrames:
    """Frames that the receiver delivered, and the fate of each.

    Attributes:
        edge, word: as in a batch of frames.
        fate: uint8[frames]; 0 served in time, 1 found the FIFO full, 2 late; empty: all served in
            time.
        busy: uint8[frames]; what held up the receiver; empty: nothing did.
        spans: int64[spans, SPAN_COLUMNS]; further frames, received intact; see
            `DeliveredFrames`.
    """

    edge: UInt64Column
    word: UInt64Column
    fate: NDArray[np.uint8]
    busy: NDArray[np.uint8]
    spans: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.edge)

    @classmethod
    def all_served(cls, delivered: DeliveredFrames) -> ReceivedFrames:
        """Take frames that were all served in time."""
        copies = delivered.copies
        return cls(copies.edge, copies.word, _NO_FATE, _NO_FATE, delivered.spans)

    def behind(self, sent: int, got: ReceivedFrames) -> ReceivedFrames:
        """Append these to waiting ones, with SENT waiting frames sent."""
        if not sent and not len(got):
            return self
        return ReceivedFrames(
            np.concatenate([got.edge, self.edge]),
            np.concatenate([got.word, self.word]),
            np.concatenate([got.fate, self.fate]),
            np.concatenate([got.busy, self.busy]),
            np.add(self.spans, (sent, 0, len(got))),
        )

    def after(self, count: int) -> ReceivedFrames:
        """Return all but the first COUNT, without spans."""
        fate, busy = self.fate[count:], self.busy[count:]
        return ReceivedFrames(self.edge[count:], self.word[count:], fate, busy, NO_SPANS)


class FrameAccounts:
    """What became of every store in a window and of every frame.

    Args:
        sequence_bits: width of the link's sequence field; 0: it has none.
        in_sync: whether the receiver is in sync at the start.

    Attributes:
        on_losses: called with every loss once it is known; `losses` keeps the first ones.
        latest_losses: takes every loss, too; None: they are not wanted.
    """

    def __init__(self, *, sequence_bits: int, in_sync: bool = False) -> None:
        self._modulus = 1 << sequence_bits if sequence_bits else 0
        self._counts = np.zeros(settling.COUNTS, np.int64)
        self._counts[settling.SINCE] = -1
        self._lost_at_sender = 0
        self._on_wire = 0
        self._out_of_step = 0
        self._sent = SentFrames.of_frames(FrameBatch.empty())
        self._got = ReceivedFrames.all_served(DeliveredFrames.copied(FrameBatch.empty()))
        self._changes_edge: NDArray[np.int64] = np.empty(0, np.int64)
        self._changes_gained: NDArray[np.bool_] = np.empty(0, np.bool_)
        self._in_sync = in_sync
        self._notes = _room_for_notes(0)
        self.on_losses: Callable[[Losses], object] | None = None
        self._losses: list[Losses] = []
        self._losses_kept = 0
        self.latest_losses: LatestLosses | None = None

    def add_lost_at_sender(
        self, edge: UInt64Column, cycle: UInt64Column, address: UInt16Column, word: UInt64Column
    ) -> None:
        """Enter stores that found the sender FIFO full; `word` is what they would have sent."""
        count = len(edge)
        self._lost_at_sender += count
        nothing = np.zeros(count, np.uint8)
        self._keep(
            Losses(
                np.full(count, Cause.SENDER_FIFO, np.uint8),
                edge,
                cycle,
                address,
                word,
                nothing,
            )
        )

    def feed(
        self, sent: SentFrames, got: ReceivedFrames, log: ReceiverLog, *, settled_edge: int
    ) -> None:
        """Enter what was sent and what was delivered.

        Args:
            sent: frames put on the wire since the last call.
            got: frames delivered since the last call.
            log: of the receiver since the last call.
            settled_edge: no frame that begins before this link edge is delivered later.
        """
        self._add_changes(log)
        got = got.behind(len(self._sent), self._got)
        sent = self._sent.then(sent)
        if len(sent) > len(self._notes.kind):
            # Kept, as fresh memory costs more than the work done here.
            self._notes = _room_for_notes(len(sent))
        settled, used, count = settling.settle(
            settling.Frames(
                np.ascontiguousarray(sent.edge),
                np.ascontiguousarray(sent.word),
                np.ascontiguousarray(got.edge),
                np.ascontiguousarray(got.word),
                got.fate,
            ),
            got.spans,
            settled_edge,
            self._modulus,
            self._counts,
            self._notes,
        )
        if count:
            self._enter(sent, got, count)
        self._sent, self._got = sent.after(settled), got.after(used)
        self._forget_changes(settled_edge)

    def _enter(self, sent: SentFrames, got: ReceivedFrames, count: int) -> None:
        """Enter COUNT frames that were not received intact, as the notes have them."""
        kind, which, which_got = (
            self._notes.kind[:count],
            self._notes.sent[:count],
            self._notes.got[:count],
        )
        cause = _CAUSE_OF_NOTE[kind]
        edge = sent.edge[which]
        undelivered = kind == settling.NOTE_UNDELIVERED
        out = undelivered & ~self._in_sync_at(edge)
        cause[out] = Cause.OUT_OF_SYNC
        lost_out = int(np.count_nonzero(out))
        self._out_of_step += lost_out
        self._on_wire += int(np.count_nonzero(undelivered)) - lost_out
        is_wanted = self.on_losses is not None or self.latest_losses is not None
        if self._losses_kept >= LOSSES_MAX and not is_wanted:
            return
        busy = np.zeros(len(kind), np.uint8)
        if len(got.busy):
            busy[~undelivered] = got.busy[which_got[~undelivered]]
        self._keep(
            Losses(cause, edge, sent.cycle[which], sent.address[which], sent.word[which], busy)
        )

    def _keep(self, losses: Losses) -> None:
        if self.on_losses is not None and len(losses):
            self.on_losses(losses)
        if self.latest_losses is not None:
            self.latest_losses.add(losses)
        room = LOSSES_MAX - self._losses_kept
        if room > 0 and len(losses):
            self._losses.append(losses.first(room))
            self._losses_kept += len(self._losses[-1])

    # -- when the receiver was in sync

    def _add_changes(self, log: ReceiverLog) -> None:
        is_change = log.kind >= LogKind.SYNC_LOST
        if not len(log) or not is_change.any():
            return
        edges = np.concatenate([self._changes_edge, log.edge[is_change]])
        # An edge that is sampled twice puts an event an edge back.
        self._changes_edge = np.maximum.accumulate(edges)
        self._changes_gained = np.concatenate(
            [self._changes_gained, log.kind[is_change] == LogKind.SYNC_GAINED]
        )

    def _in_sync_at(self, edges: UInt64Column) -> NDArray[np.bool_]:
        if not len(self._changes_edge):
            return np.full(len(edges), self._in_sync)
        last = np.searchsorted(self._changes_edge, edges.astype(np.int64), side="right")
        return np.concatenate([[self._in_sync], self._changes_gained])[last]

    def _forget_changes(self, settled_edge: int) -> None:
        old = int(self._changes_edge.searchsorted(settled_edge, side="right"))
        if old:
            self._in_sync = bool(self._changes_gained[old - 1])
            self._changes_edge = self._changes_edge[old:]
            self._changes_gained = self._changes_gained[old:]

    # -- results

    @property
    def losses(self) -> Losses:
        """The first stores that were not received intact, up to `LOSSES_MAX`."""
        return Losses.joined(self._losses)

    def totals(self, *, stores: int, missed_by_sequence: int | None) -> FrameTotals:
        """Return the sums.

        Args:
            stores: stores offered to the sender.
            missed_by_sequence: the receiver's count by sequence; None: it has none.
        """
        counts = [int(one) for one in self._counts]
        return FrameTotals(
            stores=stores,
            received_intact=counts[settling.INTACT],
            received_damaged=counts[settling.DAMAGED],
            lost_at_sender=self._lost_at_sender,
            lost_on_wire=self._on_wire,
            lost_out_of_sync=self._out_of_step,
            lost_at_receiver=counts[settling.OVERRUNS],
            lost_late=counts[settling.LATES],
            in_flight=len(self._sent),
            spurious=counts[settling.SPURIOUS],
            spurious_lost=counts[settling.SPURIOUS_LOST],
            missed=counts[settling.MISSED],
            missed_by_sequence=missed_by_sequence,
            gaps_too_long=counts[settling.LONG_GAPS],
            sequence_modulus=self._modulus or None,
        )


def _room_for_notes(count: int) -> settling.Notes:
    return settling.Notes(
        np.empty(count, np.uint8), np.empty(count, np.int64), np.empty(count, np.int64)
    )
