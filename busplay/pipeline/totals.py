"""The totals of the accounts, which add up."""

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
        lost_at_sender: found the sender FIFO full, and were never sent.
        lost_on_wire: not delivered although the receiver was in sync.
        lost_out_of_sync: not delivered because the receiver was out of sync.
        lost_at_receiver: found the receiver FIFO full.
        lost_late: served after their deadline.
        in_flight: not yet arrived.
        spurious: delivered and served, but never sent; not part of the sum.
        spurious_lost: never sent, and lost at the receiver FIFO or late.
        missed: frames not delivered between the first and the last delivered one.
        missed_by_sequence: the receiver's count of these by sequence; None if the link has no
            sequence field.
        gaps_too_long: gaps of `sequence_modulus` frames or more, of which the receiver counts too
            few.
        sequence_modulus: modulus of the sequence field; None if there is none.
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
        """Frames put on the wire."""
        return self.stores - self.lost_at_sender

    @property
    def lost(self) -> int:
        """Stores that were not received intact, except those in flight."""
        return self.stores - self.received_intact - self.in_flight

    def losses(self) -> dict[str, int]:
        """Return the losses by cause, in words; causes of 0 are left out."""
        return {words: count for name, words in CAUSES.items() if (count := getattr(self, name))}

    def balance(self) -> int:
        """Return the sum less its parts: 0 if the accounts balance."""
        lost: int = sum(getattr(self, name) for name in CAUSES)
        return self.stores - self.received_intact - self.in_flight - lost


CAUSES: Mapping[str, str] = {
    "lost_at_sender": "lost at the full sender FIFO",
    "lost_on_wire": "lost on the wire",
    "lost_out_of_sync": "lost while out of sync",
    "lost_at_receiver": "lost at the full receiver FIFO",
    "lost_late": "served after their deadline",
    "received_damaged": "received damaged",
}


@dataclass(frozen=True, slots=True)
class FaultTotals:
    """What became of the faults of one kind; `injected` is the sum of the others.

    Attributes:
        injected: symbols changed, edges lost, or edges added.
        detected_by_check: the frame was invalid, or was corrected.
        detected_by_sync: the receiver aborted the frame, or lost sync over it.
        out_of_sync: the receiver was out of sync.
        undetected: the frame passed as valid.
        in_flight: the frame has not ended.
    """

    injected: int = 0
    detected_by_check: int = 0
    detected_by_sync: int = 0
    out_of_sync: int = 0
    undetected: int = 0
    in_flight: int = 0

    def balance(self) -> int:
        """Return the sum less its parts: 0 if the accounts balance."""
        verdicts = (self.detected_by_check, self.detected_by_sync, self.out_of_sync)
        return self.injected - sum(verdicts) - self.undetected - self.in_flight
