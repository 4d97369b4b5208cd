"""How long a receiver stays in step against noise.

A frame is let go of after `release_frames` wrong ones in a row, and bits are wrong independently
of each other: so the time is that to a first run of so many failures.

Source: theory of runs: k in a row of chance x take (1 - x^k) / ((1 - x) x^k) trials on average.
"""

from __future__ import annotations

from math import expm1, inf, log


def mean_frames_in_step(wrong_chance: float, release_frames: int) -> float:
    """Give the mean number of frames until so many wrong ones have come in a row.

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
