"""Align two streams of frames: which frame of one is which frame of the other.

How to think about it. Two cursors go forward together as long as frames are equal *and* as late
as the one before (`delay`: time of the actual frame less time of the expected one). That loop
is all that happens on equal recordings. Where it stops, hypotheses are tried in this order, and
the first one that has evidence (a run of equal frames behind the damage) is taken:

1. The frame is right and only its delay has changed.
2. `_merge`: the delay is as before, so time alone says who is missing, added or changed. It
   bridges any number of lost frames, and tells which one of several equal frames was lost.
3. `_edit`: the fewest missing, added and changed frames that lead to a run, by furthest reaching
   points on diagonals. Needs no times and finds a new delay, but only small damage.
4. `_jump`: the nearest place where several frames running are equal; `anchors` finds it.
5. Nothing has evidence (a lane stuck for seconds, another program): the delay, or without times
   the pairing, is kept as it was for a while.

Hypotheses 2 and 3 first ask for equal words with sequence numbers in sync (`strict`), then for
equal content only: a frame lost at the sender moves every later sequence number.

Invariants: every frame is told of exactly once; each call of `_resolve` moves a cursor.

Source: the furthest reaching points are those of E. Ukkonen (1985) and G. Landau and U. Vishkin
(1989) for the edit distance; from memory.

Not here: frames that arrived in another order (`reordering`), what fields mean.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busplay.analysis.compare.streams import (
    ADDED,
    CHANGED,
    DELAY,
    DIFFERENCES,
    EDIT_MOST,
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
GO_ON, WANTS_FRAMES, WANTS_ANCHOR, DONE = 0, 1, 2, 3
NO_ANCHOR = -2

# A look ahead of this many frames is wanted before damage is judged.
LOOK_FRAMES = 1 << 17

MERGE_RUN = 6  # equal frames running, at the same delay, that are evidence
MERGE_ODD_MOST = 256
TAIL_MOST = 32  # frames at the end that are looked at one by one
EDIT_RUN = 6  # and one more for every two frames of damage
KEEP_RUN = 12
PATIENCE_LEAST, PATIENCE_MOST = 512, 16_384  # frames

_U0 = np.uint64(0)
_BYTE = np.uint64(0xFF)
_FAR = 1 << 62
_NOTHING = -(1 << 30)


# -- frames


@kernel
def _sequence(word: np.uint64, rules: AlignmentRules) -> np.uint64:
    """Gather a word's sequence number."""
    number = _U0
    for bit in range(len(rules.sequence_places)):
        number |= ((word >> np.uint64(rules.sequence_places[bit])) & np.uint64(1)) << np.uint64(bit)
    return number


@kernel
def _moved(word: np.uint64, shift: int, rules: AlignmentRules) -> np.uint64:
    """Return the word that it would be with its sequence number moved on, check included."""
    bits = len(rules.sequence_places)
    if shift == 0 or bits == 0:
        return word
    before = _sequence(word, rules)
    after = before + np.uint64(shift)
    if bits < 64:
        after &= (np.uint64(1) << np.uint64(bits)) - np.uint64(1)
    for byte in range(len(rules.sequence_tables)):
        place = np.uint64(8 * byte)
        word ^= rules.sequence_tables[byte, (before >> place) & _BYTE]
        word ^= rules.sequence_tables[byte, (after >> place) & _BYTE]
    return word


@kernel
def _shift_between(s: Streams, rules: AlignmentRules, i: int, j: int) -> int:
    """Return how much further the actual sequence number is, from 0 to one less than a round."""
    apart = _sequence(s.actual_word[j], rules) - _sequence(s.expected_word[i], rules)
    if len(rules.sequence_places) < 64:
        apart &= (np.uint64(1) << np.uint64(len(rules.sequence_places))) - np.uint64(1)
    return int(np.int64(apart))


@kernel
def move_words(
    words: NDArray[np.uint64], shift: int, rules: AlignmentRules, moved: NDArray[np.uint64]
) -> None:
    """Fill `moved` with words whose sequence numbers are moved on, checks included."""
    for k in range(len(words)):
        moved[k] = _moved(words[k], shift, rules)


