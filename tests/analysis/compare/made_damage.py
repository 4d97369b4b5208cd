"""Recordings of made-up programs, and damage with and without a pattern in it."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from busplay.batch import FrameBatch
from busplay.link.layout import FrameLayout
from tests.analysis.compare.recordings import HEADERS
from tests.boards import LEAN

EDGES_PER_S = 16_000_000
SLOT = 8
HEADER = HEADERS["lean"]


def program(
    count: int, *, seed: int = 1, gap_slots: int = 3, refresh_frames: int = 0, scatter: bool = False
) -> FrameBatch:
    """Make frames that fill the panel again and again.

    Args:
        gap_slots: from one frame to the next.
        refresh_frames: frames in one go, sixty times a second; 0: without a pause.
        scatter: addresses at random.
    """
    random = np.random.default_rng(seed)
    index = np.arange(count, dtype=np.int64)
    edge = index * SLOT * gap_slots
    if refresh_frames:
        edge = index // refresh_frames * (EDGES_PER_S // 60)
        edge += index % refresh_frames * SLOT * gap_slots
    address = random.integers(0, 24_576, count) if scatter else index % 24_576
    word = FrameLayout(LEAN).pack(
        space=1,
        address=address.astype(np.uint64),
        data=random.integers(0, 256, count, dtype=np.uint64),
    )
    return FrameBatch(edge.astype(np.uint64), word)


def seconds(frames: FrameBatch) -> np.ndarray:
    """Return start times."""
    return frames.edge.astype(np.float64) / EDGES_PER_S


def offsets(frames: FrameBatch) -> np.ndarray:
    """Return offsets in display memory."""
    return FrameLayout(LEAN).unpack_field(frames.word, "address").astype(np.int64)


# Which frames are lost, without any pattern: each takes a generator and a number of frames.
Loss = Callable[[np.random.Generator, int], np.ndarray]


def alone(rate: float) -> Loss:
    """Each frame for itself."""
    return lambda random, count: random.random(count) < rate


def outages(number: int, longest: int) -> Loss:
    """Runs of frames, as when sync is lost."""

    def lost(random: np.random.Generator, count: int) -> np.ndarray:
        column = np.zeros(count, np.bool_)
        for start in random.integers(0, count, number):
            column[start : start + random.integers(1, longest)] = True
        return column

    return lost


def spells(number: int, length: int, rate: float) -> Loss:
    """A few stretches in which many frames are lost, as by a motor that starts."""

    def lost(random: np.random.Generator, count: int) -> np.ndarray:
        column = np.zeros(count, np.bool_)
        for start in random.integers(0, count, number):
            column[start : start + length] = True
        return column & (random.random(count) < rate)

    return lost


LOSSES: dict[str, Loss] = {
    "one in a thousand": alone(1e-3),
    "one in a hundred": alone(1e-2),
    "one in five": alone(0.2),
    "thirty outages": outages(30, 400),
    "ninety short outages": outages(90, 12),
    "one spell": spells(1, 4_000, 0.02),
    "twelve spells": spells(12, 800, 0.1),
}
PROGRAMS: dict[str, Callable[[int], FrameBatch]] = {
    "steady": lambda seed: program(60_000, seed=seed),
    "refresh": lambda seed: program(60_000, seed=seed, refresh_frames=2_500),
    "bursts": lambda seed: program(60_000, seed=seed, gap_slots=1, refresh_frames=300),
    "scatter": lambda seed: program(60_000, seed=seed, scatter=True, gap_slots=5),
}
