"""What a receiver counts, and its log."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from busplay.receiver.states import LOG_EDGE, LOG_FIRST, LOG_KIND, LOG_STOP


@dataclass(frozen=True, slots=True)
class ReceiverCounters:
    """What a receiver has seen since it was made or reset.

    A frame is *judged* when the receiver was in SYNC before the frame's first symbol (with a
    strobe: when its strobe has come). Every symbol is accounted for:

        symbols_fed = symbols_skipped + symbols_idle + pending_symbols
                      + frame_symbols * (frames_received + frames_idle + checks_failed)

    where `pending_symbols` are those of the frame that has begun and not ended.

    Attributes:
        symbols_fed: all symbols, given one by one, in words, or as idle time.
        symbols_skipped: symbols of no judged frame: fed in HUNT or PRESYNC, or in a frame that
            was aborted.
        symbols_idle: symbols between frames while the strobe rested (strobe links only).
        pending_symbols: symbols of the frame that is on its way in.
        frames_received: judged frames that were delivered.
        frames_idle: judged frames that were idle, so there was nothing to deliver.
        checks_failed: judged frames that were invalid and could not be corrected.
        frames_corrected: judged frames that were invalid by one bit and were corrected; they
            are among the received or idle ones too.
        frames_aborted: frames that were aborted before their last symbol, because a strobe
            came early or was dropped, or a marker stood elsewhere.
        frames_missed: frames that the sequence field says were sent and not delivered, from
            the first delivered frame on. A gap of a whole modulus or more cannot be told from
            a shorter one, so after a long loss of sync this is only known modulo 2 ** bits.
        syncs_gained: times that the receiver came into SYNC.
        syncs_lost: times that it fell out of SYNC, or found that it had been out of sync.
    """

    symbols_fed: int = 0
    symbols_skipped: int = 0
    symbols_idle: int = 0
    pending_symbols: int = 0
    frames_received: int = 0
    frames_idle: int = 0
    checks_failed: int = 0
    frames_corrected: int = 0
    frames_aborted: int = 0
    frames_missed: int = 0
    syncs_gained: int = 0
    syncs_lost: int = 0


@dataclass(frozen=True, slots=True, eq=False)
class ReceiverLog:
    """What happened to a receiver other than valid frames, in order.

    Attributes:
        kind: uint8[events]; a `LogKind`.
        edge: int64[events]; link edge after the event's last symbol.
        first, stop: int64[events]; which of the symbols fed the event is about, from 0.
    """

    kind: NDArray[np.uint8]
    edge: NDArray[np.int64]
    first: NDArray[np.int64]
    stop: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.kind)

    @classmethod
    def of_rows(cls, rows: NDArray[np.int64]) -> ReceiverLog:
        """Copy int64[events, columns] as the machine writes them."""
        return cls(
            rows[:, LOG_KIND].astype(np.uint8),
            rows[:, LOG_EDGE].copy(),
            rows[:, LOG_FIRST].copy(),
            rows[:, LOG_STOP].copy(),
        )

    @classmethod
    def empty(cls) -> ReceiverLog:
        """Make a log that says nothing."""
        nothing = np.empty(0, np.int64)
        return cls(np.empty(0, np.uint8), nothing, nothing, nothing)

    @classmethod
    def joined(cls, parts: Sequence[ReceiverLog]) -> ReceiverLog:
        """Join logs in their order; a single one is handed on as it is."""
        if len(parts) <= 1:
            return parts[0] if parts else cls.empty()
        return cls(
            np.concatenate([part.kind for part in parts]),
            np.concatenate([part.edge for part in parts]),
            np.concatenate([part.first for part in parts]),
            np.concatenate([part.stop for part in parts]),
        )

    def after(self, count: int) -> ReceiverLog:
        """Return the log without its first entries."""
        return ReceiverLog(
            self.kind[count:], self.edge[count:], self.first[count:], self.stop[count:]
        )