@kernel
def _equal(s: Streams, rules: AlignmentRules, i: int, j: int, shift: int, strict: bool) -> bool:
    if strict:
        return bool(s.actual_word[j] == _moved(s.expected_word[i], shift, rules))
    if (s.actual_word[j] ^ s.expected_word[i]) & rules.content != _U0:
        return False
    # A moved sequence number brings its own check with it; a check or a number that fits
    # neither is damage, also where no frame behind it tells.
    moved = _moved(s.expected_word[i], _shift_between(s, rules, i, j), rules)
    return bool(s.actual_word[j] == moved)


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
    if _equal(s, rules, i, j, shift, strict):
        if not strict and len(rules.sequence_places):
            state[SEQUENCE_SHIFT] = _shift_between(s, rules, i, j)
        if rules.has_time:
            delay = s.actual_time[j] - s.expected_time[i]
            if delay != state[DELAY]:
                close_run(state, f)
                state[DELAY] = delay
        state[SAME] += 1
        state[RUN_FRAMES] += 1
        state[STARTED] = 1
        return
    flipped = s.actual_word[j] ^ _moved(s.expected_word[i], shift, rules)
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
    if there and _equal(s, rules, x, j, 0, False):
        return True
    wanted = s.expected_time[i] + delay
    y = j + np.searchsorted(s.actual_time[j:], wanted)
    if j < y < len(s.actual_time) and s.actual_time[y] == wanted:
        return _equal(s, rules, i, y, 0, False)
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
            if _equal(s, rules, x, y, 0, False):
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
            if rules.has_sequence and _equal(s, rules, i, j, shift, False):
                moved = _shift_between(s, rules, i, j)
            if _equal(s, rules, i, j, shift, strict):
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
def _reach(
    s: Streams, rules: AlignmentRules, state: NDArray[np.int64], w: Scratch, strict: bool
) -> tuple[int, int]:
    """Find how few edits lead to a run of equal frames.

    Diagonal k means: the actual cursor has gone k further than the expected one. Row e of the
    scratch holds, for each diagonal, how far the expected cursor gets with e edits.

    Returns:
        The number of edits and the diagonal, -1 and 0 if there is no such run.
    """
    i, j = state[NEXT_EXPECTED], state[NEXT_ACTUAL]
    room_i, room_j = len(s.expected_word) - i, len(s.actual_word) - j
    shift, delay = state[SEQUENCE_SHIFT], state[DELAY]
    middle = EDIT_MOST + 1
    w.reach[:, :] = _NOTHING
    for edits in range(EDIT_MOST + 1):
        chosen, chosen_rank = _NOTHING, 1 << 30
        wanted_run = EDIT_RUN + edits // 2
        for k in range(-edits, edits + 1):
            x, step = (0, 0) if edits == 0 else (_NOTHING, 0)
            if edits:
                before, changed_before = w.reach[edits - 1], w.changed[edits - 1]
                changed = 0
                for kind in (MISSING, ADDED, CHANGED):
                    aside = 1 if kind == MISSING else -1 if kind == ADDED else 0
                    reached = before[middle + k + aside] + (0 if kind == ADDED else 1)
                    if reached > room_i or not 0 <= reached + k <= room_j:
                        continue
                    # Of paths that get as far, one with fewer changed frames has more equal ones.
                    changes = changed_before[middle + k + aside] + (1 if kind == CHANGED else 0)
                    if reached > x or (reached == x and changes < changed):
                        x, step, changed = reached, kind, changes
                w.changed[edits, middle + k] = changed
            if x < 0:
                continue
            run = moved = 0
            while x < room_i and x + k < room_j and run < wanted_run:
                if not _equal(s, rules, i + x, j + x + k, shift, strict):
                    break
                if not strict:
                    # Numbers that jump to and fro are damage, not frames lost at the sender.
                    here = _shift_between(s, rules, i + x, j + x + k)
                    if run and here != moved:
                        break
                    moved = here
                x += 1
                run += 1
            w.reach[edits, middle + k] = x
            w.slid[edits, middle + k] = run
            w.step[edits, middle + k] = step
            at_end = x == room_i and x + k == room_j and s.expected_ended and s.actual_ended
            if run == wanted_run or at_end:
                rank = 2 * abs(k)
                if rules.has_time and run:
                    first = i + x - run
                    late = s.actual_time[first - i + j + k] - s.expected_time[first] - delay
                    rank += 0 if late == 0 else 2 * EDIT_MOST + 2
                if rank < chosen_rank:
                    chosen, chosen_rank = k, rank
        if chosen != _NOTHING:
            return edits, chosen
    return -1, 0


