"""What the accounts say, as numbers that add up."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class FrameTotals:
    """What became of every store in a window and of every frame; `stores` is the sum.

    Attributes:
        stores: offered to the sender.
        received_intact: delivered as sent, and served in time.
        received_damaged: delivered with other content, and served: undetected damage.
        lost_at_sender: found the sender's FIFO full, and were never sent.
        lost_on_wire: the receiver was in sync and did not deliver them.
        lost_out_of_sync: the receiver was not in sync when they came.
        lost_at_receiver: found the receiver's FIFO full.
        lost_late: served after their deadline.
        in_flight: not yet arrived.
        spurious: delivered and served, and never sent; they come on top.
        spurious_lost: never sent, and lost at the receiver's FIFO or late.
        missed: frames undelivered between the first and the last delivered one.
        missed_by_sequence: how many of these the receiver counts by sequence; None where the link
            has no sequence field.
        gaps_too_long: times that so many were missed in a row that the sequence field came
            round, so that the receiver counts too few.
        sequence_modulus: how many in a row that takes; None where there is no such field.
    """

    stores: int = 0
    received_intact: int = 0
    received_damaged: int = 0
    lost_at_sender: int = 0
    lost_on_wire: int = 0
    lost_out_of_sync: int = 0
    lost_at_receiver: int = 0
    lost_late: int = 0
    in_flight: int = 0
    spurious: int = 0
    spurious_lost: int = 0
    missed: int = 0
    missed_by_sequence: int | None = None
    gaps_too_long: int = 0
    sequence_modulus: int | None = None

    @property
    def sent(self) -> int:
        """Frames that went out on the wire."""
        return self.stores - self.lost_at_sender

    @property
    def lost(self) -> int:
        """Stores that were not received intact, those in flight left out."""
        return self.stores - self.received_intact - self.in_flight

    def losses(self) -> dict[str, int]:
        """Return what went wrong, by cause, in words; causes of 0 left out."""
        return {words: count for name, words in CAUSES.items() if (count := getattr(self, name))}

    def balance(self) -> int:
        """Return what is left over: 0 where the accounts balance."""
        lost: int = sum(getattr(self, name) for name in CAUSES)
        return self.stores - self.received_intact - self.in_flight - lost


CAUSES: Mapping[str, str] = {
    "lost_at_sender": "lost at the sender's full FIFO",
    "lost_on_wire": "lost on the wire",
    "lost_out_of_sync": "lost while out of sync",
    "lost_at_receiver": "lost at the receiver's full FIFO",
    "lost_late": "served after their deadline",
    "received_damaged": "received damaged",
}


@dataclass(frozen=True, slots=True)
class FaultTotals:
    """What became of the faults of one kind; `injected` is the sum of the others.

    Attributes:
        injected: symbols changed, edges lost, or edges added.
        detected_by_check: the frame that it fell in failed its check, or was corrected by it.
        detected_by_sync: the receiver gave the frame up, or lost step over it.
        out_of_sync: it came while the receiver was out of sync.
        undetected: nothing showed that it was there.
        in_flight: the frame that it fell in has not ended.
    """

    injected: int = 0
    detected_by_check: int = 0
    detected_by_sync: int = 0
    out_of_sync: int = 0
    undetected: int = 0
    in_flight: int = 0

    def balance(self) -> int:
        """Return what is left over: 0 where the accounts balance."""
        verdicts = (self.detected_by_check, self.detected_by_sync, self.out_of_sync)
        return self.injected - sum(verdicts) - self.undetected - self.in_flight
