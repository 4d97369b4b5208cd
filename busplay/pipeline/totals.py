"""What the accounts say, as numbers that add up."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields


@dataclass(frozen=True, slots=True)
class FrameTotals:
    """What became of every store in a window and of every frame; `stores` is the sum.

    Attributes:
        stores: offered to the sender.
        received_right: delivered as sent, and served in time.
        received_wrong: delivered with other content, and served: damage that nobody noticed.
        lost_at_sender: found the sender's FIFO full, and were never sent.
        lost_on_wire: the receiver was in sync and did not deliver them.
        lost_out_of_step: the receiver was not in sync when they came.
        lost_at_receiver: found the receiver's FIFO full.
        lost_late: served after their deadline.
        under_way: not yet arrived.
        invented: delivered and served, and never sent; they come on top.
        invented_lost: never sent, and lost at the receiver's FIFO or late.
        missed_really: frames undelivered between the first and the last delivered one.
        missed_counted: how many of these the receiver counts by sequence; None where the link
            has no sequence field.
        gaps_too_long: times that so many were missed in a row that the sequence field came
            round, so that the receiver counts too few.
        sequence_modulus: how many in a row that takes; None where there is no such field.
    """

    stores: int = 0
    received_right: int = 0
    received_wrong: int = 0
    lost_at_sender: int = 0
    lost_on_wire: int = 0
    lost_out_of_step: int = 0
    lost_at_receiver: int = 0
    lost_late: int = 0
    under_way: int = 0
    invented: int = 0
    invented_lost: int = 0
    missed_really: int = 0
    missed_counted: int | None = None
    gaps_too_long: int = 0
    sequence_modulus: int | None = None

    @property
    def sent(self) -> int:
        """Frames that went out on the wire."""
        return self.stores - self.lost_at_sender

    @property
    def lost(self) -> int:
        """Stores that were not received right, those under way left out."""
        return self.stores - self.received_right - self.under_way

    def losses(self) -> dict[str, int]:
        """Return what went wrong, by cause, in words; causes of 0 left out."""
        return {words: count for name, words in CAUSES.items() if (count := getattr(self, name))}

    def balance(self) -> int:
        """Return what is left over: 0 where the accounts balance."""
        lost: int = sum(getattr(self, name) for name in CAUSES)
        return self.stores - self.received_right - self.under_way - lost

    def as_figures(self) -> dict[str, int | None]:
        """Return all of it by name, for JSON."""
        return {one.name: getattr(self, one.name) for one in fields(self)}


CAUSES: Mapping[str, str] = {
    "lost_at_sender": "lost at the sender's full FIFO",
    "lost_on_wire": "lost on the wire",
    "lost_out_of_step": "lost while out of sync",
    "lost_at_receiver": "lost at the receiver's full FIFO",
    "lost_late": "served after their deadline",
    "received_wrong": "received wrong",
}


@dataclass(frozen=True, slots=True)
class FaultTotals:
    """What became of the faults of one kind; `put_in` is the sum of the others.

    Attributes:
        put_in: symbols changed, edges lost, or edges added.
        noticed_by_check: the frame that it fell in failed its check, or was mended by it.
        noticed_by_step: the receiver gave the frame up, or lost step over it.
        out_of_step: it came while the receiver was out of sync.
        unnoticed: nothing showed that it was there.
        under_way: the frame that it fell in has not ended.
    """

    put_in: int = 0
    noticed_by_check: int = 0
    noticed_by_step: int = 0
    out_of_step: int = 0
    unnoticed: int = 0
    under_way: int = 0

    def balance(self) -> int:
        """Return what is left over: 0 where the accounts balance."""
        verdicts = (self.noticed_by_check, self.noticed_by_step, self.out_of_step)
        return self.put_in - sum(verdicts) - self.unnoticed - self.under_way

    def as_figures(self) -> dict[str, int]:
        """Return all of it by name, for JSON."""
        return {one.name: getattr(self, one.name) for one in fields(self)}
