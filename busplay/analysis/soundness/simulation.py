"""The same questions put to the real receiver, on streams that are drawn from a seed.

How to think about it. A stream is a row of slots spelled out by the layout, and what the receiver
made of it is read from its counters and from where the frames that it delivered begin. Two of
its rules would hide that, so for these runs the link is changed where the rule plays no part:
a frame of space 0 is idle and not delivered (the field gets another name), and a receiver lets
go of a wrong place after some frames (not while it is asked how it finds one).

Each figure comes with its standard error or interval, so that it can be held against what the
Markov chain says.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import sqrt

import numpy as np

from busplay.analysis.intervals import Interval, wilson_interval
from busplay.analysis.soundness.frame_space import FrameSpace
from busplay.batch import SymbolColumn, UInt64Column
from busplay.description.link import CheckFraming, Link, MarkerFraming, StrobeFraming
from busplay.link.layout import FrameLayout
from busplay.receiver import kernels
from busplay.receiver.receiver import Receiver

NEVER = 1_000_000_000
# Agreement is asked for within so many standard errors.
ERRORS_ALLOWED = 4.5


@dataclass(frozen=True, slots=True)
class SimulatedMean:
    """A mean over trials.

    Attributes:
        mean: of the trials.
        standard_error: of the mean; 0 if the trials are all there are.
        trials: how many.
    """

    mean: float
    standard_error: float
    trials: int

    def agrees_with(self, value: float, *, slack: float = 0.0) -> bool:
        """Tell whether a worked-out mean lies near enough; `slack` widens what is allowed."""
        allowed = ERRORS_ALLOWED * self.standard_error + 1e-9 * abs(value) + slack
        return abs(value - self.mean) <= allowed


@dataclass(frozen=True, slots=True)
class SimulatedLocks:
    """What receivers did that were switched on, or lost an edge.

    Attributes:
        symbols: time to step, as `acquisition.LockTime` has it.
        false_locks: how many came into step at a wrong place.
        false_ratio: interval of 95 % of their share.
        unlocked: how many were not in step when the stream ended; they are in no mean.
    """

    symbols: SimulatedMean
    false_locks: int
    false_ratio: Interval
    unlocked: int


def _mean(values: Sequence[float] | np.ndarray, *, is_all: bool) -> SimulatedMean:
    found = np.asarray(values, float)
    if not len(found):
        return SimulatedMean(float("nan"), float("nan"), 0)
    error = 0.0 if is_all or len(found) < 2 else float(found.std(ddof=1)) / sqrt(len(found))
    return SimulatedMean(float(found.mean()), error, len(found))


def without_idle_space(link: Link) -> Link:
    """Give the link with its space field under another name: every right frame is delivered."""
    name = "space"
    names = {one.name for one in link.fields}
    other = next(f"{name}_{i}" for i in range(len(names) + 1) if f"{name}_{i}" not in names)

    def renamed(one: str) -> str:
        return other if one == name else one

    check = link.check
    if check is not None:
        check = replace(check, covers=tuple(renamed(one) for one in check.covers))
    return replace(
        link,
        fields=tuple(replace(one, name=renamed(one.name)) for one in link.fields),
        check=check,
        idle={renamed(one): value for one, value in link.idle.items()},
    )


def _with_idle_delivered(link: Link) -> Link:
    """Give the link with another idle frame, so that its own is a frame like any other.

    Not where the idle frame is right only because it is the idle one.
    """
    layout = FrameLayout(link)
    if int(layout.syndrome(np.array([layout.idle_word], np.uint64))[0]):
        return link
    other = next(
        (
            replace(link, idle=link.idle | {one.name: (1 << one.bits) - 1})
            for one in link.fields
            if one.name in ("data", "address") and link.idle.get(one.name, 0) == 0
        ),
        link,
    )
    return other if FrameLayout(other).idle_word != layout.idle_word else link


def _with_release(link: Link, release_frames: int) -> Link:
    framing = link.framing
    if isinstance(framing, StrobeFraming):
        return link
    return replace(link, framing=replace(framing, release_frames=release_frames))


def random_stream(
    layout: FrameLayout, slots: Sequence[FrameSpace], count: int, random: np.random.Generator
) -> SymbolColumn:
    """Spell out `count` slots of a pattern that repeats, idle slots as idle."""
    words: UInt64Column = np.zeros(count, np.uint64)
    idle = np.zeros(count, np.bool_)
    for index, space in enumerate(slots):
        here = slice(index, None, len(slots))
        words[here] = space.sample(len(words[here]), random)
        idle[here] = not space.basis and space.base == layout.idle_word
    symbols = layout.to_symbols(words).reshape(count, layout.slot_symbols)
    symbols[idle] = layout.idle_symbols
    return symbols.reshape(-1)


def simulate_power_on(
    layout: FrameLayout, slots: Sequence[FrameSpace], *, frames: int, trials: int, seed: int
) -> SimulatedLocks:
    """Switch receivers on at random symbols of a stream; at every symbol if it is all idle.

    Args:
        slots: pattern of the stream.
        frames: how many slots each receiver gets.
        trials: receivers.
    """
    random = np.random.default_rng(seed)
    receiver = Receiver(FrameLayout(_with_release(without_idle_space(layout.link), NEVER)))
    size = layout.slot_symbols
    is_all = all(not space.basis for space in slots)
    round_symbols = len(slots) * size
    symbols = random_stream(layout, slots, 20 * frames if not is_all else 4 * frames, random)
    room = len(symbols) - frames * size
    starts = np.arange(round_symbols) if is_all else random.integers(0, room, trials)
    waits, false_locks, unlocked = [], 0, 0
    for start in starts.tolist():
        receiver.reset()
        receiver.feed_symbols(symbols[start : start + frames * size], 0)
        counters = receiver.counters
        if receiver.registers[kernels.STATE] != kernels.SYNC:
            unlocked += 1
            continue
        wait = counters.symbols_skipped
        if layout.strobe_mask:
            # The strobe's own symbol is the frame's first.
            wait += 1
            false_locks += (start + wait - 1) % size != 0
        else:
            false_locks += (start + wait) % size != 0
        waits.append(wait)
    return SimulatedLocks(
        _mean(waits, is_all=is_all),
        false_locks,
        wilson_interval(false_locks, len(waits)),
        unlocked,
    )


def simulate_lost_edges(
    layout: FrameLayout, slots: Sequence[FrameSpace], *, frames: int, trials: int, seed: int
) -> SimulatedLocks:
    """Take one symbol out of each stretch of a stream; see when frames begin right again.

    A receiver that came into step at a wrong place meanwhile is followed until it has left it,
    so where that is likely these times are longer than those to the first step.

    Args:
        slots: pattern of the stream; on an all-idle one a receiver is asked for each symbol.
        frames: slots of a stretch.
        trials: stretches.
    """
    random = np.random.default_rng(seed)
    if all(not space.basis for space in slots):
        return _lost_while_idle(layout, frames)
    size = layout.slot_symbols
    frames = -(-frames // len(slots)) * len(slots)
    count = (trials + 1) * frames
    symbols = random_stream(layout, slots, count, random)
    # The first stretch is for finding step.
    places = np.arange(1, trials + 1) * frames * size + random.integers(
        0, len(slots) * size, trials
    )
    if layout.strobe_mask:
        places = np.arange(1, trials + 1) * frames * size + random.integers(
            0, layout.frame_symbols, trials
        )
    is_kept = np.ones(len(symbols), np.bool_)
    is_kept[places] = False
    kept: SymbolColumn = symbols[is_kept]
    receiver = Receiver(FrameLayout(_with_idle_delivered(without_idle_space(layout.link))))
    delivered = receiver.feed_symbols(kept, 0).edge.astype(np.int64)
    # Where a frame begins in the whole stream: as many symbols later as were taken out before.
    lost_at = places - np.arange(trials)
    taken_out = np.searchsorted(lost_at, delivered, side="right")
    begins = delivered + taken_out
    in_step = begins[begins % size == 0]
    first = np.searchsorted(in_step, places, side="right")
    waits = []
    stops = np.append(places[1:], len(symbols))
    for place, stop, index in zip(places.tolist(), stops.tolist(), first.tolist(), strict=True):
        if index < len(in_step) and in_step[index] < stop:
            waits.append(int(in_step[index]) - place - 1)
    return SimulatedLocks(_mean(waits, is_all=False), 0, wilson_interval(0, 0), trials - len(waits))


def _lost_while_idle(layout: FrameLayout, frames: int) -> SimulatedLocks:
    """Take out each symbol of an idle frame in turn, and find how much must follow for step."""
    receiver = Receiver(FrameLayout(layout.link))
    size = layout.slot_symbols
    stream: SymbolColumn = np.tile(layout.idle_symbols, 4 * frames)
    receiver.feed_symbols(stream[: 2 * frames * size], 0)
    snapshot = receiver.snapshot()
    gained = receiver.counters.locks_gained

    def is_found(lost: int, symbols: int) -> bool:
        receiver.restore(snapshot)
        receiver.feed_symbols(stream[:lost], 0)
        receiver.feed_symbols(stream[lost + 1 : lost + 1 + symbols], lost + 1)
        return receiver.counters.locks_gained > gained

    waits, unlocked = [], 0
    for lost in range(size):
        if not is_found(lost, (frames + 2) * size):
            unlocked += 1
            continue
        # Once found it stays counted, so halving finds the first symbol that does it.
        low, high = 0, (frames + 2) * size
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (low, middle) if is_found(lost, middle) else (middle, high)
        waits.append(high)
    return SimulatedLocks(_mean(waits, is_all=True), 0, wilson_interval(0, 0), unlocked)


def simulate_hold(
    layout: FrameLayout,
    frames_of: FrameSpace,
    *,
    bit_error_rate: float,
    expected_frames: float,
    trials: int,
    seed: int,
) -> SimulatedMean:
    """Flip bits at a rate until receivers that were in step let go; give the mean of frames.

    Args:
        frames_of: where the frames of the stream are drawn from.
        expected_frames: the mean that the trial is laid out for.
    """
    random = np.random.default_rng(seed)
    link = without_idle_space(layout.link)
    framing = link.framing
    if isinstance(framing, StrobeFraming):
        raise ValueError("a strobe's receiver never lets go")
    in_step = Receiver(FrameLayout(link))
    idle = np.tile(layout.idle_symbols, 4 + 2 * _confirm(framing))
    in_step.feed_symbols(idle, 0)
    snapshot = in_step.snapshot()
    # A receiver that has let go is not to come back, so that its counters stand still.
    if isinstance(framing, CheckFraming) or framing.rule == "confirm":
        link = replace(link, framing=replace(framing, confirm_frames=NEVER))
    receiver = Receiver(FrameLayout(link))
    stretch = int(10 * expected_frames) + 20
    symbols = random_stream(layout, [frames_of], stretch, random)
    lane_bits = layout.lanes
    held = []
    for _ in range(trials):
        wrong_bits = random.random(stretch * layout.frame_bits, np.float32) < bit_error_rate
        at = np.flatnonzero(wrong_bits)
        noise = np.zeros(len(symbols), np.uint32)
        np.bitwise_xor.at(noise, at // lane_bits, (1 << (at % lane_bits)).astype(np.uint32))
        receiver.restore(snapshot)
        before = receiver.counters
        receiver.feed_symbols(symbols ^ noise.astype(symbols.dtype), 0)
        after = receiver.counters
        held.append(
            after.frames_received
            + after.frames_idle
            + after.checks_failed
            - (before.frames_received + before.frames_idle + before.checks_failed)
        )
    return _mean(held, is_all=False)


def _confirm(framing: CheckFraming | MarkerFraming) -> int:
    return framing.confirm_frames
