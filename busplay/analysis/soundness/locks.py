"""Into step and in sync: what Markov chains say and what the real receiver did, side by side."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite

from busplay.analysis.soundness.acquisition import (
    PLACES_MAX,
    LockTime,
    after_lost_edge,
    power_on,
)
from busplay.analysis.soundness.chances import PassChances, pass_chances, pattern_of
from busplay.analysis.soundness.frame_space import FrameSpace
from busplay.analysis.soundness.hold import (
    SimulatedHold,
    frames_to_first_losses,
    mean_frames_in_step,
    simulate_hold,
)
from busplay.analysis.soundness.simulation import (
    TRIALS_LEAST,
    SimulatedLocks,
    simulate_lost_edges,
    simulate_power_on,
)
from busplay.analysis.soundness.weights import UnseenErrors
from busplay.description.link import StrobeFraming
from busplay.link.layout import FrameLayout

TRIALS = 2_000
NOISY_TRIALS = 600
HOLD_TRIALS = 300
HOLD_SYMBOLS_MAX = 12_000_000
# A rate at which step is kept for about so many frames is tried too: it can be waited for.
HOLD_FRAMES = 60
# Trials show what noise does to the time to step only if it harms so many of them.
HARMED_TRIALS = 20


@dataclass(frozen=True, slots=True)
class Agreement:
    """Whether what was worked out lies in the range of what was tried.

    Attributes:
        mean, quantile, false_ratio: for each figure; None: it was not worked out.
    """

    mean: bool
    quantile: bool | None
    false_ratio: bool

    def __bool__(self) -> bool:
        return self.mean and self.quantile is not False and self.false_ratio


@dataclass(frozen=True, slots=True)
class LockCase:
    """Time to step from one beginning.

    Attributes:
        told: by the Markov chain.
        tried: by the real receiver; None: it never comes into step, or trials could not show it.
        agreement: of the two; None if nothing was tried.
    """

    told: LockTime
    tried: SimulatedLocks | None
    agreement: Agreement | None


@dataclass(frozen=True, slots=True)
class NoisyLock:
    """Time to step from power-on with bit errors.

    Attributes:
        bit_error_rate: chance that a bit is wrong, each by itself.
        case: what was found; nothing is tried where errors are too rare to show in trials.
    """

    bit_error_rate: float
    case: LockCase


@dataclass(frozen=True, slots=True)
class LockReport:
    """How a receiver comes into step on a link under one load.

    Attributes:
        load: `idle`: nothing but idle frames; `busy`: random frames without a pause, but for
            the idle slots that the link asks for.
        idle_every: one slot of so many is idle in what was worked out; None: none is. It may be
            less than the link's, whose round was too long.
        power_on, lost_edge: from power-on at any symbol; from a symbol that is lost.
        noisy: from power-on with bit errors.
    """

    load: str
    idle_every: int | None
    power_on: LockCase
    lost_edge: LockCase
    noisy: tuple[NoisyLock, ...]

    @property
    def agree(self) -> bool:
        """Whether chain and receiver say the same of everything that was tried."""
        cases = (self.power_on, self.lost_edge, *(one.case for one in self.noisy))
        return all(one.agreement is None or bool(one.agreement) for one in cases)


@dataclass(frozen=True, slots=True)
class HoldReport:
    """How long a receiver keeps step at one bit error rate, in frames.

    Attributes:
        bit_error_rate: chance that a bit is wrong, each by itself.
        is_asked: whether it is one of the rates asked for; else one that can be waited for.
        mean_frames: by the Markov chain; None: longer than a number can hold.
        first_losses_frames: one receiver in a hundred has let go by then; None as above.
        tried: by the real receiver; None: too long to wait for.
        agreement: of the two; None if nothing was tried.
    """

    bit_error_rate: float
    is_asked: bool
    mean_frames: float | None
    first_losses_frames: float | None
    tried: SimulatedHold | None
    agreement: Agreement | None


def lock_report(
    layout: FrameLayout, load: str, *, bit_error_rates: Sequence[float], seed: int
) -> LockReport | None:
    """Work out and try how a receiver comes into step; None where there is nothing to find.

    Args:
        load: `idle` or `busy`.
        bit_error_rates: rates to look at as well, unless this load brings no step.
        seed: of the trials.
    """
    is_strobe = isinstance(layout.link.framing, StrobeFraming)
    if is_strobe and load == "idle":
        # Between frames there is nothing to be in sync with.
        return None
    every = layout.link.idle_every if load == "busy" else None
    if every is not None:
        every = min(every, PLACES_MAX // layout.frame_symbols)
    slots = pattern_of(layout, load, idle_every=every)
    chances = None if is_strobe else pass_chances(layout, slots)
    start = power_on(layout, slots, chances=chances)
    lost = after_lost_edge(layout, slots, chances=chances)
    on_tried = lost_tried = None
    if isfinite(start.mean_symbols):
        on_tried = simulate_power_on(
            layout, slots, mean_symbols=start.mean_symbols, trials=TRIALS, seed=seed
        )
    if isfinite(lost.mean_symbols) and isfinite(start.mean_symbols) and layout.frame_symbols > 1:
        lost_tried = simulate_lost_edges(
            layout, slots, mean_symbols=lost.mean_symbols, trials=TRIALS, seed=seed
        )
    noisy: list[NoisyLock] = []
    if chances is not None and isfinite(start.mean_symbols):
        noisy = [
            _noisy_lock(layout, slots, chances, rate=rate, clean=start, seed=seed)
            for rate in bit_error_rates
        ]
    return LockReport(load, every, _case(start, on_tried), _case(lost, lost_tried), tuple(noisy))


def _case(told: LockTime, tried: SimulatedLocks | None) -> LockCase:
    if tried is None:
        return LockCase(told, None, None)
    quantile = told.quantile_symbols
    agreement = Agreement(
        tried.symbols.agrees_with(told.mean_symbols),
        None if quantile is None else tried.quantile.agrees_with(quantile),
        tried.false_ratio.low - 1e-9 <= told.false_ratio <= tried.false_ratio.high + 1e-9,
    )
    return LockCase(told, tried, agreement)


def _noisy_lock(
    layout: FrameLayout,
    slots: Sequence[FrameSpace],
    chances: PassChances,
    *,
    rate: float,
    clean: LockTime,
    seed: int,
) -> NoisyLock:
    told = power_on(layout, slots, bit_error_rate=rate, chances=chances)
    frames = clean.mean_symbols / layout.frame_symbols
    tried = None
    harmed = NOISY_TRIALS * rate * frames * layout.frame_bits
    if isfinite(told.mean_symbols) and harmed >= HARMED_TRIALS:
        tried = simulate_power_on(
            layout,
            slots,
            mean_symbols=told.mean_symbols,
            trials=NOISY_TRIALS,
            seed=seed,
            bit_error_rate=rate,
        )
    return NoisyLock(rate, _case(told, tried))


def hold_reports(
    layout: FrameLayout,
    frames: FrameSpace,
    unseen: UnseenErrors,
    *,
    bit_error_rates: Sequence[float],
    seed: int,
) -> tuple[HoldReport, ...]:
    """Work out and try how long step is kept, at the rates asked for and one that is quick to try.

    Args:
        frames: where the frames of the stream are drawn from.
        unseen: what the check lets pass.

    Returns:
        Nothing for a strobe, whose receiver never lets go.
    """
    framing = layout.link.framing
    if isinstance(framing, StrobeFraming):
        return ()
    quick = _quick_rate(unseen, framing.release_frames)
    rates = [(rate, True) for rate in bit_error_rates]
    if quick is not None and quick not in bit_error_rates:
        rates.insert(0, (quick, False))
    return tuple(
        _hold(layout, frames, unseen, rate=rate, is_asked=is_asked, seed=seed)
        for rate, is_asked in rates
    )


def wrong_chance(unseen: UnseenErrors, bit_error_rate: float) -> float:
    """Return the chance that a frame looks wrong: damaged, and not in a way that is unseen."""
    return unseen.damaged_chance(bit_error_rate) - unseen.unseen_chance(bit_error_rate)


def _quick_rate(unseen: UnseenErrors, release_frames: int) -> float | None:
    low, rate = 1e-4, 0.5
    for _ in range(40):
        middle = (low + rate) / 2
        if mean_frames_in_step(wrong_chance(unseen, middle), release_frames) > HOLD_FRAMES:
            low = middle
        else:
            rate = middle
    mean = mean_frames_in_step(wrong_chance(unseen, rate), release_frames)
    return rate if mean <= 50 * HOLD_FRAMES else None


def _hold(
    layout: FrameLayout,
    frames: FrameSpace,
    unseen: UnseenErrors,
    *,
    rate: float,
    is_asked: bool,
    seed: int,
) -> HoldReport:
    framing = layout.link.framing
    if isinstance(framing, StrobeFraming):
        raise ValueError("a strobe's receiver never lets go")
    chance = wrong_chance(unseen, rate)
    mean = mean_frames_in_step(chance, framing.release_frames)
    if not isfinite(mean):
        return HoldReport(rate, is_asked, None, None, None, None)
    first = frames_to_first_losses(chance, framing.release_frames)
    trials = min(HOLD_TRIALS, int(HOLD_SYMBOLS_MAX / (2 * mean * layout.frame_symbols)))
    if trials < TRIALS_LEAST:
        return HoldReport(rate, is_asked, mean, first, None, None)
    tried = simulate_hold(
        layout, frames, bit_error_rate=rate, expected_frames=mean, trials=trials, seed=seed
    )
    agreement = Agreement(
        tried.frames.agrees_with(mean), tried.first_losses.agrees_with(first), false_ratio=True
    )
    return HoldReport(rate, is_asked, mean, first, tried, agreement)
