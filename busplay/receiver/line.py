"""What comes next on the wire: words while the stretch is plain, then a line of symbols.

How to think about it. A line is a few symbols in the word's bit order, from a run, from part of a
word's slot, or from idle time; the machine need not know which. In sync, between two frames,
`words` takes complete slots instead.

Idle time out of sync goes slot by slot; with finitely many states the machine must cycle. When
its state at a slot's start equals an earlier one (Brent's algorithm: compare with a saved state,
save anew after 1, 2, 4, ... slots), the counters of one cycle are multiplied and its frames
repeated.
"""

from __future__ import annotations

import numpy as np

from busplay.jit import kernel
from busplay.receiver.registers import (
    AT_EDGE,
    COPIED,
    FIRST_COUNTER,
    FRAME_EDGE,
    HAS_SAVED,
    LOGGED,
    POSITION,
    SAVED_COPIED,
    SAVED_LOGGED,
    SLOT,
    SLOTS_SINCE,
    SLOTS_UNTIL,
    SPANS,
    STATE,
    STOP_COUNTER,
    SYMBOLS_FED,
    SYMBOLS_IDLE,
    SYMBOLS_SKIPPED,
    WAS_ACTIVE,
)
from busplay.receiver.states import LOG_AT_ONCE, LOG_COLUMNS, LOG_EDGE, LOG_KIND, SYNC
from busplay.receiver.stretch import (
    OWN,
    Reception,
    join_run,
    next_run,
    next_slot,
    write_run,
    write_word,
)
from busplay.receiver.words import take_words


