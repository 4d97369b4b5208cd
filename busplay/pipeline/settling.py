"""Compiled loop of the accounts: frames sent against frames delivered, in order of link edges.

`pairing` says which belong together; one pass settles every frame that the receiver can no longer
deliver. A spurious frame is caused by damage or by false sync. Spans of frames delivered unchanged
are not compared.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from busplay.batch import SPAN_COPIES, SPAN_COUNT, SPAN_FIRST, UInt64Column
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


# After every edge.
_EVER = np.uint64((1 << 64) - 1)


class Frames(NamedTuple):
    """Frames sent and frames delivered, in order.

    Attributes:
        sent_edge, sent_word: uint64[sent].
        got_edge, got_word: uint64[got].
        got_fate: uint8[got]; the fate of each; empty: all served in time.
    """

    sent_edge: UInt64Column
    sent_word: UInt64Column
    got_edge: UInt64Column
    got_word: UInt64Column
    got_fate: NDArray[np.uint8]


class Notes(NamedTuple):
    """Room for a note on every frame sent that was not received intact.

    Attributes:
        kind: uint8[sent]; see the names above.
        sent, got: int64[sent]; its index among frames sent and delivered (-1: not delivered).
    """

    kind: NDArray[np.uint8]
    sent: NDArray[np.int64]
    got: NDArray[np.int64]


@kernel
def settle(
    frames: Frames,
    spans: NDArray[np.int64],
    settled_edge: int,
    sequence_modulus: int,
    counts: NDArray[np.int64],
    notes: Notes,
) -> tuple[int, int, int]:
    """Settle what became of the frames that were sent before an edge.

    Args:
        spans: int64[spans, SPAN_COLUMNS]; further frames, delivered unchanged.
        settled_edge: no frame that begins before it is delivered later.
        sequence_modulus: of the link's sequence field; 0: it has none.
        counts: see the names above; changed.

    Returns:
        The counts of frames sent that are settled, of frames delivered that are used up, and of
        notes.
    """
    sent = got = noted = 0
    for span in range(len(spans)):
        first, count = spans[span, SPAN_FIRST], spans[span, SPAN_COUNT]
        # Everything before a delivered frame is settled.
        sent, got, noted = _settle_part(
            frames, sent, first, got, spans[span, SPAN_COPIES], _EVER, sequence_modulus, counts,
            notes, noted,
        )  # fmt: skip
        _end_gap(sequence_modulus, counts)
        counts[INTACT] += count
        sent = first + count
    return _settle_part(
        frames, sent, len(frames.sent_edge), got, len(frames.got_edge), np.uint64(settled_edge),
        sequence_modulus, counts, notes, noted,
    )  # fmt: skip


@kernel
def _settle_part(
    frames: Frames,
    sent: int,
    sent_stop: int,
    got: int,
    got_stop: int,
    limit: np.uint64,
    sequence_modulus: int,
    counts: NDArray[np.int64],
    notes: Notes,
    noted: int,
) -> tuple[int, int, int]:
    """Settle some frames sent, from two cursors on, against some delivered; see `settle`."""
    sent_edge, sent_word = frames.sent_edge[:sent_stop], frames.sent_word[:sent_stop]
    got_edge, got_word = frames.got_edge[:got_stop], frames.got_word[:got_stop]
    while sent < sent_stop and sent_edge[sent] < limit:
        same = 0
        for index in range(min(sent_stop - sent, got_stop - got)):
            # Most are the same: in a loop of its own a frame takes 1 ns.
            fate = next_fate(sent_edge, sent_word, sent + index, got_edge, got_word, got + index)
            is_served = _fate_of(frames, got + index) == SERVED
            if fate != SAME or not is_served or sent_edge[sent + index] >= limit:
                break
            same = index + 1
        if same > 0:
            _end_gap(sequence_modulus, counts)
            counts[INTACT] += same
            sent += same
            got += same
            continue
        fate = next_fate(sent_edge, sent_word, sent, got_edge, got_word, got)
        if fate == ADDED:
            counts[SPURIOUS if _fate_of(frames, got) == SERVED else SPURIOUS_LOST] += 1
            got += 1
            continue
        notes.kind[noted] = NOTE_UNDELIVERED
        notes.sent[noted] = sent
        notes.got[noted] = -1
        sent += 1
        if fate == MISSING:
            noted += 1
            counts[UNDELIVERED] += 1
            if counts[SINCE] >= 0:
                counts[SINCE] += 1
            continue
        _end_gap(sequence_modulus, counts)
        kind, counter = NOTE_DAMAGED, DAMAGED
        if _fate_of(frames, got) == OVERRUN:
            kind, counter = NOTE_OVERRUN, OVERRUNS
        elif _fate_of(frames, got) == LATE:
            kind, counter = NOTE_LATE, LATES
        notes.kind[noted] = kind
        notes.got[noted] = got
        noted += 1
        counts[counter] += 1
        got += 1
    while got < got_stop and got_edge[got] < limit:
        counts[SPURIOUS if _fate_of(frames, got) == SERVED else SPURIOUS_LOST] += 1
        got += 1
    return sent, got, noted


@kernel
def _fate_of(frames: Frames, got: int) -> int:
    """Return the fate of a delivered frame."""
    return int(frames.got_fate[got]) if len(frames.got_fate) > 0 else SERVED


@kernel
def _end_gap(sequence_modulus: int, counts: NDArray[np.int64]) -> None:
    """Count the frames missed before a delivered one."""
    if counts[SINCE] > 0:
        counts[MISSED] += counts[SINCE]
        if 0 < sequence_modulus <= counts[SINCE]:
            counts[LONG_GAPS] += 1
    counts[SINCE] = 0
