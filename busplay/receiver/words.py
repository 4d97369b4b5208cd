"""In sync, word by word: the receiver's fast speed.

How to think about it. In sync, between two frames, the receiver would join exactly the symbols
of the next slot to one word, so it takes the word. The idle slots within a row of frames are
counted by one division. It stops before anything that is not plain: a run of symbols, an invalid
frame, a slot off the grid, a misplaced marker. Those go symbol by symbol (`machine`), which returns
here at the frame's end. So this loop takes only the table's row "SYNC, VALID, SYNC", which only
counts.

What a frame changes is kept in local variables until the loop ends: in the registers array a
frame took 1.5 times as long.
"""

from __future__ import annotations

import numpy as np

from busplay.jit import kernel
from busplay.receiver.judgement import (
    FAILS,
    IS_IDLE,
    is_next,
    judge,
    may_show_marker,
    missed_before,
    next_number,
    read,
)
from busplay.receiver.registers import (
    AT_EDGE,
    EXPECTED,
    FRAME_EDGE,
    FRAMES_IDLE,
    FRAMES_MISSED,
    FRAMES_RECEIVED,
    INVALID_RUN,
    MAY_CORRECT,
    SLOT,
    SPANS,
    SYMBOLS_FED,
    SYMBOLS_IDLE,
    WAS_ACTIVE,
    WINDOW,
)
from busplay.receiver.rules import Rules
from busplay.receiver.stretch import Reception, Stretch, deliver_span

# What looks like a longer gap is an edge before the last one.
_GAP_MAX = np.uint64(1 << 62)
_NO_GAPS = np.uint64(0)


@kernel
def take_words(batch: Stretch, limit: int, joined_at: int, reception: Reception) -> None:
    """Take slots and idle time while the stretch is plain.

    The receiver is in SYNC, between two frames.

    Args:
        batch, joined_at: the words; see `deliver_span`.
        limit: where to stop: the next run of symbols, or the batch's end.
    """
    rules, registers, progress = reception.rules, reception.registers, reception.progress
    shape = rules.shape
    slot_symbols, rest_symbols = shape.slot_symbols, shape.slot_symbols - shape.frame_symbols
    is_strobe, is_held, is_watched = rules.is_strobe, rules.is_held, rules.is_watched
    sequence_mask = np.int64(rules.sequence_mask)
    has_sequence = sequence_mask != 0
    slots = len(batch.edge)
    first = at = progress[AT_EDGE]
    slot = progress[SLOT]
    # Slots that were delivered and stand in no span yet; and frames delivered before.
    span_first = span_stop = slot
    received_before = registers[FRAMES_RECEIVED]
    expected, window = registers[EXPECTED], np.uint64(registers[WINDOW])
    # A held strobe cannot begin a frame until it has been inactive.
    may_begin = not is_held or registers[WAS_ACTIVE] == 0
    idle = missed = rest = 0
    # A multiple of slots further on is on the grid too.
    on_grid = at % slot_symbols == 0
    last_stop = at
    grid = _NO_GAPS
    if is_strobe:
        grid = np.uint64(1)
    elif on_grid and not is_watched:
        grid = np.uint64(slot_symbols)
    while True:
        start = min(np.int64(batch.edge[slot]), limit) if slot < slots else limit
        if start != at:
            if start < at:
                break
            if is_strobe:
                rest += start - at
                may_begin = True
                at = start
            else:
                if not on_grid:
                    break
                whole = (start - at) // slot_symbols
                if whole > 0:
                    is_new = is_watched and window != shape.idle_word
                    if is_new and may_show_marker(window, shape.idle_word, rules):
                        break
                    idle += whole
                    at += whole * slot_symbols
                    window = shape.idle_word
                if at != start:
                    break
        if slot == slots or at + slot_symbols > limit or not may_begin:
            break
        if slot != span_stop:
            deliver_span(span_first, span_stop, batch, joined_at, reception)
            span_first = span_stop = slot
            if progress[SPANS] == len(reception.spans):
                break
        # Without the test for gaps a full link takes three quarters of the time.
        if at == last_stop:
            plain = _count_plain(batch, slot, slots, at, limit, _NO_GAPS, expected, rules)
        else:
            plain = _count_plain(batch, slot, slots, at, limit, grid, expected, rules)
        if is_watched and plain > 0:
            plain = _count_unmarked(batch, slot, plain, window, rules)
        if plain > 0:
            slot += plain
            span_stop = slot
            stop = np.int64(batch.edge[slot - 1]) + slot_symbols
            gaps = stop - at - plain * slot_symbols
            at = last_stop = stop
            rest += plain * rest_symbols
            if is_strobe:
                rest += gaps
            elif gaps > 0:
                idle += gaps // slot_symbols
            window = batch.word[slot - 1]
            expected = expected + plain & sequence_mask if has_sequence else expected
            continue
        word = batch.word[slot]
        reading = read(word, rules)
        verdict = judge(word, reading, rules)
        if verdict == FAILS or (is_watched and may_show_marker(window, word, rules)):
            break
        if verdict == IS_IDLE:
            idle += 1
        else:
            missed += missed_before(reading, expected, rules)
            expected = next_number(reading, rules) if has_sequence else expected
            span_stop = slot + 1
        window = word
        rest += rest_symbols
        at += slot_symbols
        last_stop = at
        slot += 1
    deliver_span(span_first, span_stop, batch, joined_at, reception)
    if registers[FRAMES_RECEIVED] - received_before + idle > 0:
        registers[INVALID_RUN] = 0
        registers[MAY_CORRECT] = 1
    if is_held and at > first:
        registers[WAS_ACTIVE] = 0
    registers[EXPECTED] = expected
    registers[WINDOW] = np.int64(0) if is_strobe else np.int64(window)
    registers[FRAME_EDGE] = at
    registers[SYMBOLS_FED] += at - first
    registers[SYMBOLS_IDLE] += rest
    registers[FRAMES_IDLE] += idle
    registers[FRAMES_MISSED] += missed
    progress[AT_EDGE] = at
    progress[SLOT] = slot


