"""Compiled loop of the accounts: frames sent against frames delivered, in order of link edges.

`pairing` says which of them belong together; one pass settles all that the receiver cannot
deliver any more. A spurious frame comes of damage, or of a receiver at a wrong alignment.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busplay.jit import kernel
from busplay.pipeline.pairing import ADDED, MISSING, SAME, next_fate

SERVED, OVERRUN, LATE = range(3)

# Places in `counts` (int64).
RIGHT, WRONG, OVERRUNS, LATES, UNDELIVERED, SPURIOUS, SPURIOUS_LOST = range(7)
# Places in `run`: frames undelivered since the last delivered one (-1: none was), how many the
# receiver could have counted, and how many gaps were too long for its sequence field.
SINCE, MISSED, LONG_GAPS = range(7, 10)
COUNTS = 10

# What a note says of a frame that was not received right.
NOTE_WRONG, NOTE_OVERRUN, NOTE_LATE, NOTE_UNDELIVERED = range(4)


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
    """Say what became of the frames that were sent before an edge.

    Args:
        sent_edge, sent_word: frames sent, in order.
        got_edge, got_word, got_fate: frames delivered, in order, and how each was served.
        settled_edge: no frame to come is delivered that begins before it.
        sequence_modulus: of the link's sequence field; 0: it has none.
        counts: see the names above; changed.
        note_kind, note_sent, note_got: room for a note of every frame sent; which of the
            delivered ones it is, or -1.

    Returns:
        How many frames sent are settled, how many delivered are used up, how many notes there
        are.
    """
    limit = np.uint64(settled_edge)
    notes = 0
    got = 0
    sent = 0
    count = len(sent_edge)
    got_count = len(got_edge)
    right = 0
    while sent < count and sent_edge[sent] < limit:
        fate = next_fate(sent_edge, sent_word, sent, got_edge, got_word, got)
        if fate == ADDED:
            counts[SPURIOUS if got_fate[got] == SERVED else SPURIOUS_LOST] += 1
            got += 1
            continue
        if fate == MISSING:
            note_kind[notes] = NOTE_UNDELIVERED
            note_sent[notes] = sent
            note_got[notes] = -1
            notes += 1
            counts[UNDELIVERED] += 1
            if counts[SINCE] >= 0:
                counts[SINCE] += 1
            sent += 1
            continue
        if counts[SINCE] > 0:
            counts[MISSED] += counts[SINCE]
            if sequence_modulus > 0 and counts[SINCE] >= sequence_modulus:
                counts[LONG_GAPS] += 1
        counts[SINCE] = 0
        if got_fate[got] == SERVED and fate == SAME:
            right += 1
        else:
            kind = NOTE_WRONG
            if got_fate[got] == OVERRUN:
                kind = NOTE_OVERRUN
                counts[OVERRUNS] += 1
            elif got_fate[got] == LATE:
                kind = NOTE_LATE
                counts[LATES] += 1
            else:
                counts[WRONG] += 1
            note_kind[notes] = kind
            note_sent[notes] = sent
            note_got[notes] = got
            notes += 1
        got += 1
        sent += 1
    while got < got_count and got_edge[got] < limit:
        counts[SPURIOUS if got_fate[got] == SERVED else SPURIOUS_LOST] += 1
        got += 1
    counts[RIGHT] += right
    return sent, got, notes