@kernel
def next_line(done: int, reception: Reception) -> int:
    """Take words up to the next symbols that the machine must see one by one; write those.

    Args:
        done: symbols of the last line, now processed.

    Returns:
        Length of the line; 0: the batch has ended, or there is no more room.
    """
    batch, rules = reception.batch, reception.rules
    registers, progress = reception.registers, reception.progress
    shape = rules.shape
    registers[SYMBOLS_FED] += done
    progress[AT_EDGE] += done
    if registers[POSITION] == 0:
        registers[FRAME_EDGE] = progress[AT_EDGE]
    while progress[AT_EDGE] < batch.stop_edge and progress[SPANS] < len(reception.spans):
        limit = next_run(reception)
        start = next_slot(reception)
        at = progress[AT_EDGE]
        in_run = limit <= at
        in_sync = registers[STATE] == SYNC and registers[POSITION] == 0 and rules.is_steady
        if in_sync and ((in_run and not rules.is_strobe) or (not in_run and start >= at)):
            words, slot, joined_at = batch, progress[SLOT], int(OWN)
            if in_run:
                # Complete frames given symbol by symbol can be joined to words.
                joined_at = progress[COPIED]
                words = join_run(reception)
                progress[SLOT], limit = 0, words.stop_edge
            take_words(words, limit, joined_at, reception)
            progress[HAS_SAVED] = 0
            if in_run:
                progress[SLOT] = slot
            if progress[AT_EDGE] > at:
                continue
        # A line ends at most as many frames as there is room for; the next call takes the rest.
        most = (len(reception.edge) - progress[COPIED] - 1) * shape.frame_symbols
        if len(reception.log) > 0:
            most = min(most, (len(reception.log) - progress[LOGGED]) // LOG_AT_ONCE)
        most = min(
            most, shape.frame_symbols if in_sync and not rules.is_strobe else len(reception.line)
        )
        if most <= 0:
            break
        if in_run:
            progress[HAS_SAVED] = 0
            return write_run(most, reception)
        if start <= at:
            progress[HAS_SAVED] = 0
            count = min(start + shape.slot_symbols, limit) - at
            return write_word(batch.word[progress[SLOT]], at - start, min(count, most), reception)
        count = min(start, limit) - at
        if rules.is_strobe and registers[POSITION] == 0:
            _rest(count, reception)
            continue
        phase = at % shape.slot_symbols
        if phase == 0 and not rules.is_strobe:
            whole = count // shape.slot_symbols
            if _skip_rounds(whole, reception):
                continue
        # With a strobe idle time is like the gap after a frame: strobe inactive.
        place = shape.frame_symbols if rules.is_strobe else phase
        count = min(shape.slot_symbols - phase, count, most)
        return write_word(shape.idle_word, place, count, reception)
    return 0


@kernel
def _rest(count: int, reception: Reception) -> None:
    """Take idle edges between frames of a strobe link; the strobe is inactive."""
    registers, progress = reception.registers, reception.progress
    registers[SYMBOLS_FED] += count
    registers[SYMBOLS_IDLE if registers[STATE] == SYNC else SYMBOLS_SKIPPED] += count
    if reception.rules.is_held:
        registers[WAS_ACTIVE] = 0
    progress[AT_EDGE] += count
    registers[FRAME_EDGE] = progress[AT_EDGE]


@kernel
def _skip_rounds(whole: int, reception: Reception) -> bool:
    """At the start of an idle slot, if the state repeats an earlier one, skip complete cycles.

    Args:
        whole: idle slots ahead.
    """
    registers, saved, progress = reception.registers, reception.saved, reception.progress
    # Of the incomplete frame only its age matters.
    frame_edge = registers[FRAME_EDGE]
    registers[FRAME_EDGE] = frame_edge - progress[AT_EDGE]
    is_same = progress[HAS_SAVED] != 0 and whole > 0
    for one in range(FIRST_COUNTER):
        is_same = is_same and registers[one] == saved[one]
    rounds = 0
    if is_same:
        since = progress[SLOTS_SINCE]
        frames, entries = progress[COPIED] - progress[SAVED_COPIED], 0
        rounds = whole // since
        if frames > 0:
            rounds = min(rounds, (len(reception.edge) - progress[COPIED]) // frames)
        if len(reception.log) > 0:
            entries = progress[LOGGED] - progress[SAVED_LOGGED]
            if entries > 0:
                rounds = min(rounds, (len(reception.log) - progress[LOGGED]) // entries)
        edges = since * reception.rules.shape.slot_symbols
        _repeat(rounds, frames, entries, edges, reception)
        for one in range(FIRST_COUNTER, STOP_COUNTER):
            registers[one] += rounds * (registers[one] - saved[one])
        progress[AT_EDGE] += rounds * edges
        progress[HAS_SAVED] = 0
    elif whole > 0 and (progress[HAS_SAVED] == 0 or progress[SLOTS_SINCE] == progress[SLOTS_UNTIL]):
        progress[SLOTS_UNTIL] = 1 if progress[HAS_SAVED] == 0 else 2 * progress[SLOTS_UNTIL]
        for one in range(STOP_COUNTER):
            saved[one] = registers[one]
        progress[SAVED_COPIED] = progress[COPIED]
        progress[SAVED_LOGGED] = progress[LOGGED]
        progress[SLOTS_SINCE] = 0
        progress[HAS_SAVED] = 1
    registers[FRAME_EDGE] += progress[AT_EDGE]
    progress[SLOTS_SINCE] += 1
    return rounds > 0


@kernel
def _repeat(rounds: int, frames: int, entries: int, edges: int, reception: Reception) -> None:
    """Repeat the last frames delivered and the last log entries, each time `edges` later."""
    edge, word, log, progress = reception.edge, reception.word, reception.log, reception.progress
    for index in range(progress[COPIED], progress[COPIED] + rounds * frames):
        edge[index] = edge[index - frames] + np.uint64(edges)
        word[index] = word[index - frames]
    progress[COPIED] += rounds * frames
    for index in range(progress[LOGGED], progress[LOGGED] + rounds * entries):
        log[index, LOG_KIND] = log[index - entries, LOG_KIND]
        for one in range(LOG_EDGE, LOG_COLUMNS):
            log[index, one] = log[index - entries, one] + edges
    progress[LOGGED] += rounds * entries
