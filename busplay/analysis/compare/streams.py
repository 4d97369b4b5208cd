"""What the alignment reads and writes: columns of both recordings, rules, findings.

Named tuples, since compiled code takes them as they are.
"""

from __future__ import annotations

from enum import IntEnum
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from busplay.pipeline import pairing

# Kinds of differences.
MISSING, CHANGED, ADDED = pairing.MISSING, pairing.CHANGED, pairing.ADDED
REORDERED = 3


class Kind(IntEnum):
    """What is wrong with a frame."""

    MISSING = MISSING
    CHANGED = CHANGED
    ADDED = ADDED
    OUT_OF_ORDER = REORDERED


# Places in the state.
NEXT_EXPECTED, NEXT_ACTUAL = 0, 1  # cursors in the columns of this call
DELAY = 2  # of the last equal pair
SEQUENCE_SHIFT = 3  # actual sequence number less expected one
SAME = 4
STARTED = 5  # an equal pair has been seen, so DELAY is no guess
DIFFERENCES, RUNS = 6, 7  # rows that this call has filled
RUN_FRAMES = 8  # equal pairs with the present delay, not yet told
PATIENCE = 9  # frames that hypothesis 5 holds for
STATE_NUMBERS = 10

# In which unit times are compared.
TimeUnit = Literal["edges", "cycles"]

# A look ahead of this many frames is wanted before damage is judged.
LOOK_FRAMES = 1 << 17
GAP_CELLS = 1 << 18  # pairs of frames between which the fewest edits are counted
TABLE_BITS = 19


class Streams(NamedTuple):
    """Columns of both recordings: int64 times, uint64 words; and whether more comes."""

    expected_time: NDArray[np.int64]
    expected_word: NDArray[np.uint64]
    actual_time: NDArray[np.int64]
    actual_word: NDArray[np.uint64]
    expected_ended: bool
    actual_ended: bool


class AlignmentRules(NamedTuple):
    """What makes frames equal.

    Attributes:
        content: uint64; bits of a word that are neither sequence, check nor constant.
        sequence_places: int64[bits]; where the sequence field's bits stand, lowest first.
        sequence_tables: uint64[bytes, 256]; what each byte of the number changes in a word.
        overlap: delays that differ by less than this mean the same place on the wire.
        has_time: times of both recordings can be compared.
        has_sequence: frames carry a sequence number.
    """

    content: np.uint64
    sequence_places: NDArray[np.int64]
    sequence_tables: NDArray[np.uint64]
    overlap: int
    has_time: bool
    has_sequence: bool


class Findings(NamedTuple):
    """Differences and runs of equal delays.

    Attributes:
        kind: uint8; MISSING, CHANGED or ADDED.
        expected: index of the expected frame; of an added frame -1 less the index of the one
            that comes next.
        actual: index of the actual frame, -1 for a missing one.
        flipped: bits in which a changed frame is not what it should be.
        run_delay, run_frames: a delay, and how many equal pairs running have it.
    """

    kind: NDArray[np.uint8]
    expected: NDArray[np.int64]
    actual: NDArray[np.int64]
    flipped: NDArray[np.uint64]
    run_delay: NDArray[np.int64]
    run_frames: NDArray[np.int64]


class Scratch(NamedTuple):
    """Room to work in; nothing in it outlives a call.

    Attributes:
        cost: int64[2, GAP_CELLS]; edits to the pairs of two rows.
        step: uint8[GAP_CELLS]; the last edit to each pair.
        path: uint8[LOOK_FRAMES]; edits, the last one first.
        table, following: int32; where frames stand, by their content (`anchors`).
    """

    cost: NDArray[np.int64]
    step: NDArray[np.uint8]
    path: NDArray[np.uint8]
    table: NDArray[np.int32]
    following: NDArray[np.int32]


def make_state() -> NDArray[np.int64]:
    """Make the state of an alignment that has seen nothing."""
    return np.zeros(STATE_NUMBERS, np.int64)


def make_findings(rows: int) -> Findings:
    """Make room for the findings of a call with up to `rows` frames on both sides together."""
    return Findings(
        np.zeros(rows, np.uint8),
        np.zeros(rows, np.int64),
        np.zeros(rows, np.int64),
        np.zeros(rows, np.uint64),
        np.zeros(rows + 1, np.int64),
        np.zeros(rows + 1, np.int64),
    )


def make_scratch() -> Scratch:
    """Make room to work in."""
    return Scratch(
        np.zeros((2, GAP_CELLS), np.int64),
        np.zeros(GAP_CELLS, np.uint8),
        np.zeros(max(GAP_CELLS, LOOK_FRAMES), np.uint8),
        np.zeros(1 << TABLE_BITS, np.int32),
        np.zeros(LOOK_FRAMES, np.int32),
    )
