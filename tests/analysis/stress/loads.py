"""Loads made in code, so that a sweep needs no file."""

from __future__ import annotations

import numpy as np

from busplay.analysis.stress.load import Load
from busplay.batch import FrameBatch, StoreBatch
from busplay.description.board import Board
from busplay.sender.encoder import Encoder


def burst_load(board: Board, *, bursts: int = 20, length: int = 50, pause: int = 2_000) -> Load:
    """Return bursts of stores every 4 cycles, `length` each, with pauses between."""
    random = np.random.default_rng(7)
    one = np.arange(length, dtype=np.uint64) * np.uint64(4)
    first = np.arange(bursts, dtype=np.uint64) * np.uint64(4 * length + pause)
    cycle = (first[:, None] + one).reshape(-1)
    count = len(cycle)
    encoder = Encoder(board)
    frames = encoder.feed(
        StoreBatch(
            cycle,
            random.integers(0x4000, 0xA000, count).astype(np.uint16),
            random.integers(0, 256, count).astype(np.uint8),
        ),
        stop_cycle=int(cycle[-1]) + 1,
    )
    return Load("bursts", FrameBatch(frames.edge, frames.word), encoder.settled_edge, 0)
