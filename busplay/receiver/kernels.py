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
  whose strobe rests too early is given up, and symbols past the last one are skipped until the
  strobe has rested, since nothing tells where a frame in them would begin.

Idle stretches. A gap in a batch stands for idle symbols on the slot grid. In step they are
whole idle frames: counted by one division. Out of step the machine runs them slot by slot; a
machine with finitely many states under the same input must come round, so when its state at a
slot's start equals an earlier one (found as Brent does: compare with a saved state, save anew
after 1, 2, 4, ... slots) the counters of one round are multiplied, and its frames repeated.

Invariants: in HUNT and PRESYNC `position` tells symbols since the candidate; with a strobe the
window is 0 between frames; every symbol is in exactly one term of the sum that
`ReceiverCounters` states. All numbers are int64 but words and masks, which are uint64: Numba
makes a float of a mixture.

The log, where one is asked for, has an entry for each frame that was wrong or given up and for
each step gained or lost: what happened, at which edge, and to which of the symbols fed.

Not here: what the fields of a frame mean, except idle and the sequence.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

HUNT = 0
PRESYNC = 1
SYNC = 2

# Places in `geometry` (int64).
LANES = 0
FRAME_SYMBOLS = 1
SLOT_SYMBOLS = 2  # of the grid, which idle slots keep
CONFIRM_FRAMES = 3
RELEASE_FRAMES = 4  # 0: never
IS_STROBE = 5
IS_HELD = 6  # the strobe is held for the frame
IS_WATCHED = 7  # a candidate in SYNC at another place is proof of a lost step
IS_REVERSED = 8  # the lowest lane carries a symbol's first bit
IS_CORRECTED = 9
WORD_BYTES = 10  # bytes that the syndrome looks at
SEQUENCE_RUNS = 11
SEQUENCE_BITS = 12
IS_STEADY = 13  # in step, idle frames give no cause to look elsewhere
GEOMETRY_COUNT = 14

# Places in `masks` (uint64).
FRAME_MASK = 0
LANE_MASK = 1
STROBE_MASK = 2
STROBE_REST = 3  # the strobe's bit while it rests
MARKER_MASK = 4
MARKER_WORD = 5
IDLE_WORD = 6
IDLE_COMPARED = 7  # all ones where the idle word is idle by itself, else 0
SPACE_MASK = 8
SPACE_COMPARED = 9  # 0 where a word is idle if all bits of SPACE_MASK are 0, else 1
MASKS_COUNT = 10

# Places in `state` (int64): first what decides the future, ...
STATE = 0
WINDOW = 1
FILLED = 2
POSITION = 3
RIGHT_RUN = 4
WRONG_RUN = 5
IS_ARMED = 6  # one wrong bit may be mended
EXPECTED = 7  # next sequence number, -1: none seen
IS_ACTIVE = 8  # the strobe was active with the last symbol, or nothing is known
FRAME_EDGE = 9  # first edge of the frame on its way in
# ... then the counters, ...
FED = 10
SKIPPED = 11
REST = 12  # symbols_idle
RECEIVED = 13
IDLE = 14
FAILED = 15
CORRECTED = 16
ABANDONED = 17
MISSED = 18
GAINED = 19
LOST = 20
# ... then where the machine is in its batch.
AT_EDGE = 21
SLOT = 22
STATE_COUNT = 23

# Columns of the log (int64), and what an entry can say.
LOG_KIND = 0
LOG_EDGE = 1  # link edge after the last symbol of the entry
LOG_FIRST = 2  # first of the symbols fed that it is about, ...
LOG_STOP = 3  # ... and the one after the last
LOG_COLUMNS = 4
LOG_FAILED = 0
LOG_MENDED = 1
LOG_ABANDONED = 2
LOG_LOST = 3
LOG_GAINED = 4
LOG_AT_ONCE = 3  # entries that one symbol can cause
FIRST_COUNTER = FED
STOP_COUNTER = LOST + 1


