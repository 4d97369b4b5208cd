"""The receiver's machine: symbol by symbol, for every description.

How to think about it. One machine serves all framings, since they differ in two things only:
what makes a place a *candidate* for the start of a frame, and what makes the receiver let go.

- `check`, `marker`: the window holds the last `frame_bits` bits. In HUNT every symbol gives a
  new window; a right word that begins with the marker (no marker: any right word) is a
  candidate. It leads to PRESYNC, or with nothing to confirm (`unique` markers) straight to
  SYNC. A wrong word in PRESYNC leads back to HUNT, and the search goes on with the symbol
  after it: the windows that lay inside that frame are not looked at again, as a receiver that
  keeps no more than one frame could not.
- In SYNC frames follow each other without a gap. `release_frames` wrong ones running lead to
  HUNT. With a `unique` marker a candidate that is not where a frame ends is proof of a lost
  step: the receiver lets go and takes up the new place at once.
- `strobe`: nothing is searched. With span `first` an active strobe begins a frame, wherever it
  comes. With span `frame` the change to active begins one, and the strobe must stay: a frame
  whose strobe rests too early is aborted, and symbols past the last one are skipped until the
  strobe has rested, since nothing tells where a frame in them would begin.

Idle stretches. A gap stands for idle symbols on the slot grid. In sync they are whole idle
frames, counted by one division. Out of sync the machine runs them slot by slot; with finitely
many states it must come round, so when its state at a slot's start equals an earlier one (found
as Brent does: compare with a saved state, save anew after 1, 2, 4, ... slots) the counters of
one round are multiplied, and its frames repeated.

Invariants: in HUNT and PRESYNC `position` tells symbols since the candidate; with a strobe the
window is 0 between frames; every symbol is in exactly one term of the sum that
`ReceiverCounters` states. All numbers are int64 but words and masks, which are uint64: Numba
makes a float of a mixture.

The log, where one is asked for, has an entry for each frame that was wrong or aborted and for
each step gained or lost: what happened, at which edge, and to which of the symbols fed.

Not here: what the fields of a frame mean, except idle and the sequence.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busplay.jit import kernel

HUNT, PRESYNC, SYNC = range(3)

# Places in `geometry` (int64). SLOT_SYMBOLS is the grid's, which idle slots keep; RELEASE_FRAMES
# is 0 where the receiver never lets go; IS_WATCHED: a candidate in SYNC at another place is proof
# of a lost step; IS_REVERSED: the lowest lane carries a symbol's first bit; WORD_BYTES: bytes that
# the syndrome looks at; IS_STEADY: in sync, idle frames give no cause to look elsewhere.
LANES, FRAME_SYMBOLS, SLOT_SYMBOLS, CONFIRM_FRAMES, RELEASE_FRAMES = range(5)
IS_STROBE, IS_HELD, IS_WATCHED, IS_REVERSED, IS_CORRECTED = range(5, 10)
WORD_BYTES, SEQUENCE_RUNS, SEQUENCE_BITS, IS_STEADY, GEOMETRY_COUNT = range(10, 15)

# Places in `masks` (uint64). STROBE_REST: the strobe's bit while it rests; IDLE_COMPARED: all ones
# where the idle word is idle by itself, else 0; SPACE_COMPARED: 0 where a word is idle if all bits
# of SPACE_MASK are 0, else 1.
FRAME_MASK, LANE_MASK, STROBE_MASK, STROBE_REST, MARKER_MASK, MARKER_WORD = range(6)
IDLE_WORD, IDLE_COMPARED, SPACE_MASK, SPACE_COMPARED, MASKS_COUNT = range(6, 11)

# Places in `state` (int64): first what decides the future. IS_ARMED: one wrong bit may be mended;
# EXPECTED: the next sequence number, -1 if none was seen; IS_ACTIVE: the strobe was active with
# the last symbol, or nothing is known; FRAME_EDGE: first edge of the frame on its way in.
STATE, WINDOW, FILLED, POSITION, RIGHT_RUN, WRONG_RUN = range(6)
IS_ARMED, EXPECTED, IS_ACTIVE, FRAME_EDGE = range(6, 10)
# Then the counters (REST: symbols_idle), then where the machine is in its batch.
FED, SKIPPED, REST, RECEIVED, IDLE, FAILED, CORRECTED, ABANDONED, MISSED, GAINED, LOST = range(
    10, 21
)
AT_EDGE, SLOT, STATE_COUNT = range(21, 24)
FIRST_COUNTER = FED
STOP_COUNTER = LOST + 1

# Columns of the log (int64): what it is; link edge after the last symbol of the entry; first of
# the symbols fed that it is about, and the one after the last. Then what an entry can say, and
# how many entries one symbol can cause.
LOG_KIND, LOG_EDGE, LOG_FIRST, LOG_STOP, LOG_COLUMNS = range(5)
LOG_FAILED, LOG_MENDED, LOG_ABANDONED, LOG_LOST, LOG_GAINED = range(5)
LOG_AT_ONCE = 3


@kernel
def _note(log: NDArray[np.int64], count: int, kind: int, edge: int, first: int, stop: int) -> int:
    """Add an entry to the log, if there is one; give how many it has."""
    if len(log) == 0:
        return count
    log[count, LOG_KIND] = kind
    log[count, LOG_EDGE] = edge
    log[count, LOG_FIRST] = first
    log[count, LOG_STOP] = stop
    return count + 1


@kernel
def _turned(value: np.uint64, reversed_bytes: NDArray[np.uint64]) -> np.uint64:
    """Return a symbol's lanes the other way round."""
    high = np.uint64(256) + (value >> np.uint64(8))
    return np.uint64(reversed_bytes[value & np.uint64(0xFF)] | reversed_bytes[high])


