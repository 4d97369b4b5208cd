"""Compiled loop of the receiver FIFO, in whole ticks of virtual time.

How to think about it. A frame arrives with its last symbol. It takes an entry of the FIFO until it
is served; the frame being served has an entry too, which is free at the instant that it is done.
Frames are served in order, each for a fixed time. While the video side has the memory (a busy
time) the service pauses. So a frame's end of service, and with it its fate, is known when it
arrives.

Times are ticks since an epoch that moves with the batches, so that 64 bits last: `serve` stops at
a frame too far from it, and is called again with a later epoch. A tick divides the edge, the
service and every busy time, so nothing is rounded.

Busy times of one source never overlap: interval k begins at phase + k periods, up to a jitter
later, and ends within its period. `cursor` columns hold the first one that ends after the
service's present instant, which never goes back.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busplay.jit import kernel

SERVED, OVERRUN, LATE = range(3)

# Indexes in `numbers` (int64): constants ...
EDGE_TICKS, FRAME_EDGES, SERVICE_TICKS, DEADLINE_TICKS, SEED, SPAN_EDGES = range(6)
NUMBERS_COUNT = 6
# ... and in `state`: what is carried.
LAST_DONE, HEAD, HELD, HELD_MAX, WAIT_TICKS = range(5)
STATE_COUNT = 5
# Columns of `sources` (int64): a busy time, relative to the epoch ...
PERIOD, LENGTH, JITTER_STEPS, JITTER_TICKS, FIRST_INDEX, FIRST_START, FLAG = range(7)
# ... and its cursor.
INDEX, START, STOP = range(7, 10)
SOURCE_COLUMNS = 10

NO_DEADLINE = -1
PAST = -(1 << 62)


@kernel
def _mix(value: np.uint64) -> np.uint64:
    """Scramble 64 bits so that each depends on all (the finisher of SplitMix64)."""
    value = (value ^ (value >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    value = (value ^ (value >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return value ^ (value >> np.uint64(31))


@kernel
def _interval_start(
    sources: NDArray[np.int64], source: int, index: np.int64, seed: np.int64
) -> np.int64:
    """Return when an interval of a source begins; a function of its number alone."""
    start: np.int64 = sources[source, FIRST_START] + sources[source, PERIOD] * (
        index - sources[source, FIRST_INDEX]
    )
    if sources[source, JITTER_STEPS] > 0:
        key = _mix(np.uint64(seed) + np.uint64(source + 1) * np.uint64(0x9E3779B97F4A7C15))
        drawn = _mix(key + np.uint64(index) * np.uint64(0x9E3779B97F4A7C15))
        steps = drawn % np.uint64(sources[source, JITTER_STEPS] + 1)
        start += np.int64(steps) * sources[source, JITTER_TICKS]
    return start


@kernel
def _skip_busy(sources: NDArray[np.int64], seed: np.int64, now: np.int64) -> np.int64:
    """Return the first instant from `now` on that is not busy, and move the cursors there."""
    moved = True
    while moved:
        moved = False
        for source in range(len(sources)):
            if sources[source, STOP] <= now:
                index = sources[source, INDEX] + 1
                ahead = (now - sources[source, FIRST_START]) // sources[source, PERIOD] - 1
                index = max(index, sources[source, FIRST_INDEX] + ahead)
                while True:
                    start = _interval_start(sources, source, index, seed)
                    if start + sources[source, LENGTH] > now:
                        break
                    index += 1
                sources[source, INDEX] = index
                sources[source, START] = start
                sources[source, STOP] = start + sources[source, LENGTH]
            if sources[source, START] <= now:
                now = sources[source, STOP]
                moved = True
    return now


@kernel
def _busy_flags(sources: NDArray[np.int64], seed: np.int64, now: np.int64) -> int:
    """Return which kinds of source are busy at an instant."""
    flags = 0
    for source in range(len(sources)):
        index = (now - sources[source, FIRST_START]) // sources[source, PERIOD]
        index += sources[source, FIRST_INDEX]
        if index < 0:
            continue
        start = _interval_start(sources, source, index, seed)
        if start <= now < start + sources[source, LENGTH]:
            flags |= sources[source, FLAG]
    return flags


@kernel
def serve(
    edge: NDArray[np.uint64],
    first: int,
    epoch: int,
    numbers: NDArray[np.int64],
    sources: NDArray[np.int64],
    state: NDArray[np.int64],
    ring: NDArray[np.int64],
    fate: NDArray[np.uint8],
    flags: NDArray[np.uint8],
    held_then: NDArray[np.uint32],
) -> int:
    """Serve frames from `first` on, up to one too far from the epoch.

    Args:
        edge: uint64[frames]; link edges of their first symbols, not decreasing, not before the
            epoch.
        epoch: link edge at which ticks are 0.
        numbers, sources, state: see the names above; `sources` and `state` are changed.
        ring: int64[depth]; when the frames in the FIFO are done.
        fate, flags: written: each frame's fate; and, if it is not served in time, which kinds of
            source were busy when it arrived.
        held_then: written: how many frames the FIFO held once each had come.

    Returns:
        The first frame that was not served.
    """
    edge_ticks = numbers[EDGE_TICKS]
    service = numbers[SERVICE_TICKS]
    deadline = numbers[DEADLINE_TICKS]
    frame_ticks = numbers[FRAME_EDGES] * edge_ticks
    seed = numbers[SEED]
    span = numbers[SPAN_EDGES]
    last_done = state[LAST_DONE]
    head = state[HEAD]
    held = state[HELD]
    held_max = state[HELD_MAX]
    wait = state[WAIT_TICKS]
    places = len(ring)
    source_count = len(sources)
    at = first
    while at < len(edge):
        since = np.int64(edge[at]) - epoch
        if since > span:
            break
        arrival = since * edge_ticks + frame_ticks
        while held > 0 and ring[head] <= arrival:
            head += 1
            if head == places:
                head = 0
            held -= 1
        if held == places:
            held_then[at] = held
            fate[at] = OVERRUN
            flags[at] = _busy_flags(sources, seed, arrival)
            at += 1
            continue
        now = max(arrival, last_done)
        if source_count == 0:
            wait += now - arrival
            last_done = now + service
        else:
            left = service
            now = _skip_busy(sources, seed, now)
            wait += now - arrival
            while True:
                following = sources[0, START]
                for source in range(1, source_count):
                    following = min(following, sources[source, START])
                if now + left <= following:
                    last_done = now + left
                    break
                left -= following - now
                now = _skip_busy(sources, seed, following)
        tail = head + held
        if tail >= places:
            tail -= places
        ring[tail] = last_done
        held += 1
        held_then[at] = held
        held_max = max(held_max, held)
        if deadline != NO_DEADLINE and last_done - arrival > deadline:
            fate[at] = LATE
            flags[at] = _busy_flags(sources, seed, arrival)
        else:
            fate[at] = SERVED
        at += 1
    state[LAST_DONE] = last_done
    state[HEAD] = head
    state[HELD] = held
    state[HELD_MAX] = held_max
    state[WAIT_TICKS] = wait
    return at