@njit(cache=True, nogil=True)
def _note(
    log: NDArray[np.int64],
    count: np.int64,
    kind: int,
    edge: np.int64,
    first: np.int64,
    stop: np.int64,
) -> np.int64:
    """Add an entry to the log, if there is one; give how many it has."""
    if len(log) == 0:
        return count
    log[count, LOG_KIND] = kind
    log[count, LOG_EDGE] = edge
    log[count, LOG_FIRST] = first
    log[count, LOG_STOP] = stop
    return count + np.int64(1)


@njit(cache=True, nogil=True)
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
    sequence_mask = (np.int64(1) << geometry[SEQUENCE_BITS]) - np.int64(1)
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
    byte_mask = np.uint64(0xFF)

    status = state[STATE]
    window = np.uint64(state[WINDOW])
    filled = state[FILLED]
    position = state[POSITION]
    right_run = state[RIGHT_RUN]
    wrong_run = state[WRONG_RUN]
    is_armed = state[IS_ARMED]
    expected = state[EXPECTED]
    is_active = state[IS_ACTIVE]
    frame_edge = state[FRAME_EDGE]
    at = state[AT_EDGE]
    slot = state[SLOT]
    skipped = np.int64(0)
    rest = np.int64(0)
    idle_frames = np.int64(0)
    fed_from = at
    out = np.int64(0)
    received_from = np.int64(0)
    has_saved = False
    saved_out = np.int64(0)
    slots_since = np.int64(0)
    slots_until = np.int64(1)
    room = len(out_word)
    slots = len(slot_edges)
    # A symbol's number among those fed is its edge in this call and this.
    ordinal = state[FED] - at
    logged = np.int64(0)
    saved_logged = np.int64(0)

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
                    is_active = np.int64(0) if is_held else is_active
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
                    wrong_run = np.int64(0)
                    is_armed = np.int64(1)
                    at += whole * slot_symbols
                    continue
                # Out of step. Has the machine been in this state at a slot's start?
                state[SKIPPED] += skipped
                state[IDLE] += idle_frames
                state[RECEIVED] += out - received_from
                skipped = np.int64(0)
                idle_frames = np.int64(0)
                received_from = out
                if (
                    has_saved
                    and saved[STATE] == status
                    and np.uint64(saved[WINDOW]) == window
                    and saved[FILLED] == filled
                    and saved[POSITION] == position
                    and saved[RIGHT_RUN] == right_run
                    and saved[WRONG_RUN] == wrong_run
                    and saved[IS_ARMED] == is_armed
                    and saved[EXPECTED] == expected
                    and saved[AT_EDGE] - saved[FRAME_EDGE] == at - frame_edge
                ):
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
                    slots_since = np.int64(0)
                    slots_until = np.int64(1)
                    if rounds > 0:
                        continue
                elif not has_saved or slots_since == slots_until:
                    if has_saved:
                        slots_until *= 2
                    saved[STATE] = status
                    saved[WINDOW] = np.int64(window)
                    saved[FILLED] = filled
                    saved[POSITION] = position
                    saved[RIGHT_RUN] = right_run
                    saved[WRONG_RUN] = wrong_run
                    saved[IS_ARMED] = is_armed
                    saved[EXPECTED] = expected
                    saved[FRAME_EDGE] = frame_edge
                    saved[AT_EDGE] = at
                    for one in range(FIRST_COUNTER, STOP_COUNTER):
                        saved[one] = state[one]
                    saved_out = out
                    saved_logged = logged
                    slots_since = np.int64(0)
                    has_saved = True
                slots_since += 1
            length = min(length, slot_symbols - phase)
            index = phase
        else:
            has_saved = False
            slots_since = np.int64(0)
            slots_until = np.int64(1)
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
                was_active = is_active != 0
                active = (symbol ^ strobe_rest) & strobe_mask != zero
                joins = position > 0
                if active and (not is_held or not was_active):
                    if position > 0:
                        skipped += position
                        state[ABANDONED] += 1
                        logged = _note(
                            log,
                            logged,
                            LOG_ABANDONED,
                            at + 1,
                            ordinal + at - position,
                            ordinal + at + 1,
                        )
                        position = np.int64(0)
                        window = zero
                    if status != SYNC:
                        status = np.int64(SYNC)
                        is_armed = np.int64(1)
                        state[GAINED] += 1
                        logged = _note(log, logged, LOG_GAINED, at, ordinal + at, ordinal + at)
                    frame_edge = at
                    joins = True
                elif is_held and not active and position > 0:
                    skipped += position
                    state[ABANDONED] += 1
                    logged = _note(
                        log,
                        logged,
                        LOG_ABANDONED,
                        at + 1,
                        ordinal + at - position,
                        ordinal + at + 1,
                    )
                    position = np.int64(0)
                    window = zero
                    joins = False
                if is_held:
                    is_active = np.int64(1) if active else np.int64(0)
                at += 1
                if joins:
                    value = symbol & lane_mask
                    if is_reversed:
                        value = (
                            reversed_bytes[value & byte_mask]
                            | reversed_bytes[np.uint64(256) + (value >> np.uint64(8))]
                        )
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
                # In step: the rest of the frame, or what there is of it.
                if position == 0:
                    frame_edge = at
                take = min(frame_symbols - position, stop - at)
                if is_reversed or from_gap:
                    for one in range(index, index + take):
                        symbol = np.uint64(idle[one]) if from_gap else np.uint64(symbols[one])
                        value = symbol & lane_mask
                        if is_reversed:
                            value = (
                                reversed_bytes[value & byte_mask]
                                | reversed_bytes[np.uint64(256) + (value >> np.uint64(8))]
                            )
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
                    value = (
                        reversed_bytes[value & byte_mask]
                        | reversed_bytes[np.uint64(256) + (value >> np.uint64(8))]
                    )
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
                    syndrome = zero
                    for byte in range(word_bytes):
                        value = (window >> np.uint64(8 * byte)) & byte_mask
                        syndrome ^= tables[np.uint64(256 * byte) + value]
                    is_right = syndrome == zero or window == idle_word
                    locks = False
                    if status == PRESYNC:
                        position = np.int64(0)
                        if is_right:
                            right_run += 1
                            locks = right_run >= confirm_frames
                        else:
                            status = np.int64(HUNT)
                            right_run = np.int64(0)
                    elif is_right:
                        if status == SYNC:
                            # A marker inside a frame: that frame never was one.
                            skipped += position
                            state[ABANDONED] += 1
                            state[LOST] += 1
                            first = ordinal + at - position
                            logged = _note(log, logged, LOG_ABANDONED, at, first, ordinal + at)
                            logged = _note(log, logged, LOG_LOST, at, first, ordinal + at)
                        position = np.int64(0)
                        locks = confirm_frames == 0
                        if not locks:
                            status = np.int64(PRESYNC)
                    if locks:
                        status = np.int64(SYNC)
                        right_run = np.int64(0)
                        wrong_run = np.int64(0)
                        is_armed = np.int64(1)
                        state[GAINED] += 1
                        logged = _note(log, logged, LOG_GAINED, at, ordinal + at, ordinal + at)
                    continue

            # -- a frame in step is whole: judge it
            position = np.int64(0)
            if is_strobe:
                window = zero
            syndrome = zero
            for byte in range(word_bytes):
                value = (word >> np.uint64(8 * byte)) & byte_mask
                syndrome ^= tables[np.uint64(256 * byte) + value]
            if syndrome == zero or word == idle_word:
                wrong_run = np.int64(0)
                is_armed = np.int64(1)
            else:
                is_mended = False
                if is_corrected and is_armed != 0:
                    for bit in range(len(columns)):
                        if columns[bit] == syndrome:
                            word ^= np.uint64(1) << np.uint64(len(columns) - 1 - bit)
                            is_mended = True
                            break
                is_armed = np.int64(0)
                kind = LOG_MENDED if is_mended else LOG_FAILED
                first = ordinal + at - frame_symbols
                logged = _note(log, logged, kind, at, first, ordinal + at)
                if release_frames > 0:
                    wrong_run += 1
                    if wrong_run == release_frames:
                        status = np.int64(HUNT)
                        wrong_run = np.int64(0)
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
                expected = (np.int64(number) + np.int64(1)) & sequence_mask
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
