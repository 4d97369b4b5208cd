"""Counts over all expected frames: addresses, lengths of bursts, a sample of times.

A burst of scale k is a run of frames of which each starts within 2 ** k slots of the one before.
A frame's place in its burst is how many frames of the burst came before it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busplay.jit import kernel

UInt64s = NDArray[np.uint64]
Int64s = NDArray[np.int64]

SCALES = 8
# Bursts are counted by length up to this; of longer ones the frames beyond it are counted.
LENGTH_MOST = 1 << 16
SPACES = 4
# What is carried from piece to piece.
FRAMES, LAST_EDGE, FIRST_START = 0, 1, 2
CARRIED_NUMBERS = FIRST_START + SCALES


@kernel
def is_sampled(number: int, level: int) -> bool:
    """Return whether a frame is one of those that a sample of one in 2 ** level takes.

    Its number is mixed first, so that no loop of a program is in sync with the sample.
    """
    if level == 0:
        return True
    mixed = np.uint64(number) * np.uint64(0x9E3779B97F4A7C15)
    mixed = (mixed ^ (mixed >> np.uint64(31))) * np.uint64(0xBF58476D1CE4E5B9)
    mixed = (mixed ^ (mixed >> np.uint64(29))) * np.uint64(0x94D049BB133111EB)
    return bool(mixed >> np.uint64(64 - level) == np.uint64(0))


@kernel
def find_sampled(numbers: Int64s, level: int, kept: NDArray[np.bool_]) -> None:
    """Fill `kept` with which frames are in a sample, by number."""
    for k in range(len(numbers)):
        kept[k] = is_sampled(numbers[k], level)


@kernel
def count_frames(
    edge: UInt64s,
    pieces: UInt64s,
    fields: UInt64s,
    unit_rows: Int64s,
    address_shift: int,
    slot: int,
    addresses: NDArray[np.int64],
    carried: Int64s,
    lengths: NDArray[np.int64],
    beyond: Int64s,
    asked: Int64s,
    places: NDArray[np.int64],
    level: int,
    sampled_numbers: Int64s,
    sampled_edges: Int64s,
) -> int:
    """Count a piece of a recording.

    Args:
        edge: start edges.
        pieces: words in which `fields` finds space, unit and address.
        fields: uint64[4, 3]; shift, mask, fixed value of space, unit, address, data.
        unit_rows: int64[numbers]; row of each unit number; the last one stands for all others.
        address_shift: bits of an offset that are too fine to count.
        slot: edges of a slot.
        addresses: int64[units, SPACES, offsets]; counted up.
        carried: int64[CARRIED_NUMBERS]; frames so far, last edge, where each scale's burst began.
        lengths: int64[SCALES, LENGTH_MOST + 1]; bursts that ended, by length.
        beyond: int64[SCALES]; frames of those bursts behind the first LENGTH_MOST.
        asked: int64, rising; frames of the piece whose places in their bursts are asked for.
        places: int64[asked, SCALES]; filled.
        level: the sample takes one frame in 2 ** level.
        sampled_numbers, sampled_edges: int64[at least as many as the piece]; filled.

    Returns:
        How many frames the sample took.
    """
    last_row, last_space = np.int64(len(unit_rows) - 1), np.int64(SPACES - 1)
    last_offset = np.int64(addresses.shape[2] - 1)
    number, before = carried[FRAMES], carried[LAST_EDGE]
    next_asked = taken = 0
    for k in range(len(edge)):
        word = pieces[k]
        space = np.int64(((word >> fields[0, 0]) & fields[0, 1]) | fields[0, 2])
        unit = np.int64(((word >> fields[1, 0]) & fields[1, 1]) | fields[1, 2])
        offset = np.int64(((word >> fields[2, 0]) & fields[2, 1]) | fields[2, 2])
        row = unit_rows[min(unit, last_row)]
        offset = min(offset >> np.int64(address_shift), last_offset)
        addresses[row, min(space, last_space), offset] += 1
        start = np.int64(edge[k])
        near = slot
        for scale in range(SCALES):
            if number and start - before <= near:
                # Near enough for this scale's burst, and so for those of all wider scales.
                break
            length = number - carried[FIRST_START + scale]
            lengths[scale, min(length, LENGTH_MOST)] += 1
            beyond[scale] += max(length - LENGTH_MOST, 0)
            carried[FIRST_START + scale] = number
            near *= 2
        if next_asked < len(asked) and asked[next_asked] == k:
            for scale in range(SCALES):
                places[next_asked, scale] = number - carried[FIRST_START + scale]
            next_asked += 1
        if is_sampled(number, level):
            sampled_numbers[taken], sampled_edges[taken] = number, start
            taken += 1
        before = start
        number += 1
    carried[FRAMES], carried[LAST_EDGE] = number, before
    return taken
