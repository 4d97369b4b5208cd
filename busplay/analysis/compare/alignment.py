"""Align two streams of frames: which frame of one is which frame of the other.

How to think about it. Two cursors go forward together as long as frames are equal *and* as late
as the one before (`delay`: time of the actual frame less time of the expected one). That loop
is all that happens on equal recordings. Where it stops, hypotheses are tried in this order, and
the first one that has evidence (a run of equal frames behind the damage) is taken:

1. The frame is right and only its delay has changed.
2. `_merge`: the delay is as before, so time alone says who is missing, added or changed. It
   bridges any number of lost frames, and tells which one of several equal frames was lost. It
   asks for equal words with sequence numbers in sync (`strict`), then for equal content only: a
   frame lost at the sender moves every later sequence number.
3. `_bridge`: the nearest place where several frames running are equal (`anchors` finds it), and
   the fewest missing, added and changed frames that lead there. Needs no times.
4. Nothing has evidence (a lane stuck for seconds, another program): the delay, or without times
   the pairing, is kept as it was for a while.

Invariants: every frame is told of exactly once; each call of `_resolve` moves a cursor.

Source: the table of the fewest edits is that of R. Wagner and M. Fischer (1974); from memory.

Not here: frames that arrived in another order (`reordering`), what fields mean.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busplay.analysis.compare.anchors import find_anchor
from busplay.analysis.compare.frame_words import are_equal, moved_on, shift_between
from busplay.analysis.compare.streams import (
    ADDED,
    CHANGED,
    DELAY,
    DIFFERENCES,
    LOOK_FRAMES,
    MISSING,
    NEXT_ACTUAL,
    NEXT_EXPECTED,
    PATIENCE,
    RUN_FRAMES,
    RUNS,
    SAME,
    SEQUENCE_SHIFT,
    STARTED,
    AlignmentRules,
    Findings,
    Scratch,
    Streams,
)
from busplay.jit import kernel
from busplay.jit.bits import count_ones

# What a call answers.
WANTS_FRAMES, DONE = 0, 1

NEAR_FRAMES = 512  # looked at first for a place where the streams run equal again

MERGE_RUN = 6  # equal frames running, at the same delay, that are evidence
MERGE_ODD_MOST = 256
TAIL_MOST = 32  # frames at the end that are looked at one by one
KEEP_RUN = 12
PATIENCE_LEAST, PATIENCE_MOST = 512, 16_384  # frames

EDIT_COST, CHANGED_COST, MOVED_COST = 1 << 40, 1 << 20, 1

_U0 = np.uint64(0)
_FAR = 1 << 62


# -- telling


@kernel
def _tell(
    state: NDArray[np.int64], f: Findings, kind: int, i: int, j: int, bits: np.uint64
) -> None:
    row = state[DIFFERENCES]
    f.kind[row] = kind
    f.expected[row] = i
    f.actual[row] = j
    f.flipped[row] = bits
    state[DIFFERENCES] = row + 1


@kernel
def close_run(state: NDArray[np.int64], f: Findings) -> None:
    """Report the run of equal delays so far and begin a new one."""
    if state[RUN_FRAMES]:
        f.run_delay[state[RUNS]] = state[DELAY]
        f.run_frames[state[RUNS]] = state[RUN_FRAMES]
        state[RUNS] += 1
        state[RUN_FRAMES] = 0


@kernel
def _pair(
    s: Streams,
    rules: AlignmentRules,
    state: NDArray[np.int64],
    f: Findings,
    i: int,
    j: int,
    strict: bool,
) -> None:
    """Take two frames for the same one, equal or changed."""
    shift = state[SEQUENCE_SHIFT]
    if are_equal(s, rules, i, j, shift, strict):
        if not strict and len(rules.sequence_places):
            state[SEQUENCE_SHIFT] = shift_between(s, rules, i, j)
        if rules.has_time:
            delay = s.actual_time[j] - s.expected_time[i]
            if delay != state[DELAY]:
                close_run(state, f)
                state[DELAY] = delay
        state[SAME] += 1
        state[RUN_FRAMES] += 1
        state[STARTED] = 1
        return
    flipped = s.actual_word[j] ^ moved_on(s.expected_word[i], shift, rules)
    _tell(state, f, CHANGED, i, j, flipped)


@kernel
def _skip(state: NDArray[np.int64], f: Findings, i: int, stop_i: int, j: int, stop_j: int) -> None:
    """Report expected frames as missing and actual ones as added."""
    for k in range(i, stop_i):
        _tell(state, f, MISSING, k, -1, _U0)
    for k in range(j, stop_j):
        _tell(state, f, ADDED, -1 - stop_i, k, _U0)


# -- by time


@kernel
def _has_other_place(s: Streams, rules: AlignmentRules, state: NDArray[np.int64]) -> bool:
    """Return whether either next frame has an equal one further on, at the present delay."""
    i, j, delay = state[NEXT_EXPECTED], state[NEXT_ACTUAL], state[DELAY]
    wanted = s.actual_time[j] - delay
    x = i + np.searchsorted(s.expected_time[i:], wanted)
    there = i < x < len(s.expected_time) and s.expected_time[x] == wanted
    if there and are_equal(s, rules, x, j, 0, False):
        return True
    wanted = s.expected_time[i] + delay
    y = j + np.searchsorted(s.actual_time[j:], wanted)
    if j < y < len(s.actual_time) and s.actual_time[y] == wanted:
        return are_equal(s, rules, i, y, 0, False)
    return False


@kernel
def _is_strange_tail(s: Streams, rules: AlignmentRules, state: NDArray[np.int64]) -> bool:
    """Return whether a few actual frames are left, and nothing that is expected is among them.

    Then no other delay has evidence either.
    """
    i, j = state[NEXT_EXPECTED], state[NEXT_ACTUAL]
    if not s.actual_ended or len(s.actual_word) - j > TAIL_MOST or not state[STARTED]:
        return False
    for y in range(j, len(s.actual_word)):
        for x in range(i, len(s.expected_word)):
            if are_equal(s, rules, x, y, 0, False):
                return False
    return True


@kernel
def _walk(
    s: Streams,
    rules: AlignmentRules,
    state: NDArray[np.int64],
    f: Findings,
    strict: bool,
    tell: bool,
    stop_run: int,
    odd_most: int,
    stop_i: int,
    stop_j: int,
) -> tuple[bool, int, int]:
    """Go on by time at the present delay.

    Args:
        tell: write findings, and go no further than `stop_i` and `stop_j`.
        stop_run: stop behind this many equal frames running.
        odd_most: give up when more actual frames than this are changed, added or late.

    Returns:
        Whether there was evidence, and the cursors before it.
    """
    i, j = state[NEXT_EXPECTED], state[NEXT_ACTUAL]
    delay, shift = state[DELAY], state[SEQUENCE_SHIFT]
    run = odd = equal = 0
    moved_run, moved_shift = 0, -1  # frames running that have another sequence number only
    while i < stop_i and j < stop_j and max(run, moved_run) < stop_run and odd <= odd_most:
        late = s.actual_time[j] - s.expected_time[i] - delay
        if late >= rules.overlap:
            if tell:
                _tell(state, f, MISSING, i, -1, _U0)
            i += 1
            run = 0
        elif late <= -rules.overlap:
            if tell:
                _tell(state, f, ADDED, -1 - i, j, _U0)
            j += 1
            odd += 1
            run = 0
        else:
            moved = shift
            if rules.has_sequence and are_equal(s, rules, i, j, shift, False):
                moved = shift_between(s, rules, i, j)
            if are_equal(s, rules, i, j, shift, strict):
                equal += 1
                run = run + 1 if late == 0 and moved == shift else 1
                odd += late != 0
                delay += late
                shift = moved
            else:
                run = 0
                odd += 1
            moved_run = 0 if moved == shift else moved_run + 1 if moved == moved_shift else 1
            moved_shift = moved
            if tell:
                _pair(s, rules, state, f, i, j, strict)
            i += 1
            j += 1
    if run >= stop_run:
        return (True, i, j) if tell else (True, i - run, j - run)
    at_end = (i == len(s.expected_word) and s.expected_ended) or (
        j == len(s.actual_word) and s.actual_ended
    )
    evident = 0 < equal >= odd or (equal == 0 and _is_strange_tail(s, rules, state))
    return at_end and evident, i, j


@kernel
def _merge(
    s: Streams,
    rules: AlignmentRules,
    state: NDArray[np.int64],
    f: Findings,
    strict: bool,
    steady: bool,
) -> bool:
    """Try whether the delay is as before; `steady`: to the very edge."""
    ends = len(s.expected_word), len(s.actual_word)
    found, i, j = _walk(
        s, rules, state, f, strict, False, MERGE_RUN, MERGE_ODD_MOST, ends[0], ends[1]
    )
    if not found:
        return False
    inside = i < ends[0] and j < ends[1]
    if steady and inside and s.actual_time[j] - s.expected_time[i] != state[DELAY]:
        return False
    if i == state[NEXT_EXPECTED] and j == state[NEXT_ACTUAL]:
        # Evidence without damage: only the delay or the sequence number has moved.
        i, j = min(i + 1, ends[0]), min(j + 1, ends[1])
    _, x, y = _walk(s, rules, state, f, strict, True, _FAR, _FAR, i, j)
    _skip(state, f, x, i, y, j)
    state[NEXT_EXPECTED], state[NEXT_ACTUAL] = i, j
    return True


# -- by content


@kernel
def _bridge(
    s: Streams,
    rules: AlignmentRules,
    state: NDArray[np.int64],
    f: Findings,
    w: Scratch,
    stop_i: int,
    stop_j: int,
) -> None:
    """Report the fewest edits that lead from the cursors to two frames that belong together.

    Over more damage than there is room for in the scratch, frames are paired one by one where
    there are as many on both sides, and are all missing or added where there are not.
    """
    i, j = state[NEXT_EXPECTED], state[NEXT_ACTUAL]
    rows, columns = stop_i - i, stop_j - j
    steps = 0
    if min(rows, columns) and (rows + 1) * (columns + 1) <= len(w.step):
        _count_edits(s, rules, state, w, rows, columns)
        x, y = rows, columns
        while x or y:
            step = w.step[x * (columns + 1) + y]
            w.path[steps] = step
            steps += 1
            x -= step != ADDED
            y -= step != MISSING
    elif rows == columns:
        w.path[:rows] = CHANGED
        steps = rows
    for k in range(steps - 1, -1, -1):
        step = w.path[k]
        if step == MISSING:
            _tell(state, f, MISSING, i, -1, _U0)
        elif step == ADDED:
            _tell(state, f, ADDED, -1 - i, j, _U0)
        else:
            _pair(s, rules, state, f, i, j, False)
        i += step != ADDED
        j += step != MISSING
    _skip(state, f, i, stop_i, j, stop_j)
    if stop_i < len(s.expected_word) and stop_j < len(s.actual_word):
        _pair(s, rules, state, f, stop_i, stop_j, False)
        stop_i += 1
        stop_j += 1
    state[NEXT_EXPECTED], state[NEXT_ACTUAL] = stop_i, stop_j


@kernel
def _count_edits(
    s: Streams,
    rules: AlignmentRules,
    state: NDArray[np.int64],
    w: Scratch,
    rows: int,
    columns: int,
) -> None:
    """Fill `w.step`: the last edit of the fewest that lead to each pair of frames.

    Of equally few edits those with fewer changed frames have more equal ones; of these, those
    whose sequence numbers fit.
    """
    i, j, shift = state[NEXT_EXPECTED], state[NEXT_ACTUAL], state[SEQUENCE_SHIFT]
    for x in range(rows + 1):
        before, here = w.cost[(x + 1) % 2], w.cost[x % 2]
        for y in range(columns + 1):
            best, step = (0, CHANGED) if x == y == 0 else (_FAR, CHANGED)
            if x and y:
                best = before[y - 1]
                if not are_equal(s, rules, i + x - 1, j + y - 1, shift, True):
                    is_moved = are_equal(s, rules, i + x - 1, j + y - 1, shift, False)
                    best += MOVED_COST if is_moved else EDIT_COST + CHANGED_COST
            if x and before[y] + EDIT_COST < best:
                best, step = before[y] + EDIT_COST, MISSING
            if y and here[y - 1] + EDIT_COST < best:
                best, step = here[y - 1] + EDIT_COST, ADDED
            here[y] = best
            w.step[x * (columns + 1) + y] = step


@kernel
def _find_place(
    s: Streams, rules: AlignmentRules, state: NDArray[np.int64], w: Scratch
) -> tuple[int, int]:
    """Return two frames from which both streams run equal; -1, -1 where there are none."""
    i, j = state[NEXT_EXPECTED], state[NEXT_ACTUAL]
    for look in (NEAR_FRAMES, LOOK_FRAMES):
        x, y = find_anchor(s, rules, i, j, state[SEQUENCE_SHIFT], look, w.table, w.following)
        if x >= 0:
            return i + x, j + y
    left_i, left_j = len(s.expected_word) - i, len(s.actual_word) - j
    # A few frames at the end may be too short a run to be found.
    if s.expected_ended and s.actual_ended and max(left_i, left_j) <= TAIL_MOST:
        return i + left_i, j + left_j
    return -1, -1


@kernel
def _keep(s: Streams, rules: AlignmentRules, state: NDArray[np.int64], f: Findings) -> None:
    """Go on without evidence for a while."""
    i, j = state[NEXT_EXPECTED], state[NEXT_ACTUAL]
    stop_i = min(len(s.expected_word), i + state[PATIENCE])
    stop_j = min(len(s.actual_word), j + state[PATIENCE])
    if rules.has_time:
        _, i, j = _walk(s, rules, state, f, True, True, KEEP_RUN, _FAR, stop_i, stop_j)
    else:
        count = min(stop_i - i, stop_j - j)
        wrong = 0
        for k in range(count):
            wrong += count_ones((s.expected_word[i + k] ^ s.actual_word[j + k]) & rules.content)
        # Other frames altogether differ in half of their bits, neighbours of a loop in less.
        if 5 * wrong > count * count_ones(rules.content):
            _skip(state, f, i, i + count, j, j + count)
        else:
            for k in range(count):
                _pair(s, rules, state, f, i + k, j + k, False)
        i += count
        j += count
    state[NEXT_EXPECTED], state[NEXT_ACTUAL] = i, j
    state[PATIENCE] = min(2 * state[PATIENCE], PATIENCE_MOST)


# -- all of it


@kernel
def _resolve(
    s: Streams, rules: AlignmentRules, state: NDArray[np.int64], f: Findings, w: Scratch
) -> None:
    """Find out what went wrong at the cursors, which both stand on a frame.

    What needs the least to have gone wrong is tried first.
    """
    i, j = state[NEXT_EXPECTED], state[NEXT_ACTUAL]
    timed, numbered = rules.has_time, rules.has_sequence
    late_only = timed and are_equal(s, rules, i, j, state[SEQUENCE_SHIFT], True)
    if late_only and not _has_other_place(s, rules, state):
        _pair(s, rules, state, f, i, j, True)
        state[NEXT_EXPECTED], state[NEXT_ACTUAL] = i + 1, j + 1
        return
    found = timed and _merge(s, rules, state, f, True, False)
    # A frame lost at the sender moves the numbers behind it, and not their times.
    found = found or (timed and numbered and _merge(s, rules, state, f, False, True))
    if not found:
        place_i, place_j = _find_place(s, rules, state, w)
        if place_i < 0:
            _keep(s, rules, state, f)
            return
        _bridge(s, rules, state, f, w, place_i, place_j)
    state[PATIENCE] = PATIENCE_LEAST


@kernel
def align(
    s: Streams,
    rules: AlignmentRules,
    state: NDArray[np.int64],
    f: Findings,
    w: Scratch,
) -> int:
    """Align as far as the columns go.

    Args:
        state: int64[STATE_NUMBERS]; cursors, counts and hypotheses, carried on.
        f: has room for as many findings as frames are left on both sides.
        w: room to work in.

    Returns:
        WANTS_FRAMES or DONE.
    """
    count_i, count_j = len(s.expected_word), len(s.actual_word)
    while True:
        i, j = state[NEXT_EXPECTED], state[NEXT_ACTUAL]
        room = min(count_i - i, count_j - j)
        shift, delay = state[SEQUENCE_SHIFT], state[DELAY]
        expected, actual = s.expected_word[i : i + room], s.actual_word[j : j + room]
        same = 0
        if rules.has_time:
            before, after = s.expected_time[i : i + room], s.actual_time[j : j + room]
            if shift == 0:
                while same < room and expected[same] == actual[same]:
                    if after[same] - before[same] != delay:
                        break
                    same += 1
            else:
                while same < room and moved_on(expected[same], shift, rules) == actual[same]:
                    if after[same] - before[same] != delay:
                        break
                    same += 1
        else:
            while same < room and moved_on(expected[same], shift, rules) == actual[same]:
                same += 1
        if same:
            state[STARTED] = 1
            state[SAME] += same
            state[RUN_FRAMES] += same
            i += same
            j += same
            state[NEXT_EXPECTED], state[NEXT_ACTUAL] = i, j
        ends_i, ends_j = i == count_i, j == count_j
        short_i = count_i - i < LOOK_FRAMES and not s.expected_ended
        short_j = count_j - j < LOOK_FRAMES and not s.actual_ended
        if short_i or short_j:
            return WANTS_FRAMES
        if ends_i or ends_j:
            _skip(state, f, i, count_i, j, count_j)
            state[NEXT_EXPECTED], state[NEXT_ACTUAL] = count_i, count_j
            if s.expected_ended and s.actual_ended:
                return DONE
            return WANTS_FRAMES
        _resolve(s, rules, state, f, w)
