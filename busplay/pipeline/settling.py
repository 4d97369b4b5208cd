"""Compiled loop of the accounts: frames sent against frames delivered, in order of link edges.

`pairing` says which belong together; one pass settles every frame that the receiver can no longer
deliver. A spurious frame is caused by damage or by false sync.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busplay.jit import kernel
from busplay.pipeline.pairing import ADDED, MISSING, SAME, next_fate

SERVED, OVERRUN, LATE = range(3)

# Indexes in `counts` (int64).
INTACT, DAMAGED, OVERRUNS, LATES, UNDELIVERED, SPURIOUS, SPURIOUS_LOST = range(7)
# Indexes in `run`: frames undelivered since the last delivered one (-1: none was), how many the
# receiver could have counted, and how many gaps were too long for its sequence field.
SINCE, MISSED, LONG_GAPS = range(7, 10)
COUNTS = 10

# Kinds of note on a frame that was not received intact.
NOTE_DAMAGED, NOTE_OVERRUN, NOTE_LATE, NOTE_UNDELIVERED = range(4)


@kernel
def settle(
    sent_edge: NDArray[np.uint64],
    sent_word: NDArray[np.uint64],
    got_edge: NDArray[np.uint64],
    got_word: NDArray[np.uint64],
    got_fate: NDArray[np.uint8],
    settled_edge: int,
    sequence_modulus: int,
    counts: NDArray[np.int64],
    note_kind: NDArray[np.uint8],
    note_sent: NDArray[np.int64],
    note_got: NDArray[np.int64],
) -> tuple[int, int, int]:
    """Settle what became of the frames that were sent before an edge.

    Args:
        sent_edge, sent_word: frames sent, in order.
        got_edge, got_word, got_fate: frames delivered, in order, and the fate of each.
        settled_edge: no frame that begins before it is delivered later.
        sequence_modulus: of the link's sequence field; 0: it has none.
        counts: see the names above; changed.
        note_kind, note_sent, note_got: room for a note on every frame sent: kind, index, and the
            index of the frame delivered or -1.

    Returns:
        The counts of frames sent that are settled, of frames delivered that are used up, and of
        notes.
    """
    limit = np.uint64(settled_edge)
    notes = sent = got = 0
    count, got_count = len(sent_edge), len(got_edge)
    while sent < count and sent_edge[sent] < limit:
        same = _count_same(sent_edge, sent_word, sent, got_edge, got_word, got, got_fate, limit)
        if same > 0:
            _end_gap(sequence_modulus, counts)
            counts[INTACT] += same
            sent += same
            got += same
            continue
        fate = next_fate(sent_edge, sent_word, sent, got_edge, got_word, got)
        if fate == ADDED:
            counts[SPURIOUS if got_fate[got] == SERVED else SPURIOUS_LOST] += 1
            got += 1
            continue
        note_kind[notes] = NOTE_UNDELIVERED
        note_sent[notes] = sent
        note_got[notes] = -1
        sent += 1
        if fate == MISSING:
            notes += 1
            counts[UNDELIVERED] += 1
            if counts[SINCE] >= 0:
                counts[SINCE] += 1
            continue
        _end_gap(sequence_modulus, counts)
        kind, counter = NOTE_DAMAGED, DAMAGED
        if got_fate[got] == OVERRUN:
            kind, counter = NOTE_OVERRUN, OVERRUNS
        elif got_fate[got] == LATE:
            kind, counter = NOTE_LATE, LATES
        note_kind[notes] = kind
        note_got[notes] = got
        notes += 1
        counts[counter] += 1
        got += 1
    while got < got_count and got_edge[got] < limit:
        counts[SPURIOUS if got_fate[got] == SERVED else SPURIOUS_LOST] += 1
        got += 1
    return sent, got, notes


@kernel
def _end_gap(sequence_modulus: int, counts: NDArray[np.int64]) -> None:
    """Count the frames missed before a delivered one."""
    if counts[SINCE] > 0:
        counts[MISSED] += counts[SINCE]
        if 0 < sequence_modulus <= counts[SINCE]:
            counts[LONG_GAPS] += 1
    counts[SINCE] = 0


@kernel
def _count_same(
    sent_edge: NDArray[np.uint64],
    sent_word: NDArray[np.uint64],
    sent: int,
    got_edge: NDArray[np.uint64],
    got_word: NDArray[np.uint64],
    got: int,
    got_fate: NDArray[np.uint8],
    limit: np.uint64,
) -> int:
    """Count frames, from two cursors on, that were received intact.

    Most are: in a loop of its own a frame takes 1 ns.
    """
    count = min(len(sent_edge) - sent, len(got_edge) - got)
    for index in range(count):
        fate = next_fate(sent_edge, sent_word, sent + index, got_edge, got_word, got + index)
        is_served = got_fate[got + index] == SERVED
        if fate != SAME or not is_served or sent_edge[sent + index] >= limit:
            return index
    return max(count, 0)
