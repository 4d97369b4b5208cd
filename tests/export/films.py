"""Recordings to film, and what each of their pictures must be."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageSequence

from busplay.description.board import Board, HostPort, ReceiverEnd, Unit
from busplay.display.arrangement import compose
from busplay.run.replay import Replay
from busplay.run.tap import Tap
from tests.boards import GUARDED, PANEL, SIGN, board_with

Pixels = NDArray[np.uint8]

CLOCK_HZ = 1_000_000
# Small, with borders; 24 by 10 pixels, a gap of 8, and 16 by 3.
PANEL_SMALL = replace(
    PANEL, width_px=20, height_px=6, stride_bytes=10, border_px=2, border_index=3, memory_bytes=64,
    palette=tuple((17 * i, 255 - 17 * i, 8 * i) for i in range(16)),
)  # fmt: skip
SIGN_SMALL = replace(SIGN, width_px=16, height_px=3, stride_bytes=2, memory_bytes=8)


def small_board(refresh_hz: int, *units: Unit) -> Board:
    """Return a board of 1 MHz with small units and a refresh."""
    board = board_with(GUARDED, clock_hz=CLOCK_HZ)
    return replace(
        board,
        units=units or (PANEL_SMALL, SIGN_SMALL),
        host_port=HostPort(0xA400, refresh_hz=refresh_hz),
    )


def record(path: Path, board: Board, stores: Iterable[tuple[int, int, int]]) -> Path:
    """Record stores: cycle, address, data."""
    with Tap(board, record=path) as tap:
        for store in stores:
            tap.store(*store)
    return path


def moving(cycles: int, *, every: int = 997, seed: int = 1) -> Iterator[tuple[int, int, int]]:
    """Return stores at random to both units and their palettes."""
    rng = np.random.default_rng(seed)
    for cycle in range(100, cycles, every):
        kind = rng.integers(8)
        if kind == 0:
            yield cycle, 0xA000 + int(rng.integers(6)), int(rng.integers(256))
        elif kind == 1:
            # Border, palette index, and the colour's parts.
            yield cycle, 0xA300 + int(rng.integers(2, 8)), int(rng.integers(16))
        else:
            yield cycle, 0x4000 + int(rng.integers(60)), int(rng.integers(256))


def flashing() -> Iterator[tuple[int, int, int]]:
    """Return stores that turn the whole small sign on or off 16 times, eight times a second."""
    for number in range(16):
        for byte in range(6):
            yield 1_000_000 + 125_000 * number + 8 * byte, 0xA000 + byte, 255 * (1 - number % 2)
    yield 3_500_000, 0x4000, 1


def slow_receiver(folder: Path) -> Path:
    """Return the trace of a burst that the receiver loses a part of."""
    end = ReceiverEnd(fifo_depth=4, service_ns=9_000, deadline_ns=40_000)
    board = replace(small_board(60), receiver=end)
    stores = ((100 + 5 * i, 0x4000 + i % 60, (7 * i) % 256) for i in range(400))
    return record(folder / "slow.trace", board, stores)


def flashing_panel() -> Iterator[tuple[int, int, int]]:
    """Return stores that change the whole small panel eight times a second."""
    for number in range(16):
        for byte in range(60):
            yield 100_000 + 125_000 * number + 8 * byte, 0x4000 + byte, 255 * (number % 2)


def screens(trace: Path, *, unit: str | None = None, scale: int = 1) -> list[Pixels]:
    """Return what the displays show at each refresh up to the end, each sought by itself."""
    found = []
    with Replay(trace) as replay:
        rate, clock = replay.board.refresh_hz, replay.clock_hz
        number = 0
        while True:
            cycle = number * clock // rate
            replay.seek(cycle)
            shown = [replay.display(unit)] if unit else replay.displays.values()
            pixels = compose(shown)
            found.append(np.kron(pixels, np.ones((scale, scale, 1), np.uint8)))
            if number * clock >= replay.end_cycle * rate:
                return found
            number += 1


def read_film(path: Path) -> tuple[list[Pixels], list[float]]:
    """Return the pictures of a film and how many milliseconds each stands, as Pillow reads it."""
    pictures, times_ms = [], []
    with Image.open(path) as film:
        for picture in ImageSequence.Iterator(film):
            # Pillow knows a WebP picture's time only once its pixels are read.
            pictures.append(np.array(picture.convert("RGB")))
            times_ms.append(picture.info["duration"])
    return pictures, times_ms


def at_times(
    pictures: list[Pixels], times_ms: list[float], moments_ms: list[float]
) -> list[Pixels]:
    """Return the picture that stands at each moment."""
    ends = np.cumsum(times_ms)
    places = np.searchsorted(ends, moments_ms, side="right")
    return [pictures[int(place)] for place in places]
