"""The same questions put to the real receiver, on streams that are drawn from a seed.

How to think about it. A stream is a row of slots spelled out by the layout, drawn as the trials
ask for it, so that no two trials see the same part. What the receiver made of it is read from its
log: where it came into step, and by the edge whether frames begin there.

Each figure comes with a range for the real one, four standard errors to each side or what is as
sure, so that a figure outside it is a difference and no bad luck.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import ceil, floor, inf, sqrt

import numpy as np
from numpy.typing import NDArray

from busplay.analysis.intervals import Interval, wilson_interval
from busplay.analysis.soundness.frame_space import FrameSpace
from busplay.batch import SymbolColumn, UInt64Column
from busplay.description.link import Link, StrobeFraming
from busplay.link.layout import FrameLayout
from busplay.receiver.receiver import Receiver
from busplay.receiver.states import Event, State

# Ranges hold the real figure in all but one of 16,000 cases.
RANGE_ERRORS = 4.0
# Symbols that one simulation may take; a slow link gets fewer trials for it.
SYMBOLS_MAX = 3_000_000
TRIALS_LEAST = 20
BLOCK_SYMBOLS = 1 << 15
IDLE_FRAMES_TO_STEP = 4


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

    @property
    def range(self) -> Interval:
        """Where the real mean lies."""
        half = RANGE_ERRORS * self.standard_error
        return Interval(self.mean - half, self.mean + half)

    def agrees_with(self, value: float) -> bool:
        """Tell whether a worked-out mean lies in the range."""
        slack = 1e-9 * abs(value)
        return self.range.low - slack <= value <= self.range.high + slack


@dataclass(frozen=True, slots=True)
class SimulatedQuantile:
    """A time within which so many of the trials were done.

    Attributes:
        value: of the trials.
        low, high: range of the real one; `high` is infinite if too few trials were made.
    """

    value: float
    low: float
    high: float

    def agrees_with(self, value: float | None) -> bool:
        """Tell whether a worked-out quantile lies in the range; None: it was not worked out."""
        return value is None or self.low <= value <= self.high


@dataclass(frozen=True, slots=True)
class SimulatedLocks:
    """What receivers did that were switched on, or lost an edge.

    Attributes:
        symbols: time to step, as `acquisition.LockTime` has it.
        quantile: time within which 99 % of the trials were in sync.
        false_locks: how many came into step at a wrong place.
        false_ratio: range of their share; for all symbols the share itself.
        unlocked: how many were not in sync after 40 times the mean; they are in no figure.
        is_all: whether every symbol of the round was tried, so that the figures are exact.
    """

    symbols: SimulatedMean
    quantile: SimulatedQuantile
    false_locks: int
    false_ratio: Interval
    unlocked: int
    is_all: bool


def sample_mean(values: Sequence[float] | NDArray[np.float64], *, is_all: bool) -> SimulatedMean:
    """Return the mean of trials with its standard error."""
    found = np.asarray(values, float)
    if not len(found):
        return SimulatedMean(float("nan"), float("nan"), 0)
    error = 0.0 if is_all or len(found) < 2 else float(found.std(ddof=1)) / sqrt(len(found))
    return SimulatedMean(float(found.mean()), error, len(found))


def sample_quantile(values: Sequence[float], share: float, *, is_all: bool) -> SimulatedQuantile:
    """Return a quantile of trials; its range is what stands at the ranks that can be its.

    Source: order statistics; ranks of the quantile are binomial.
    """
    ordered = sorted(values)
    count = len(ordered)
    if not count:
        return SimulatedQuantile(float("nan"), -inf, inf)

    def at(rank: int) -> float:
        return float(ordered[min(max(rank, 1), count) - 1])

    value = at(ceil(share * count - 1e-9))
    if is_all:
        return SimulatedQuantile(value, value, value)
    half = RANGE_ERRORS * sqrt(count * share * (1 - share))
    low, high = floor(share * count - half), ceil(share * count + half) + 1
    return SimulatedQuantile(
        value,
        at(low) if low >= 1 else -inf,
        at(high) if high <= count else inf,
    )


class Wire:
    """A stream without an end: a round of slots over and over, its frames drawn at random.

    Attributes:
        edge: of the next symbol; a round begins where the edge is a multiple of its symbols.
    """

    def __init__(
        self,
        layout: FrameLayout,
        slots: Sequence[FrameSpace],
        random: np.random.Generator,
        *,
        bit_error_rate: float = 0.0,
    ) -> None:
        self.edge = 0
        self.round_symbols = len(slots) * layout.slot_symbols
        self._layout, self._slots, self._random = layout, slots, random
        self._bit_error_rate = bit_error_rate
        rounds = -(-BLOCK_SYMBOLS // self.round_symbols)
        self._block_slots = rounds * len(slots)
        self._block: SymbolColumn = np.empty(0, layout.symbol_dtype)
        self._at = 0

    def read(self, count: int) -> SymbolColumn:
        """Return some of the next symbols: `count`, or fewer at the end of a block."""
        if self._at == len(self._block):
            self._block = random_stream(self._layout, self._slots, self._block_slots, self._random)
            if self._bit_error_rate:
                self._block ^= noise(
                    self._layout, len(self._block), self._bit_error_rate, self._random
                )
            self._at = 0
        symbols = self._block[self._at : self._at + count]
        self._at += len(symbols)
        self.edge += len(symbols)
        return symbols

    def skip(self, count: int) -> None:
        """Pass over symbols."""
        while count:
            count -= len(self.read(count))

    def skip_to_round(self) -> None:
        """Pass over what is left of a round."""
        self.skip(-self.edge % self.round_symbols)


def random_stream(
    layout: FrameLayout, slots: Sequence[FrameSpace], count: int, random: np.random.Generator
) -> SymbolColumn:
    """Spell out `count` slots of a pattern that repeats, idle slots as idle."""
    words: UInt64Column = np.zeros(count, np.uint64)
    idle = np.zeros(count, np.bool_)
    in_round = np.arange(count) % len(slots)
    for space in dict.fromkeys(slots):
        here = np.array([one == space for one in slots])[in_round]
        words[here] = space.sample(int(np.count_nonzero(here)), random)
        idle |= here & (not space.basis and space.base == layout.idle_word)
    symbols = layout.to_symbols(words).reshape(count, layout.slot_symbols)
    symbols[idle] = layout.idle_symbols
    return symbols.reshape(-1)


def noise(
    layout: FrameLayout, count: int, bit_error_rate: float, random: np.random.Generator
) -> SymbolColumn:
    """Return the wrong bits of symbols, each lane's by itself; a strobe stays as it is."""
    bits = count * layout.lanes
    wrong = np.zeros(count, np.uint32)
    # The gaps between wrong bits are geometric, so right ones need no drawing.
    expected = bits * bit_error_rate
    gaps = random.geometric(bit_error_rate, int(expected + 8 * sqrt(expected) + 20))
    at = np.cumsum(gaps) - 1
    at = at[at < bits]
    np.bitwise_xor.at(wrong, at // layout.lanes, (1 << (at % layout.lanes)).astype(np.uint32))
    return wrong.astype(layout.symbol_dtype)


def _is_all_idle(slots: Sequence[FrameSpace]) -> bool:
    return all(not space.basis for space in slots)


def _starts(
    layout: FrameLayout,
    slots: Sequence[FrameSpace],
    trials: int,
    mean_symbols: float,
    random: np.random.Generator,
    *,
    is_all: bool,
    in_frame: bool = False,
) -> list[int]:
    """Choose where in a round each trial starts: everywhere if the stream is always the same.

    Args:
        in_frame: never in the gap behind a frame.
    """
    size = layout.slot_symbols
    if is_all:
        return list(range(len(slots) * size))
    each = mean_symbols + (len(slots) + 1) * size
    trials = max(TRIALS_LEAST, min(trials, int(SYMBOLS_MAX / each)))
    within = random.integers(0, layout.frame_symbols if in_frame else size, trials)
    return [int(one) for one in within + size * random.integers(0, len(slots), trials)]


def simulate_power_on(
    layout: FrameLayout,
    slots: Sequence[FrameSpace],
    *,
    mean_symbols: float,
    trials: int,
    seed: int,
    bit_error_rate: float = 0.0,
) -> SimulatedLocks:
    """Switch receivers on at random symbols of a stream; at every symbol if it is all idle.

    Args:
        slots: pattern of the stream.
        mean_symbols: what the trials are laid out for.
        trials: receivers, fewer on a link on which they take long.
        bit_error_rate: chance that a bit is wrong, each by itself.
    """
    random = np.random.default_rng(seed)
    wire = Wire(layout, slots, random, bit_error_rate=bit_error_rate)
    is_all = _is_all_idle(slots) and not bit_error_rate
    receiver = Receiver(layout)
    receiver.keeps_log = True
    size, chunk = layout.slot_symbols, int(mean_symbols) + 2 * layout.slot_symbols
    waits: list[float] = []
    false_locks = unlocked = 0
    for start in _starts(layout, slots, trials, mean_symbols, random, is_all=is_all):
        wire.skip_to_round()
        wire.skip(start)
        begun = wire.edge
        receiver.reset()
        step = _follow(receiver, wire, chunk, int(40 * mean_symbols) + 8 * size)
        if step is None:
            unlocked += 1
            continue
        # With a strobe the log tells its edge, which is the first of the frame.
        waits.append(step - begun + (1 if layout.strobe_mask else 0))
        false_locks += step % size != 0
    return _simulated(waits, false_locks, unlocked, is_all=is_all)


def simulate_lost_edges(
    layout: FrameLayout,
    slots: Sequence[FrameSpace],
    *,
    mean_symbols: float,
    trials: int,
    seed: int,
) -> SimulatedLocks:
    """Take one symbol from receivers that are in sync; see when they come into step again.

    Args:
        slots: pattern of the stream; of an all-idle one each symbol is taken in turn.
        mean_symbols: what the trials are laid out for.
        trials: receivers, fewer on a link on which they take long.
    """
    random = np.random.default_rng(seed)
    wire = Wire(layout, slots, random)
    is_all = _is_all_idle(slots)
    # A strobe's receiver is asked for the frames that it delivers, and idle ones it does not.
    receiver = Receiver(
        FrameLayout(without_idle_space(layout.link)) if layout.strobe_mask else layout
    )
    in_step = _in_step(layout)
    receiver.keeps_log = True
    size = layout.slot_symbols
    chunk = int(mean_symbols) + 2 * size
    waits: list[float] = []
    false_locks = unlocked = 0
    starts = _starts(layout, slots, trials, mean_symbols, random, is_all=is_all, in_frame=True)
    for start in starts:
        slot, lost = divmod(start, size)
        wire.skip_to_round()
        wire.skip(slot * size)
        receiver.restore(in_step)
        receiver.take_log()
        _feed(receiver, wire, lost)
        wire.skip(1)
        gone = wire.edge
        if layout.strobe_mask:
            step = _next_frame(receiver, wire, size)
        else:
            step = _follow(receiver, wire, chunk, int(40 * mean_symbols) + 8 * size)
        if step is None:
            unlocked += 1
            continue
        waits.append(step - gone)
        false_locks += step % size != 0
    return _simulated(waits, false_locks, unlocked, is_all=is_all)


def _simulated(
    waits: list[float], false_locks: int, unlocked: int, *, is_all: bool
) -> SimulatedLocks:
    share = false_locks / max(1, len(waits))
    return SimulatedLocks(
        sample_mean(waits, is_all=is_all),
        sample_quantile(waits, 0.99, is_all=is_all),
        false_locks,
        Interval(share, share)
        if is_all
        else wilson_interval(false_locks, len(waits), quantile=RANGE_ERRORS),
        unlocked,
        is_all,
    )


def _in_step(layout: FrameLayout) -> bytes:
    """Return the snapshot of a receiver that is in sync at a slot's start."""
    receiver = Receiver(layout)
    framing = layout.link.framing
    confirm = 1 if isinstance(framing, StrobeFraming) else framing.confirm_frames
    frames = IDLE_FRAMES_TO_STEP + confirm
    if isinstance(framing, StrobeFraming):
        receiver.feed_symbols(layout.to_symbols(np.zeros(frames, np.uint64)), 0)
    else:
        receiver.feed_symbols(np.tile(layout.idle_symbols, frames), 0)
    if receiver.state is not State.SYNC:
        raise AssertionError("a receiver that begins with a frame's first symbol is in sync")
    return receiver.snapshot()


def _feed(receiver: Receiver, wire: Wire, count: int) -> None:
    while count:
        edge = wire.edge
        symbols = wire.read(count)
        receiver.feed_symbols(symbols, edge)
        count -= len(symbols)


def _follow(receiver: Receiver, wire: Wire, chunk: int, symbols_max: int) -> int | None:
    """Feed until the receiver comes into step; give the edge, or None if it takes too long."""
    last = wire.edge + symbols_max
    while wire.edge < last:
        edge = wire.edge
        receiver.feed_symbols(wire.read(chunk), edge)
        log = receiver.take_log()
        gained = log.edge[log.kind == Event.GAINED]
        if len(gained):
            return int(gained[0])
    return None


def _next_frame(receiver: Receiver, wire: Wire, slot_symbols: int) -> int | None:
    """Return the edge at which the next frame begins that the receiver delivers."""
    gone = wire.edge
    while wire.edge < gone + 8 * slot_symbols:
        edge = wire.edge
        begun = receiver.feed_symbols(wire.read(slot_symbols), edge).edge
        begun = begun[begun >= gone]
        if len(begun):
            return int(begun[0])
    return None


def without_idle_space(link: Link) -> Link:
    """Return the link with its space field under another name: every right frame is delivered."""
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
