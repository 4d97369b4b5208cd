"""Real receivers on streams of each class of traffic, drawn here from the classes' description."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busplay.analysis.soundness.traffic import Traffic, TrafficKind
from busplay.batch import UInt64Column
from busplay.link.layout import FrameLayout
from busplay.receiver.receiver import Receiver
from busplay.receiver.states import LogKind, State

FILLED = ("space", "unit", "sequence", "address", "data")


def words_of(
    layout: FrameLayout, traffic: Traffic, shape: tuple[int, int], random: np.random.Generator
) -> UInt64Column:
    """Draw the words of some streams' slots, as a sender would send them.

    Args:
        shape: streams, and slots of each.
    """
    link = layout.link
    bits = {one.name: one.bits for one in link.fields if one.value is None and one.name in FILLED}
    slot = np.arange(shape[1])
    every = link.idle_every or 0
    is_idle = np.full(shape[1], traffic.kind is TrafficKind.IDLE)
    if every:
        is_idle |= slot % every == every - 1
    sent = np.cumsum(~is_idle)
    is_new = traffic.kind in (TrafficKind.RANDOM, TrafficKind.MEMORY)
    values: dict[str, UInt64Column] = {}
    for name, size in bits.items():
        first, stop = (1, 3 if size > 1 else 2) if name == "space" else (0, 1 << size)
        each = shape if is_new and name != "sequence" else (shape[0], 1)
        drawn = random.integers(first, stop, each, np.uint64) + np.zeros(shape, np.uint64)
        if name in traffic.fixed:
            drawn = np.full(shape, traffic.fixed[name], np.uint64)
        elif name == "sequence" or (name == "address" and traffic.kind is TrafficKind.RISING):
            drawn = (drawn + sent.astype(np.uint64)) % np.uint64(1 << size)
        values[name] = drawn.reshape(-1)
    words = layout.pack(**values).reshape(shape)
    words[:, is_idle] = layout.idle_word
    return words


def in_sync(layout: FrameLayout) -> bytes:
    """Return the snapshot of a receiver that is in sync at a slot's start."""
    receiver = Receiver(layout)
    receiver.feed_symbols(np.tile(layout.idle_symbols, 300), 0)
    assert receiver.state is State.SYNC
    return receiver.snapshot()


def lost_frames(
    layout: FrameLayout, traffic: Traffic, *, trials: int, frames: int, seed: int
) -> NDArray[np.int64]:
    """Take one symbol from receivers that are in sync; count frames until SYNC is right again.

    Returns:
        int64[trials]; `frames` where it took longer.
    """
    random = np.random.default_rng(seed)
    size = layout.frame_symbols
    receiver = Receiver(layout)
    receiver.keeps_log = True
    snapshot = in_sync(layout)
    found = []
    for words in words_of(layout, traffic, (trials, frames + 40), random):
        symbols = layout.to_symbols(words)
        slot = int(random.integers(0, 32))
        lost = slot * size + int(random.integers(0, size))
        receiver.restore(snapshot)
        receiver.take_log()
        receiver.feed_symbols(symbols[:lost], 0)
        receiver.feed_symbols(symbols[lost + 1 :], lost + 1)
        log = receiver.take_log()
        gained = log.edge[(log.kind == LogKind.SYNC_GAINED) & (log.edge > lost)]
        right = gained[gained % size == 0]
        found.append(min(frames, int(right[0]) // size - slot) if len(right) else frames)
    return np.array(found)


def power_on_symbols(
    layout: FrameLayout, traffic: Traffic, *, trials: int, frames: int, seed: int
) -> NDArray[np.int64]:
    """Switch receivers on at a random symbol; count symbols to SYNC, at most those of `frames`."""
    random = np.random.default_rng(seed)
    size = layout.frame_symbols
    receiver = Receiver(layout)
    receiver.keeps_log = True
    found = []
    for words in words_of(layout, traffic, (trials, frames + 40), random):
        symbols = layout.to_symbols(words)
        start = int(random.integers(0, 32 * size))
        receiver.reset()
        receiver.take_log()
        receiver.feed_symbols(symbols[start:], start)
        log = receiver.take_log()
        gained = log.edge[log.kind == LogKind.SYNC_GAINED]
        found.append(min(frames * size, int(gained[0]) - start) if len(gained) else frames * size)
    return np.array(found)
