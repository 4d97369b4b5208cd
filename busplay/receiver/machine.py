"""The receiver's machine: how each framing finds its frames, and where they end.

How to think about it. There is one function for each framing. It takes a batch from
`progress[AT_EDGE]` on, to its end or until there is no more room. `next_line` takes words while
the stretch is plain, then returns a line of symbols, which are processed here one by one. Both
use one judgement (`judgement`) and one table of states (`states`).

The window holds the last `frame_bits` bits. In HUNT and PRESYNC `POSITION` counts symbols since
the alignment found; with a strobe the window is 0 between frames. Every symbol counts in exactly
one term of the sum in `ReceiverCounters`. The present edge and the symbols fed are those of the
line's start until the next line.

All numbers are int64 except words and masks, which are uint64: Numba mixes the two to a float.

Not here: the meaning of a frame's fields, except idle and sequence.
"""

from __future__ import annotations

import numpy as np

from busplay.jit import kernel
from busplay.receiver.judgement import (
    FAILS,
    IS_IDLE,
    corrected,
    is_valid,
    judge,
    missed_before,
    next_number,
    read,
)
from busplay.receiver.line import next_line
from busplay.receiver.registers import (
    AT_EDGE,
    EXPECTED,
    FILLED,
    FRAME_EDGE,
    FRAMES_IDLE,
    FRAMES_MISSED,
    INVALID_RUN,
    MAY_CORRECT,
    POSITION,
    STATE,
    SYMBOLS_IDLE,
    SYMBOLS_SKIPPED,
    VALID_RUN,
    WAS_ACTIVE,
    WINDOW,
)
from busplay.receiver.states import (
    ABORTED,
    CONFIRMED,
    CORRECTED,
    DISPLACED,
    FOUND,
    HUNT,
    INVALID,
    PRESYNC,
    RELEASED,
    SYNC,
    VALID,
    enter,
)
from busplay.receiver.stretch import ACTIVE, Reception, deliver

# Numba compiles a kernel anew for each plain int argument; not for this constant.
_NONE = np.int64(0)


@kernel
def receive_check(reception: Reception) -> None:
    """Receive a link whose frames are found by their check, or by a marker that is confirmed."""
    registers, progress = reception.registers, reception.progress
    frame_symbols = reception.rules.shape.frame_symbols
    count = index = int(_NONE)
    while True:
        if index == count:
            count = next_line(count, reception)
            index = int(_NONE)
            if count == 0:
                return
        if registers[STATE] == HUNT:
            index = _hunt(index, count, reception)
            continue
        position = registers[POSITION]
        if position == 0:
            registers[FRAME_EDGE] = progress[AT_EDGE] + index
        taken = min(frame_symbols - position, count - index)
        # The last frame's bits are shifted out.
        before = np.uint64(registers[WINDOW] if taken < frame_symbols else 0)
        window = _joined(before, index, taken, reception)
        registers[WINDOW] = np.int64(window)
        index += taken
        if registers[STATE] == PRESYNC:
            registers[SYMBOLS_SKIPPED] += taken
        if position + taken < frame_symbols:
            registers[POSITION] = position + taken
            continue
        registers[POSITION] = 0
        if registers[STATE] == SYNC:
            _end_frame(window, index, reception)
        else:
            _confirm(window, index, reception)


@kernel
def receive_marker(reception: Reception) -> None:
    """Receive a link with a unique marker, searched for at every symbol; see `receive_check`."""
    rules, registers, progress = reception.rules, reception.registers, reception.progress
    count = index = int(_NONE)
    while True:
        if index == count:
            count = next_line(count, reception)
            index = int(_NONE)
            if count == 0:
                return
        if registers[STATE] != SYNC:
            index = _hunt(index, count, reception)
            continue
        position = registers[POSITION]
        if position == 0:
            registers[FRAME_EDGE] = progress[AT_EDGE] + index
        window = _joined(np.uint64(registers[WINDOW]), index, 1, reception)
        registers[WINDOW] = np.int64(window)
        index += 1
        position += 1
        if position == rules.shape.frame_symbols:
            registers[POSITION] = 0
            _end_frame(window, index, reception)
        elif window & rules.marker_mask == rules.marker_word and is_valid(window, rules):
            registers[POSITION] = 0
            registers[SYMBOLS_SKIPPED] += position
            enter(ABORTED, index, position, reception)
            enter(DISPLACED, index, position, reception)
            enter(CONFIRMED, index, 0, reception)
        else:
            registers[POSITION] = position