@kernel
def _syndrome(word: np.uint64, tables: NDArray[np.uint64], word_bytes: int) -> np.uint64:
    """Return 0 for a word whose check and constants are right."""
    syndrome = np.uint64(0)
    for byte in range(word_bytes):
        value = (word >> np.uint64(8 * byte)) & np.uint64(0xFF)
        syndrome ^= np.uint64(tables[np.uint64(256 * byte) + value])
    return syndrome


@kernel
def receive(
    symbols: NDArray[np.unsignedinteger],
    slot_edges: NDArray[np.uint64],
    slot_length: int,
    stop_edge: int,
    geometry: NDArray[np.int64],
    masks: NDArray[np.uint64],
    tables: NDArray[np.uint64],
    columns: NDArray[np.uint64],
    reversed_bytes: NDArray[np.uint64],
    sequence_runs: NDArray[np.uint64],
    idle: NDArray[np.unsignedinteger],
    state: NDArray[np.int64],
    saved: NDArray[np.int64],
    out_edge: NDArray[np.uint64],
    out_word: NDArray[np.uint64],
    log: NDArray[np.int64],
    log_count: NDArray[np.int64],
) -> int:
    """Run the machine from `state[AT_EDGE]` to `stop_edge`, or until the output is nearly full.

    Args:
        symbols: unsigned[slots * slot_length].
        slot_edges: uint64[slots]; first edge of each stretch of `slot_length` symbols; edges of
            no stretch are idle.
        tables: uint64[8 * 256]; the layout's syndrome tables, one after the other.
        columns: uint64[frame_bits]; the syndrome that each wrong bit gives, first bit first.
        reversed_bytes: uint64[2 * 256]; the bits of a symbol's two bytes in reverse.
        sequence_runs: uint64[3 * runs]; shift in the value, shift in the word, mask.
        idle: unsigned[2 * slot_symbols]; the idle slot, twice.
        state, saved: int64[STATE_COUNT]; the machine, and room for a copy.
        out_edge, out_word: room for the frames that are delivered.
        log: int64[entries, LOG_COLUMNS]; room for the log; no rows: none is kept.
        log_count: int64[1]; how many entries were written.

    Returns:
        How many frames were written; `state[AT_EDGE]` tells how far the machine came.
    """
    lanes = np.uint64(geometry[LANES])
    frame_symbols = geometry[FRAME_SYMBOLS]
    slot_symbols = geometry[SLOT_SYMBOLS]
    confirm_frames = geometry[CONFIRM_FRAMES]
    release_frames = geometry[RELEASE_FRAMES]
    is_strobe = geometry[IS_STROBE] != 0
    is_held = geometry[IS_HELD] != 0
    is_watched = geometry[IS_WATCHED] != 0
    is_reversed = geometry[IS_REVERSED] != 0
    is_corrected = geometry[IS_CORRECTED] != 0
    is_steady = geometry[IS_STEADY] != 0
    word_bytes = geometry[WORD_BYTES]
    run_count = geometry[SEQUENCE_RUNS]
    sequence_mask = (1 << geometry[SEQUENCE_BITS]) - 1
    frame_mask = masks[FRAME_MASK]
    lane_mask = masks[LANE_MASK]
    strobe_mask = masks[STROBE_MASK]
    strobe_rest = masks[STROBE_REST]
    marker_mask = masks[MARKER_MASK]
    marker_word = masks[MARKER_WORD]
    idle_word = masks[IDLE_WORD]
    idle_compared = masks[IDLE_COMPARED]
    space_mask = masks[SPACE_MASK]
    space_compared = masks[SPACE_COMPARED]
    zero = np.uint64(0)

    status = state[STATE]
    window = np.uint64(state[WINDOW])
    filled, position = state[FILLED], state[POSITION]
    right_run, wrong_run = state[RIGHT_RUN], state[WRONG_RUN]
    is_armed, expected = state[IS_ARMED], state[EXPECTED]
    is_active, frame_edge = state[IS_ACTIVE], state[FRAME_EDGE]
    at = state[AT_EDGE]
    slot = state[SLOT]
    skipped = 0
    rest = 0
    idle_frames = 0
    fed_from = at
    out = 0
    received_from = 0
    has_saved = False
    saved_out = 0
    slots_since = 0
    slots_until = 1
    room = len(out_word)
    slots = len(slot_edges)
    # A symbol's number among those fed is its edge in this call and this.
    ordinal = state[FED] - at
    logged = 0
    saved_logged = 0

    while at < stop_edge:
        # -- what comes next: a stretch that is spelled out, or a gap
        if position == 0:
            frame_edge = at
        from_gap = True
        next_edge = np.int64(stop_edge)
        if slot < slots:
            begun = at - np.int64(slot_edges[slot])
            if begun >= slot_length:
                slot += 1
                continue
            if begun >= 0:
                from_gap = False
            else:
                next_edge = min(next_edge, at - begun)
        if from_gap:
            phase = at % slot_symbols
            length = next_edge - at
            if is_strobe:
                if position == 0:
                    # The strobe rests for the whole gap.
                    if status == SYNC:
                        rest += length
                    else:
                        skipped += length
                    is_active = 0 if is_held else is_active
                    at = next_edge
                    continue
            elif phase == 0 and length >= slot_symbols:
                whole = length // slot_symbols
                if (
                    status == SYNC
                    and position == 0
                    and is_steady
                    and (window == idle_word or not is_watched)
                ):
                    window = idle_word
                    idle_frames += whole
                    wrong_run = 0
                    is_armed = 1
                    at += whole * slot_symbols
                    continue
                # Out of sync. Has the machine been in this state at a slot's start?
                state[SKIPPED] += skipped
                state[IDLE] += idle_frames
                state[RECEIVED] += out - received_from
                skipped = 0
                idle_frames = 0
                received_from = out
                state[STATE] = status
                state[WINDOW] = np.int64(window)
                state[FILLED] = filled
                state[POSITION] = position
                state[RIGHT_RUN] = right_run
                state[WRONG_RUN] = wrong_run
                state[IS_ARMED] = is_armed
                state[EXPECTED] = expected
                state[FRAME_EDGE] = frame_edge - at
                is_same = has_saved
                for one in range(FIRST_COUNTER):
                    is_same = is_same and state[one] == saved[one]
                if is_same:
                    rounds = whole // slots_since
                    frames = out - saved_out
                    if frames > 0:
                        rounds = min(rounds, (room - out) // frames)
                    entries = logged - saved_logged
                    if entries > 0:
                        rounds = min(rounds, (len(log) - logged) // entries)
                    step = slots_since * slot_symbols
                    for _ in range(rounds * frames):
                        out_edge[out] = out_edge[out - frames] + np.uint64(step)
                        out_word[out] = out_word[out - frames]
                        out += 1
                    for _ in range(rounds * entries):
                        log[logged, LOG_KIND] = log[logged - entries, LOG_KIND]
                        for one in range(LOG_EDGE, LOG_COLUMNS):
                            log[logged, one] = log[logged - entries, one] + step
                        logged += 1
                    for one in range(FIRST_COUNTER, STOP_COUNTER):
                        state[one] += rounds * (state[one] - saved[one])
                    received_from = out
                    # FED is counted from the edges below.
                    at += rounds * step
                    frame_edge += rounds * step
                    has_saved = False
                    slots_since = 0
                    slots_until = 1
                    if rounds > 0:
                        continue
                elif not has_saved or slots_since == slots_until:
                    if has_saved:
                        slots_until *= 2
                    for one in range(STOP_COUNTER):
                        saved[one] = state[one]
                    saved_out = out
                    saved_logged = logged
                    slots_since = 0
                    has_saved = True
                slots_since += 1
            length = min(length, slot_symbols - phase)
            index = phase
        else:
            has_saved = False
            slots_since = 0
            slots_until = 1
            length = min(slot_length - begun, next_edge - at)
            index = slot * slot_length + begun
        # A stretch ends no more frames than this; what finds no room is for the next call.
        length = min(length, (room - out - 1) * frame_symbols)
        if len(log) > 0:
            length = min(length, (len(log) - logged) // LOG_AT_ONCE)
        if length <= 0:
            break
        stop = at + length

        # -- the stretch, symbol by symbol
        while at < stop:
            if is_strobe:
                symbol = np.uint64(idle[index]) if from_gap else np.uint64(symbols[index])
                index += 1
                active = (symbol ^ strobe_rest) & strobe_mask != zero
                begins = active and (not is_held or is_active == 0)
                if position > 0 and (begins or (is_held and not active)):
                    skipped += position
                    state[ABANDONED] += 1
                    first = ordinal + at - position
                    logged = _note(log, logged, LOG_ABANDONED, at + 1, first, ordinal + at + 1)
                    position = 0
                    window = zero
                if begins:
                    if status != SYNC:
                        status = SYNC
                        is_armed = 1
                        state[GAINED] += 1
                        logged = _note(log, logged, LOG_GAINED, at, ordinal + at, ordinal + at)
                    frame_edge = at
                if is_held:
                    is_active = 1 if active else 0
                at += 1
                if begins or position > 0:
                    value = symbol & lane_mask
                    if is_reversed:
                        value = _turned(value, reversed_bytes)
                    window = window << lanes | value
                    position += 1
                elif active or status != SYNC:
                    skipped += 1
                else:
                    rest += 1
                if position < frame_symbols:
                    continue
                word = window
            elif status == SYNC and not is_watched:
                # In sync: the rest of the frame, or what there is of it.
                if position == 0:
                    frame_edge = at
                take = min(frame_symbols - position, stop - at)
                if is_reversed or from_gap:
                    for one in range(index, index + take):
                        symbol = np.uint64(idle[one]) if from_gap else np.uint64(symbols[one])
                        value = symbol & lane_mask
                        if is_reversed:
                            value = _turned(value, reversed_bytes)
                        window = window << lanes | value
                else:
                    for one in range(index, index + take):
                        window = window << lanes | (np.uint64(symbols[one]) & lane_mask)
                window &= frame_mask
                index += take
                at += take
                position += take
                if position < frame_symbols:
                    continue
                word = window
            else:
                if position == 0:
                    frame_edge = at
                symbol = np.uint64(idle[index]) if from_gap else np.uint64(symbols[index])
                index += 1
                at += 1
                value = symbol & lane_mask
                if is_reversed:
                    value = _turned(value, reversed_bytes)
                window = (window << lanes | value) & frame_mask
                if status != HUNT:
                    position += 1
                elif filled < frame_symbols:
                    filled += 1
                if status != SYNC:
                    skipped += 1
                elif position == frame_symbols:
                    word = window
                if status != SYNC or position < frame_symbols:
                    if status == PRESYNC:
                        if position < frame_symbols:
                            continue
                    elif filled < frame_symbols or window & marker_mask != marker_word:
                        continue
                    syndrome = _syndrome(window, tables, word_bytes)
                    is_right = syndrome == zero or window == idle_word
                    locks = False
                    if status == PRESYNC:
                        position = 0
                        if is_right:
                            right_run += 1
                            locks = right_run >= confirm_frames
                        else:
                            status = HUNT
                            right_run = 0
                    elif is_right:
                        if status == SYNC:
                            # A marker inside a frame: that frame never was one.
                            skipped += position
                            state[ABANDONED] += 1
                            state[LOST] += 1
                            first = ordinal + at - position
                            logged = _note(log, logged, LOG_ABANDONED, at, first, ordinal + at)
                            logged = _note(log, logged, LOG_LOST, at, first, ordinal + at)
                        position = 0
                        locks = confirm_frames == 0
                        if not locks:
                            status = PRESYNC
                    if locks:
                        status = SYNC
                        right_run = 0
                        wrong_run = 0
                        is_armed = 1
                        state[GAINED] += 1
                        logged = _note(log, logged, LOG_GAINED, at, ordinal + at, ordinal + at)
                    continue

            # -- a frame in sync is whole: judge it
            position = 0
            if is_strobe:
                window = zero
            syndrome = _syndrome(word, tables, word_bytes)
            if syndrome == zero or word == idle_word:
                wrong_run = 0
                is_armed = 1
            else:
                is_mended = False
                if is_corrected and is_armed != 0:
                    for bit in range(len(columns)):
                        if columns[bit] == syndrome:
                            word ^= np.uint64(1) << np.uint64(len(columns) - 1 - bit)
                            is_mended = True
                            break
                is_armed = 0
                kind = LOG_MENDED if is_mended else LOG_FAILED
                first = ordinal + at - frame_symbols
                logged = _note(log, logged, kind, at, first, ordinal + at)
                if release_frames > 0:
                    wrong_run += 1
                    if wrong_run == release_frames:
                        status = HUNT
                        wrong_run = 0
                        state[LOST] += 1
                        first = ordinal + at - release_frames * frame_symbols
                        logged = _note(log, logged, LOG_LOST, at, first, ordinal + at)
                if not is_mended:
                    state[FAILED] += 1
                    continue
                state[CORRECTED] += 1
            if (word ^ idle_word) & idle_compared == zero and idle_compared != zero:
                idle_frames += 1
                continue
            if word & space_mask == space_compared:
                idle_frames += 1
                continue
            if run_count > 0:
                number = zero
                for one in range(run_count):
                    number |= (
                        (word >> sequence_runs[3 * one + 1]) & sequence_runs[3 * one + 2]
                    ) << sequence_runs[3 * one]
                if expected >= 0:
                    state[MISSED] += (np.int64(number) - expected) & sequence_mask
                expected = (np.int64(number) + 1) & sequence_mask
            out_edge[out] = np.uint64(frame_edge)
            out_word[out] = word
            out += 1

    state[FED] += at - fed_from
    state[SKIPPED] += skipped
    state[REST] += rest
    state[IDLE] += idle_frames
    state[RECEIVED] += out - received_from
    state[STATE] = status
    state[WINDOW] = np.int64(window)
    state[FILLED] = filled
    state[POSITION] = position
    state[RIGHT_RUN] = right_run
    state[WRONG_RUN] = wrong_run
    state[IS_ARMED] = is_armed
    state[EXPECTED] = expected
    state[IS_ACTIVE] = is_active
    state[FRAME_EDGE] = frame_edge if position > 0 else at
    state[AT_EDGE] = at
    state[SLOT] = slot
    log_count[0] = logged
    return int(out)
