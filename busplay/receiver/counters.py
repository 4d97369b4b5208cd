"""What a receiver counts, and its log."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from busplay.receiver.states import LOG_EDGE, LOG_FIRST, LOG_KIND, LOG_STOP


@dataclass(frozen=True, slots=True)
class ReceiverCounters:
    """A receiver's counts since it was made or reset.

    A frame is *judged* if the receiver was in SYNC before its first symbol (with a strobe: once
    its strobe was active). Every symbol is accounted for:

        symbols_fed = symbols_skipped + symbols_idle + pending_symbols
                      + frame_symbols * (frames_received + frames_idle + checks_failed)

    where `pending_symbols` belong to the frame that has begun and not ended.

    Attributes:
        symbols_fed: all symbols, whether fed one by one, as words, or as idle time.
        symbols_skipped: symbols outside judged frames: fed in HUNT or PRESYNC, or in an aborted
            frame.
        symbols_idle: symbols between frames while the strobe was inactive (strobe links only).
        pending_symbols: symbols of the incomplete frame.
        frames_received: judged frames that were delivered.
        frames_idle: judged frames that were idle, so not delivered.
        checks_failed: judged frames that were invalid and could not be corrected.
        frames_corrected: judged frames with one invalid bit that was corrected; also counted as
            received or idle.
        frames_aborted: frames aborted before their last symbol, because a strobe came early or
            was dropped, or a marker stood elsewhere.
        frames_missed: frames sent and not delivered, by the sequence field, from the first
            delivered frame on. Known only modulo 2 ** bits, so too low after a long loss of sync.
        syncs_gained: times that the receiver entered SYNC.
        syncs_lost: times that it left SYNC, or found that it was in false sync.
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
    """A receiver's events other than valid frames, in order.

    Attributes:
        kind: uint8[events]; a `LogKind`.
        edge: int64[events]; link edge after the event's last symbol.
        first, stop: int64[events]; range of the symbols fed that the event concerns, from 0.
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
        """Make an empty log."""
        nothing = np.empty(0, np.int64)
        return cls(np.empty(0, np.uint8), nothing, nothing, nothing)

    @classmethod
    def joined(cls, parts: Sequence[ReceiverLog]) -> ReceiverLog:
        """Concatenate logs; a single one is returned as it is."""
        if len(parts) <= 1:
            return parts[0] if parts else cls.empty()
        return cls(
            np.concatenate([part.kind for part in parts]),
            np.concatenate([part.edge for part in parts]),
            np.concatenate([part.first for part in parts]),
            np.concatenate([part.stop for part in parts]),
        )

    def after(self, count: int) -> ReceiverLog:
        """Return all but the first COUNT entries."""
        return ReceiverLog(
            self.kind[count:], self.edge[count:], self.first[count:], self.stop[count:]
        )
