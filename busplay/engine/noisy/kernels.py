"""Frames in sync with flipped bits, word by word, as far as the receiver stays in sync.

How to think about it. While a receiver is in sync on the slot grid it joins exactly the symbols
of one slot to one word, so a flipped bit of a symbol is a flipped bit of the word: nothing need
be spelled out. The word that arrives is the word sent, XOR what the hits of its slot flip. What
follows is the receiver's judgement of a whole frame, the same as in its own machine, and a
property test holds registers, log and frames of the two against each other.

Idle slots that nothing hits are counted by one subtraction. `carry` stops, before a slot, where
the machine must take over: where the next wrong frame would lose step, where a hit falls on the
strobe, where an output is full.

On a strobe link the lanes rest between frames: hits there change nothing that is looked at.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busplay.jit import kernel

# Places in `geometry` (int64).
(
    LANES,
    FRAME_BITS,
    FRAME_SYMBOLS,
    SLOT_SYMBOLS,
    RELEASE_FRAMES,
    IS_STROBE,
    IS_HELD,
    IS_LOWEST_FIRST,
    ON_SLOT_GRID,
    WORD_BYTES,
    SEQUENCE_RUNS,
    SEQUENCE_MASK,
) = range(12)
GEOMETRY_COUNT = 12
# Places in `masks` (uint64).
STROBE_MASK, IDLE_WORD, IDLE_COMPARED, SPACE_MASK, SPACE_COMPARED = range(5)
MASKS_COUNT = 5
# Places in `progress` (int64): where it is, changed.
AT_EDGE, FRAME, HIT, OUT, LOGGED = range(5)
PROGRESS_COUNT = 5

# Places in the receiver's registers and columns of its log; a test holds them against its own.
R_WINDOW, R_WRONG_RUN, R_IS_ARMED, R_EXPECTED, R_IS_ACTIVE, R_FRAME_EDGE = 1, 5, 6, 7, 8, 9
R_FED, R_REST, R_RECEIVED, R_IDLE, R_FAILED, R_MISSED = 10, 12, 13, 14, 15, 18
LOG_FAILED = 0


@kernel
def carry(
    sent_edge: NDArray[np.uint64],
    sent_word: NDArray[np.uint64],
    hit_edge: NDArray[np.int64],
    hit_mask: NDArray[np.uint64],
    stop_edge: int,
    geometry: NDArray[np.int64],
    masks: NDArray[np.uint64],
    tables: NDArray[np.uint64],
    sequence_runs: NDArray[np.uint64],
    registers: NDArray[np.int64],
    progress: NDArray[np.int64],
    out_edge: NDArray[np.uint64],
    out_word: NDArray[np.uint64],
    log: NDArray[np.int64],
) -> None:
    """Carry frames from `progress[AT_EDGE]` to `stop_edge`, or until the machine must take over.

    Args:
        sent_edge, sent_word: frames, their slots within the stretch.
        hit_edge, hit_mask: edges that are hit, in order, and the wires flipped on each.
        tables: uint64[8 * 256]; the layout's syndrome tables, one after the other.
        sequence_runs: uint64[3 * runs]; shift in the value, shift in the word, mask.
        registers: the receiver's, changed; in SYNC between two frames.
        progress: see the names above; all but the edge begin at 0.
        out_edge, out_word, log: room for what is delivered and for frames that fail.
    """
    lanes = geometry[LANES]
    last_bit = geometry[FRAME_BITS] - 1
    frame_symbols = geometry[FRAME_SYMBOLS]
    slot_symbols = geometry[SLOT_SYMBOLS]
    release_frames = geometry[RELEASE_FRAMES]
    is_strobe = geometry[IS_STROBE] != 0
    is_held = geometry[IS_HELD] != 0
    is_lowest_first = geometry[IS_LOWEST_FIRST] != 0
    word_bytes = geometry[WORD_BYTES]
    run_count = geometry[SEQUENCE_RUNS]
    sequence_mask = geometry[SEQUENCE_MASK]
    strobe_mask = masks[STROBE_MASK]
    idle_word = masks[IDLE_WORD]
    idle_compared = masks[IDLE_COMPARED]
    space_mask = masks[SPACE_MASK]
    space_compared = masks[SPACE_COMPARED]
    zero = np.uint64(0)
    one_bit = np.uint64(1)
    byte_mask = np.uint64(0xFF)

    at = progress[AT_EDGE]
    frame = 0
    hit = 0
    out = 0
    logged = 0
    wrong_run = registers[R_WRONG_RUN]
    is_armed = registers[R_IS_ARMED]
    expected = registers[R_EXPECTED]
    is_active = registers[R_IS_ACTIVE]
    window = np.uint64(registers[R_WINDOW])
    rest = 0
    idle_frames = 0
    failed = 0
    missed = 0
    from_edge = at
    ordinal = registers[R_FED] - at
    frames = len(sent_edge)
    hits = len(hit_edge)
    room = len(out_edge)
    log_room = len(log)
    next_hit = np.int64(stop_edge)
    if hits > 0:
        next_hit = hit_edge[0]
    while True:
        # -- which slot comes next that is not plain idle
        start = np.int64(stop_edge)
        from_sender = frame < frames
        if from_sender:
            start = np.int64(sent_edge[frame])
        if next_hit < start:
            if is_strobe:
                # The lanes rest here, and what is on them is not looked at.
                if hit_mask[hit] & strobe_mask != zero:
                    break
                hit += 1
                next_hit = hit_edge[hit] if hit < hits else np.int64(stop_edge)
                continue
            start = next_hit - next_hit % slot_symbols
            from_sender = False
        if start >= stop_edge or out == room or logged == log_room:
            break
        # -- what is flipped in it
        error = zero
        used = hit
        hits_strobe = False
        if next_hit < start + slot_symbols:
            while used < hits and hit_edge[used] < start + slot_symbols:
                mask = hit_mask[used]
                hits_strobe = hits_strobe or mask & strobe_mask != zero
                symbol = hit_edge[used] - start
                if symbol < frame_symbols:
                    for lane in range(lanes):
                        if mask >> np.uint64(lane) & one_bit != zero:
                            order = lane if is_lowest_first else lanes - 1 - lane
                            error ^= one_bit << np.uint64(last_bit - symbol * lanes - order)
                used += 1
        if hits_strobe:
            break
        word = (sent_word[frame] if from_sender else idle_word) ^ error
        syndrome = zero
        for byte in range(word_bytes):
            value = (word >> np.uint64(8 * byte)) & byte_mask
            syndrome ^= tables[np.uint64(256 * byte) + value]
        is_right = syndrome == zero or word == idle_word
        gap = start - at
        if not is_right and release_frames > 0:
            run = wrong_run if gap == 0 else 0
            if run + 1 >= release_frames:
                break
        if is_held and is_active != 0 and gap == 0:
            break
        # -- the idle slots before it
        if gap > 0:
            if is_strobe:
                rest += gap
            else:
                idle_frames += gap // slot_symbols
                wrong_run = 0
                is_armed = 1
        # -- the frame
        at = start + slot_symbols
        if is_strobe:
            rest += slot_symbols - frame_symbols
            is_active = 0 if is_held else is_active
        else:
            window = word
        hit = used
        next_hit = hit_edge[hit] if hit < hits else np.int64(stop_edge)
        if from_sender:
            frame += 1
        if not is_right:
            is_armed = 0
            failed += 1
            if release_frames > 0:
                wrong_run += 1
            log[logged, 0] = LOG_FAILED
            log[logged, 1] = start + frame_symbols
            log[logged, 2] = ordinal + start
            log[logged, 3] = ordinal + start + frame_symbols
            logged += 1
            continue
        wrong_run = 0
        is_armed = 1
        if (word ^ idle_word) & idle_compared == zero and idle_compared != zero:
            idle_frames += 1
            continue
        if word & space_mask == space_compared:
            idle_frames += 1
            continue
        if run_count > 0:
            number = zero
            for run in range(run_count):
                number |= (
                    (word >> sequence_runs[3 * run + 1]) & sequence_runs[3 * run + 2]
                ) << sequence_runs[3 * run]
            if expected >= 0:
                missed += (np.int64(number) - expected) & sequence_mask
            expected = (np.int64(number) + 1) & sequence_mask
        out_edge[out] = np.uint64(start)
        out_word[out] = word
        out += 1
    # -- plain idle up to the end, or up to the slot that is left to the machine
    last = np.int64(stop_edge)
    if frame < frames:
        last = min(last, np.int64(sent_edge[frame]))
    if next_hit < last:
        last = next_hit
    if geometry[ON_SLOT_GRID] != 0:
        last -= last % slot_symbols
    if last > at:
        if is_strobe:
            rest += last - at
            is_active = 0 if is_held else is_active
        else:
            idle_frames += (last - at) // slot_symbols
            wrong_run = 0
            is_armed = 1
            window = idle_word
        at = last
    registers[R_WRONG_RUN] = wrong_run
    registers[R_IS_ARMED] = is_armed
    registers[R_EXPECTED] = expected
    registers[R_IS_ACTIVE] = is_active
    registers[R_WINDOW] = np.int64(window)
    registers[R_FED] += at - from_edge
    registers[R_REST] += rest
    registers[R_RECEIVED] += out
    registers[R_IDLE] += idle_frames
    registers[R_FAILED] += failed
    registers[R_MISSED] += missed
    registers[R_FRAME_EDGE] = at
    progress[AT_EDGE] = at
    progress[FRAME] = frame
    progress[HIT] = hit
    progress[OUT] = out
    progress[LOGGED] = logged