@kernel
def receive_strobe(reception: Reception) -> None:
    """Receive a link whose strobe begins each frame; see `receive_check`.

    With span `first` an active strobe always begins a frame. With span `frame` the change to
    active begins one and the strobe must stay active: symbols past the frame's last are skipped
    until the strobe is inactive, since nothing marks a frame's start in them.
    """
    rules, registers, progress = reception.rules, reception.registers, reception.progress
    lanes = np.uint64(rules.shape.lanes)
    is_held = rules.is_held
    count = int(_NONE)
    while True:
        count = next_line(count, reception)
        if count == 0:
            return
        position, window = registers[POSITION], np.uint64(registers[WINDOW])
        was_active = registers[WAS_ACTIVE] != 0
        skipped = rest = 0
        for index in range(count):
            symbol = reception.line[index]
            active = symbol & ACTIVE != np.uint64(0)
            begins = active and not (is_held and was_active)
            if position > 0 and (begins or (is_held and not active)):
                enter(ABORTED, index + 1, position + 1, reception)
                skipped += position
                position, window = 0, np.uint64(0)
            if begins:
                if registers[STATE] != SYNC:
                    enter(CONFIRMED, index, 0, reception)
                registers[FRAME_EDGE] = progress[AT_EDGE] + index
            was_active = active
            if begins or position > 0:
                window = window << lanes | (symbol & ~ACTIVE)
                position += 1
                if position == rules.shape.frame_symbols:
                    _end_frame(window, index + 1, reception)
                    position, window = 0, np.uint64(0)
            elif active or registers[STATE] != SYNC:
                skipped += 1
            else:
                rest += 1
        if is_held:
            registers[WAS_ACTIVE] = was_active
        registers[POSITION] = position
        registers[WINDOW] = np.int64(window)
        registers[SYMBOLS_SKIPPED] += skipped
        registers[SYMBOLS_IDLE] += rest


@kernel
def _joined(window: np.uint64, first: int, count: int, reception: Reception) -> np.uint64:
    """Return the window after some symbols of the line."""
    lanes = np.uint64(reception.rules.shape.lanes)
    line = reception.line[first : first + count]
    # Two at a time: each shift depends on the one before.
    for pair in range(count // 2):
        window = window << lanes + lanes | (line[2 * pair] << lanes | line[2 * pair + 1])
    if count % 2:
        window = window << lanes | line[count - 1]
    return np.uint64(window & reception.rules.frame_mask)


@kernel
def _hunt(index: int, count: int, reception: Reception) -> int:
    """Test each window for a frame; return how many symbols were taken."""
    rules, registers, line = reception.rules, reception.registers, reception.line
    lanes = np.uint64(rules.shape.lanes)
    window, filled = np.uint64(registers[WINDOW]), registers[FILLED]
    first = index
    is_found = False
    while index < count and not is_found:
        window = (window << lanes | line[index]) & rules.frame_mask
        index += 1
        filled = min(filled + 1, rules.shape.frame_symbols)
        if filled == rules.shape.frame_symbols and window & rules.marker_mask == rules.marker_word:
            is_found = is_valid(window, rules)
    registers[WINDOW], registers[FILLED] = np.int64(window), filled
    registers[SYMBOLS_SKIPPED] += index - first
    if is_found:
        registers[POSITION] = 0
        event = FOUND if rules.confirm_frames > 0 else CONFIRMED
        enter(event, index, 0, reception)
    return index


@kernel
def _confirm(word: np.uint64, index: int, reception: Reception) -> None:
    """Judge a frame at an alignment that is being confirmed."""
    rules, registers = reception.rules, reception.registers
    event = INVALID
    if is_valid(word, rules):
        registers[VALID_RUN] += 1
        event = CONFIRMED if registers[VALID_RUN] >= rules.confirm_frames else VALID
    enter(event, index, 0, reception)


@kernel
def _end_frame(word: np.uint64, index: int, reception: Reception) -> None:
    """Judge a frame in sync: count it, deliver it, or lose sync."""
    rules, registers = reception.rules, reception.registers
    frame_symbols = rules.shape.frame_symbols
    reading = read(word, rules)
    verdict = judge(word, reading, rules)
    if verdict != FAILS:
        registers[INVALID_RUN] = 0
        registers[MAY_CORRECT] = 1
    else:
        sent = word
        if rules.is_corrected and registers[MAY_CORRECT] != 0:
            sent = corrected(word, reading, rules)
        registers[MAY_CORRECT] = 0
        event = INVALID if sent == word else CORRECTED
        enter(event, index, frame_symbols, reception)
        if rules.release_frames > 0:
            registers[INVALID_RUN] += 1
            if registers[INVALID_RUN] == rules.release_frames:
                enter(RELEASED, index, rules.release_frames * frame_symbols, reception)
        if event == INVALID:
            return
        word = sent
        reading = read(word, rules)
        verdict = judge(word, reading, rules)
    if verdict == IS_IDLE:
        registers[FRAMES_IDLE] += 1
        return
    if rules.sequence_mask != np.uint64(0):
        registers[FRAMES_MISSED] += missed_before(reading, registers[EXPECTED], rules)
        registers[EXPECTED] = next_number(reading, rules)
    deliver(registers[FRAME_EDGE], word, reception)