@kernel
def _count_plain(
    batch: Stretch,
    first: int,
    stop: int,
    at: int,
    limit: int,
    grid: np.uint64,
    expected: int,
    rules: Rules,
) -> int:
    """Count the slots, from one on, that carry the next frames.

    Each is valid, not idle, has the next sequence number, and ends by the limit.

    Args:
        first, stop: the slots.
        at: edge at which the first must begin.
        grid: gaps between them must be multiples of it; 0: there must be none.
    """
    step = np.uint64(rules.shape.slot_symbols)
    edges, words = batch.edge[first:stop], batch.word[first:stop]
    edge, last = np.uint64(at), np.uint64(max(limit - rules.shape.slot_symbols, 0))
    shift, numbers = rules.sequence_shift, rules.sequence_mask
    wanted, one_more = (np.uint64(expected) & numbers) << shift, (numbers & np.uint64(1)) << shift
    mask = numbers << shift | rules.syndrome_mask
    count = min(len(words), (limit - at) // rules.shape.slot_symbols)
    for index in range(count):
        if edges[index] != edge:
            gap = edges[index] - edge
            if index == 0 or grid == _NO_GAPS or gap > _GAP_MAX or gap % grid != np.uint64(0):
                return index
            edge = edges[index]
        # Without gaps all of COUNT frames end by the limit.
        if grid != _NO_GAPS and edge > last:
            return index
        if not is_next(words[index], wanted, mask, rules):
            return index
        edge += step
        wanted += one_more
    return count


@kernel
def _count_unmarked(batch: Stretch, first: int, most: int, before: np.uint64, rules: Rules) -> int:
    """Count slots, from one on, with no misplaced marker."""
    for index in range(first, first + most):
        if may_show_marker(before, batch.word[index], rules):
            return index - first
        before = batch.word[index]
    return most
