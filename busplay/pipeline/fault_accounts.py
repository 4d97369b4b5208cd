"""What became of every fault: detected by the check, by loss of sync, or not at all.

How to think about it. Each fault concerns one of the symbols that the receiver samples. The
receiver's log has the ranges of symbols of invalid, corrected and aborted frames, and the points
at which it gained and lost sync. So a fault is looked up by its symbol:
- the receiver was out of sync: no frame was judged;
- in no invalid frame: undetected, since its frame passed as valid;
- in an invalid frame: detected by the check; or by loss of sync, if the run of invalid frames
  made the receiver hunt anew, or if the frame was aborted.

Whether a run of invalid frames ends in a loss of sync is known some frames later, so the newest
faults wait. Faults are looked up in batches, since a call costs as much as hundreds of faults.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busplay.batch import Int64Column
from busplay.pipeline.fault_verdicts import (
    CHECK,
    IN_FLIGHT,
    OUT,
    SYNC,
    UNDETECTED,
    VERDICTS,
    count_verdicts,
)
from busplay.pipeline.totals import FaultTotals
from busplay.receiver.counters import ReceiverLog
from busplay.receiver.states import LogKind

# Faults and log entries in a batch.
AT_ONCE = 2_048


class FaultAccounts:
    """Counts of faults by what the receiver made of them.

    Args:
        kinds: number of kinds of fault.
        margin_symbols: symbols after which a fault's outcome is known.
        in_sync: whether the receiver is in sync at the start.
    """

    def __init__(self, kinds: int, *, margin_symbols: int, in_sync: bool = False) -> None:
        self._margin = margin_symbols
        self._decided = np.zeros((kinds, VERDICTS), np.int64)
        self._ordinal: Int64Column = np.empty(0, np.int64)
        self._kind: NDArray[np.uint8] = np.empty(0, np.uint8)
        self._log = ReceiverLog.empty()
        self._in_sync = in_sync
        self._new_faults: list[tuple[Int64Column, NDArray[np.uint8]]] = []
        self._new_logs: list[ReceiverLog] = []
        self._new = 0

    def feed(
        self,
        ordinal: Int64Column,
        kind: NDArray[np.uint8],
        log: ReceiverLog,
        *,
        symbols_fed: int,
    ) -> None:
        """Add faults, and the receiver's log since the last call.

        Args:
            ordinal: int64[faults], not decreasing; the symbol that each concerns.
            kind: uint8[faults].
            log: of the receiver.
            symbols_fed: symbols that the receiver has sampled.
        """
        if len(log):
            self._new_logs.append(log)
        if len(ordinal):
            self._new_faults.append((ordinal, kind))
        self._new += len(log) + len(ordinal)
        if self._new >= AT_ONCE:
            self._judge(symbols_fed)

    def _join(self) -> None:
        """Append new faults to the waiting ones."""
        if self._new_logs:
            self._log = ReceiverLog.joined([self._log, *self._new_logs])
        if self._new_faults:
            self._ordinal = np.concatenate([self._ordinal, *(one for one, _ in self._new_faults)])
            self._kind = np.concatenate([self._kind, *(one for _, one in self._new_faults)])
        self._new_logs.clear()
        self._new_faults.clear()
        self._new = 0

    def _judge(self, symbols_fed: int) -> None:
        """Count the faults whose outcome is known."""
        self._join()
        horizon = symbols_fed - self._margin
        count = int(np.searchsorted(self._ordinal, horizon))
        if count:
            self._count(count, horizon, self._decided)
            self._ordinal, self._kind = self._ordinal[count:], self._kind[count:]
        self._forget(horizon)

    def _count(self, count: int, symbols_judged: int, counts: NDArray[np.int64]) -> None:
        """Count the verdicts on the first COUNT faults."""
        log = self._log
        count_verdicts(
            self._ordinal[:count],
            self._kind[:count],
            log.kind,
            log.first,
            log.stop,
            self._in_sync,
            symbols_judged,
            counts,
        )

    def _forget(self, horizon: int) -> None:
        """Drop log entries of symbols that no later fault concerns."""
        log = self._log
        old = int(np.searchsorted(log.stop, horizon, side="right"))
        # Waiting faults may look back by a run of invalid frames.
        old = min(old, int(np.searchsorted(log.stop, horizon - self._margin)))
        if old == 0:
            return
        changes = log.kind[:old][log.kind[:old] >= LogKind.SYNC_LOST]
        if len(changes):
            self._in_sync = bool(changes[-1] == LogKind.SYNC_GAINED)
        self._log = log.after(old)

    def totals(self, *, symbols_judged: int) -> list[FaultTotals]:
        """Return the totals of each kind.

        Args:
            symbols_judged: symbols before the incomplete frame.
        """
        self._join()
        counts = self._decided.copy()
        self._count(len(self._ordinal), symbols_judged, counts)
        return [
            FaultTotals(
                injected=int(row.sum()),
                detected_by_check=int(row[CHECK]),
                detected_by_sync=int(row[SYNC]),
                out_of_sync=int(row[OUT]),
                undetected=int(row[UNDETECTED]),
                in_flight=int(row[IN_FLIGHT]),
            )
            for row in counts
        ]
