"""What the receiver's kernels read and write: slots and runs of a batch, room for frames."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from busplay.batch import SPAN_COPIES, SPAN_COUNT, SPAN_FIRST, Int64Column, UInt64Column
from busplay.jit import kernel
from busplay.link.slot_symbols import turned, word_bits
from busplay.receiver.registers import (
    AT_EDGE,
    COPIED,
    FRAMES_RECEIVED,
    RUN,
    SLOT,
    SPANS,
)
from busplay.receiver.rules import Rules

# Frames joined from symbols to words at a time.
JOINED_FRAMES = 256
# The words are the batch's own, and were not joined.
OWN = np.int64(-1)
# Set in a symbol's line where the strobe is active.
ACTIVE = np.uint64(1 << 63)


class Stretch(NamedTuple):
    """A `WireBatch` in the form that kernels take; see there.

    Attributes:
        edge, word: uint64[slots].
        run_edge: int64[runs].
        run_first: int64[runs + 1].
        symbols: unsigned[symbols].
        stop_edge: edge after the last.
    """

    edge: UInt64Column
    word: UInt64Column
    run_edge: Int64Column
    run_first: Int64Column
    symbols: NDArray[np.unsignedinteger]
    stop_edge: int


class Reception(NamedTuple):
    """Arguments and state of one call of the receiver's machine.

    Attributes:
        batch: the stretch received.
        rules: of the link.
        registers: int64[REGISTERS_COUNT]; the receiver.
        saved: int64[REGISTERS_COUNT]; room for a copy.
        progress: int64[PROGRESS_COUNT].
        edge, word: uint64[frames]; room for the frames delivered that are not the batch's own.
        spans: int64[spans, SPAN_COLUMNS]; room for spans of the batch's own; see
            `DeliveredFrames`.
        log: int64[entries, LOG_COLUMNS]; room for the log; without rows none is kept.
        line: uint64[symbols]; room for some symbols: lanes in the word's bit order, and `ACTIVE`.
    """

    batch: Stretch
    rules: Rules
    registers: NDArray[np.int64]
    saved: NDArray[np.int64]
    progress: NDArray[np.int64]
    edge: UInt64Column
    word: UInt64Column
    spans: NDArray[np.int64]
    log: NDArray[np.int64]
    line: UInt64Column


@kernel
def deliver(edge: int, word: np.uint64, reception: Reception) -> None:
    """Deliver a frame that is not one of the batch's words."""
    count = reception.progress[COPIED]
    reception.edge[count] = np.uint64(edge)
    reception.word[count] = word
    reception.progress[COPIED] = count + 1
    reception.registers[FRAMES_RECEIVED] += 1


@kernel
def deliver_span(
    first: int, stop: int, words: Stretch, joined_at: int, reception: Reception
) -> None:
    """Deliver some words unchanged.

    Args:
        first, stop: the slots.
        words: the batch, or words joined from its symbols.
        joined_at: index in the room at which they were joined, or `OWN`.
    """
    progress = reception.progress
    count, copied = stop - first, progress[COPIED]
    reception.registers[FRAMES_RECEIVED] += count
    if joined_at != OWN:
        progress[COPIED] = copied + count
        if joined_at + first != copied:
            for index in range(count):
                reception.edge[copied + index] = words.edge[first + index]
                reception.word[copied + index] = words.word[first + index]
    elif count > 0:
        span = reception.spans[progress[SPANS]]
        span[SPAN_FIRST], span[SPAN_COUNT], span[SPAN_COPIES] = first, count, copied
        progress[SPANS] += 1


@kernel
def next_run(reception: Reception) -> int:
    """Return the edge at which the next run of symbols begins, or the batch's end."""
    batch, progress = reception.batch, reception.progress
    at, run = progress[AT_EDGE], progress[RUN]
    runs = len(batch.run_edge)
    while (
        run < runs and batch.run_edge[run] + batch.run_first[run + 1] - batch.run_first[run] <= at
    ):
        run += 1
    progress[RUN] = run
    return min(batch.run_edge[run], batch.stop_edge) if run < runs else batch.stop_edge


@kernel
def next_slot(reception: Reception) -> int:
    """Return the first edge of the next slot that carries a word, or the batch's end.

    It is before the present edge if that is within the slot.
    """
    batch, progress = reception.batch, reception.progress
    at, slot = progress[AT_EDGE], progress[SLOT]
    slots = len(batch.edge)
    while slot < slots and np.int64(batch.edge[slot]) + reception.rules.shape.slot_symbols <= at:
        slot += 1
    progress[SLOT] = slot
    if slot == slots:
        return batch.stop_edge
    return min(int(np.int64(batch.edge[slot])), batch.stop_edge)


@kernel
def write_run(most: int, reception: Reception) -> int:
    """Write at most MOST symbols of the run at the present edge; return the line's length."""
    batch, rules, progress = reception.batch, reception.rules, reception.progress
    run, at, shape = progress[RUN], progress[AT_EDGE], rules.shape
    first = batch.run_first[run] + at - batch.run_edge[run]
    count = min(batch.run_first[run + 1] - first, batch.stop_edge - at, most)
    # Slices from 0: LLVM does not vectorize where an index may be negative.
    symbols, line = batch.symbols[first : first + count], reception.line
    for index in range(count):
        line[index] = np.uint64(symbols[index]) & shape.lane_mask
    if shape.is_reversed:
        for index in range(count):
            line[index] = turned(line[index], shape)
    if rules.is_strobe:
        for index in range(count):
            if (np.uint64(symbols[index]) ^ shape.strobe_rest) & shape.strobe_mask != np.uint64(0):
                line[index] |= ACTIVE
    return int(count)


@kernel
def join_run(reception: Reception) -> Stretch:
    """Join complete frames of the run at the present edge to words, which replace their symbols.

    They are written at their final place in case all of them are delivered.
    """
    batch, shape, progress = reception.batch, reception.rules.shape, reception.progress
    run, at = progress[RUN], progress[AT_EDGE]
    first = batch.run_first[run] + at - batch.run_edge[run]
    symbols = min(batch.run_first[run + 1] - first, batch.stop_edge - at)
    copied = progress[COPIED]
    edges, words = reception.edge[copied:-1], reception.word[copied:-1]
    count = min(symbols // shape.frame_symbols, len(words), JOINED_FRAMES)
    lanes, mask = np.uint64(shape.lanes), shape.lane_mask
    for frame in range(count):
        begin = first + frame * shape.frame_symbols
        given = batch.symbols[begin : begin + shape.frame_symbols]
        word = np.uint64(0)
        if shape.is_reversed:
            for symbol in given:
                word = word << lanes | turned(np.uint64(symbol) & mask, shape)
        else:
            for place in range(shape.frame_symbols):
                word = word << lanes | (np.uint64(given[place]) & mask)
        edges[frame] = np.uint64(at + frame * shape.frame_symbols)
        words[frame] = word
    return Stretch(
        edges[:count],
        words[:count],
        batch.run_edge,
        batch.run_first,
        batch.symbols,
        at + count * shape.frame_symbols,
    )


@kernel
def write_word(word: np.uint64, place: int, count: int, reception: Reception) -> int:
    """Write symbols of a word's slot, from a symbol on; return the line's length."""
    shape = reception.rules.shape
    for index in range(count):
        bits = word_bits(word, place + index, shape)
        is_active = place + index < shape.active_symbols
        reception.line[index] = bits | ACTIVE if is_active else bits
    return count
