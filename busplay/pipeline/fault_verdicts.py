"""Compiled loop of the accounts of faults: each fault against the receiver's log, in one pass.

Both are in order of symbols. So a cursor for each of three kinds of entry is enough: the invalid
frame, the loss of sync after it, and the last change of sync before the fault.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busplay.batch import Int64Column, UInt8Column
from busplay.jit import kernel
from busplay.receiver.states import LogKind

CHECK, SYNC, OUT, UNDETECTED, IN_FLIGHT = range(5)
VERDICTS = 5
_ABORTED, _LOST, _GAINED = LogKind.ABORTED.value, LogKind.SYNC_LOST.value, LogKind.SYNC_GAINED.value


@kernel
def count_verdicts(
    ordinal: Int64Column,
    kind: UInt8Column,
    log_kind: UInt8Column,
    log_first: Int64Column,
    log_stop: Int64Column,
    in_sync: bool,
    symbols_judged: int,
    counts: NDArray[np.int64],
) -> None:
    """Count faults by kind and verdict.

    Args:
        ordinal, kind: the faults, in order; the symbol that each concerns.
        log_kind, log_first, log_stop: columns of the receiver's log.
        in_sync: whether the receiver was in sync before the log.
        symbols_judged: faults from this symbol on are in flight.
        counts: int64[kinds, VERDICTS]; changed.
    """
    entries = len(log_kind)
    invalid = loss = change = 0
    for fault in range(len(ordinal)):
        at = ordinal[fault]
        while invalid < entries and (log_kind[invalid] > _ABORTED or log_stop[invalid] <= at):
            invalid += 1
        while change < entries and (log_kind[change] < _LOST or log_stop[change] <= at):
            if log_kind[change] >= _LOST:
                in_sync = log_kind[change] == _GAINED
            change += 1
        verdict = UNDETECTED
        if at >= symbols_judged:
            verdict = IN_FLIGHT
        elif not in_sync:
            verdict = OUT
        elif invalid < entries and log_first[invalid] <= at:
            stop = log_stop[invalid]
            while loss < entries and (log_kind[loss] != _LOST or log_stop[loss] < stop):
                loss += 1
            by_loss = loss < entries and log_first[loss] < stop
            verdict = SYNC if by_loss or log_kind[invalid] == _ABORTED else CHECK
        counts[kind[fault], verdict] += 1
