"""How long a receiver stays in sync against noise, by theory and by the real receiver.

A frame is let go of after `release_frames` wrong ones in a row, and bits are wrong independently
of each other: so the time is that to a first run of so many failures, which is a Markov chain of
as many states.

Source: theory of runs: k in a row of chance x take (1 - x^k) / ((1 - x) x^k) trials on average.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import expm1, inf, isfinite, log, log1p

import numpy as np

from busplay.analysis.soundness.frame_space import FrameSpace
from busplay.analysis.soundness.simulation import (
    SimulatedMean,
    SimulatedQuantile,
    noise,
    random_stream,
    sample_mean,
    sample_quantile,
)
from busplay.description.link import StrobeFraming
from busplay.link.layout import FrameLayout
from busplay.receiver.receiver import Receiver
from busplay.receiver.states import Event

# One receiver in a hundred has let go by then.
LOST_SHARE = 0.01
# Up to this mean the distribution is run frame by frame; beyond it is exponential, to within
# `release_frames` parts of the mean.
FOLLOWED_FRAMES_MAX = 200_000


def mean_frames_in_step(wrong_chance: float, release_frames: int) -> float:
    """Return the mean number of frames until so many wrong ones have come in a row.

    Args:
        wrong_chance: chance that a frame looks wrong.
        release_frames: 1 or more.

    >>> round(mean_frames_in_step(0.25, 1))
    4
    """
    if wrong_chance <= 0:
        return inf
    if wrong_chance >= 1:
        return float(release_frames)
    # x^-k as an exponential, so that nothing is lost where x^k is too small for a float.
    exponent = -release_frames * log(wrong_chance)
    if exponent > 700:
        return inf
    return expm1(exponent) / (1 - wrong_chance)


def frames_to_first_losses(wrong_chance: float, release_frames: int) -> float:
    """Return the number of frames by which one receiver in a hundred has let go.

    Args:
        wrong_chance, release_frames: as for `mean_frames_in_step`.

    >>> frames_to_first_losses(0.5, 1)
    1.0
    """
    mean = mean_frames_in_step(wrong_chance, release_frames)
    if mean > FOLLOWED_FRAMES_MAX:
        return -log1p(-LOST_SHARE) * mean
    running = np.zeros(release_frames)
    running[0] = 1.0
    lost, frames = 0.0, 0
    while lost < LOST_SHARE - 1e-12:
        lost += running[-1] * wrong_chance
        right = running.sum() * (1 - wrong_chance)
        running[1:] = running[:-1] * wrong_chance
        running[0] = right
        frames += 1
    return float(frames)


@dataclass(frozen=True, slots=True)
class SimulatedHold:
    """What receivers did that were in sync when the noise began.

    Attributes:
        frames: how many they kept step for.
        first_losses: by when one in a hundred had let go.
    """

    frames: SimulatedMean
    first_losses: SimulatedQuantile


def simulate_hold(
    layout: FrameLayout,
    frames_of: FrameSpace,
    *,
    bit_error_rate: float,
    expected_frames: float,
    trials: int,
    seed: int,
) -> SimulatedHold:
    """Flip bits at a rate until receivers that were in sync let go.

    Args:
        frames_of: where the frames of the stream are drawn from.
        expected_frames: the mean that the trial is laid out for.
    """
    framing = layout.link.framing
    if isinstance(framing, StrobeFraming):
        raise ValueError("a strobe's receiver never lets go")
    if not isfinite(expected_frames):
        raise ValueError("what never ends cannot be waited for")
    random = np.random.default_rng(seed)
    receiver = Receiver(layout)
    receiver.feed_symbols(np.tile(layout.idle_symbols, 4 + 2 * framing.confirm_frames), 0)
    snapshot = receiver.snapshot()
    receiver.keeps_log = True
    stretch = int(expected_frames) + 20
    symbols = random_stream(layout, [frames_of], stretch, random)
    held = []
    for _ in range(trials):
        receiver.restore(snapshot)
        receiver.take_log()
        frames = 0
        while True:
            wrong = noise(layout, len(symbols), bit_error_rate, random)
            receiver.feed_symbols(symbols ^ wrong, 0)
            log = receiver.take_log()
            edges = log.edge[log.kind == Event.LOST]
            if len(edges):
                held.append(frames + int(edges[0]) // layout.frame_symbols)
                break
            frames += stretch
    return SimulatedHold(
        sample_mean(held, is_all=False), sample_quantile(held, LOST_SHARE, is_all=False)
    )