@kernel
def _edit(
    s: Streams,
    rules: AlignmentRules,
    state: NDArray[np.int64],
    f: Findings,
    w: Scratch,
    strict: bool,
) -> bool:
    """Try the fewest edits that lead to a run of equal frames."""
    edits, k = _reach(s, rules, state, w, strict)
    if edits < 0:
        return False
    middle = EDIT_MOST + 1
    diagonals = w.path  # of each number of edits
    for e in range(edits, -1, -1):
        diagonals[e] = middle + k
        step = w.step[e, middle + k]
        k += 1 if step == MISSING else -1 if step == ADDED else 0
    i, j = state[NEXT_EXPECTED], state[NEXT_ACTUAL]
    for e in range(edits + 1):
        if e:
            step = w.step[e, diagonals[e]]
            if step == MISSING:
                _tell(state, f, MISSING, i, -1, _U0)
                i += 1
            elif step == ADDED:
                _tell(state, f, ADDED, -1 - i, j, _U0)
                j += 1
            else:
                _pair(s, rules, state, f, i, j, strict)
                i += 1
                j += 1
        # Of the last run only the first frame, which tells the delay; the rest goes fast.
        run = w.slid[e, diagonals[e]]
        for _ in range(run if e < edits else min(run, 1)):
            _pair(s, rules, state, f, i, j, strict)
            i += 1
            j += 1
    state[NEXT_EXPECTED], state[NEXT_ACTUAL] = i, j
    return True


@kernel
def _jump(
    s: Streams,
    rules: AlignmentRules,
    state: NDArray[np.int64],
    f: Findings,
    stop_i: int,
    stop_j: int,
) -> None:
    """Go to two frames that belong together, over more damage than `_edit` can tell apart."""
    i, j = state[NEXT_EXPECTED], state[NEXT_ACTUAL]
    if stop_i - i == stop_j - j:
        strict = _equal(s, rules, stop_i, stop_j, state[SEQUENCE_SHIFT], True)
        while i < stop_i:
            _pair(s, rules, state, f, i, j, strict)
            i += 1
            j += 1
    else:
        _skip(state, f, i, stop_i, j, stop_j)
    _pair(s, rules, state, f, stop_i, stop_j, False)
    state[NEXT_EXPECTED], state[NEXT_ACTUAL] = stop_i + 1, stop_j + 1


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
def _explain(
    s: Streams, rules: AlignmentRules, state: NDArray[np.int64], f: Findings, w: Scratch
) -> bool:
    """Try what needs the least to have gone wrong first."""
    timed, numbered = rules.has_time, rules.has_sequence
    if timed and _merge(s, rules, state, f, True, False):
        return True
    # A frame lost at the sender moves the numbers behind it, and not their times.
    if timed and numbered and _merge(s, rules, state, f, False, True):
        return True
    if _edit(s, rules, state, f, w, True):
        return True
    if not numbered:
        return False
    return (timed and _merge(s, rules, state, f, False, False)) or _edit(
        s, rules, state, f, w, False
    )


@kernel
def _resolve(
    s: Streams,
    rules: AlignmentRules,
    state: NDArray[np.int64],
    f: Findings,
    w: Scratch,
    anchor_i: int,
    anchor_j: int,
) -> int:
    """Find out what went wrong at the cursors, which both stand on a frame."""
    i, j = state[NEXT_EXPECTED], state[NEXT_ACTUAL]
    if anchor_i >= 0:
        _jump(s, rules, state, f, anchor_i, anchor_j)
        state[PATIENCE] = PATIENCE_LEAST
        return GO_ON
    if anchor_i == NO_ANCHOR:
        _keep(s, rules, state, f)
        return GO_ON
    shift = state[SEQUENCE_SHIFT]
    late_only = rules.has_time and _equal(s, rules, i, j, shift, True)
    if late_only and not _has_other_place(s, rules, state):
        _pair(s, rules, state, f, i, j, True)
        state[NEXT_EXPECTED], state[NEXT_ACTUAL] = i + 1, j + 1
        return GO_ON
    if _explain(s, rules, state, f, w):
        state[PATIENCE] = PATIENCE_LEAST
        return GO_ON
    return WANTS_ANCHOR


@kernel
def align(
    s: Streams,
    rules: AlignmentRules,
    state: NDArray[np.int64],
    f: Findings,
    w: Scratch,
    anchor_i: int,
    anchor_j: int,
) -> int:
    """Align as far as the columns go.

    Args:
        state: int64[STATE_NUMBERS]; cursors, counts and hypotheses, carried on.
        f: has room for as many findings as frames are left on both sides.
        anchor_i, anchor_j: the answer to WANTS_ANCHOR; NO_ANCHOR where none was found; else -1.

    Returns:
        WANTS_FRAMES, WANTS_ANCHOR or DONE.
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
                while same < room and _moved(expected[same], shift, rules) == actual[same]:
                    if after[same] - before[same] != delay:
                        break
                    same += 1
        else:
            while same < room and _moved(expected[same], shift, rules) == actual[same]:
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
        if _resolve(s, rules, state, f, w, anchor_i, anchor_j) == WANTS_ANCHOR:
            return WANTS_ANCHOR
        anchor_i, anchor_j = -1, -1
