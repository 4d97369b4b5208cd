"""Writes to a unit and the picture they make, by the naive display: vectors for any display.

`busplay.display` and the player of shared pages must pass the same ones.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from busplay.description.board import Unit
from tests.display.cases import unit_with
from tests.naive.display import NaiveDisplay


@dataclass(frozen=True, slots=True)
class DisplayVector:
    """One unit and its writes: space (1 memory, 2 registers), offset, data; and what they make."""

    unit: Unit
    writes: tuple[tuple[int, int, int], ...]
    memory: list[int]
    palette: list[list[int]]
    base: int
    border: int
    is_blank: bool
    picture: list[list[int]]


def display_vectors(count: int = 24, seed: int = 65) -> Iterator[DisplayVector]:
    """Return vectors of every depth and order of pixels, with rows that wrap and odd widths."""
    rng = np.random.default_rng(seed)
    for number in range(count):
        bits = (1, 2, 4, 8)[number % 4]
        width = int(rng.integers(1, 20))
        unit = unit_with(
            width_px=width,
            height_px=int(rng.integers(1, 6)),
            bits_per_pixel=bits,
            pixel_order="low_first" if number % 8 < 4 else "high_first",
            stride_bytes=-(-width * bits // 8) + int(rng.integers(3)),
            base_offset=int(rng.integers(8)),
            memory_bytes=int(rng.integers(100, 300)),
        )
        naive, writes = NaiveDisplay(unit), []
        for _ in range(200):
            space = int(rng.integers(4))
            if space == 2:
                offset, data = int(rng.integers(10)), int(rng.integers(256))
                # Blanking ends most pictures; keep it rare.
                offset = 9 if offset == 3 and rng.integers(4) else offset
                naive.write_register(offset, data)
            else:
                space, offset, data = 1, int(rng.integers(310)), int(rng.integers(256))
                naive.write_memory(offset, data)
            writes.append((space, offset, data))
        yield DisplayVector(
            unit=unit,
            writes=tuple(writes),
            memory=naive.memory,
            palette=naive.palette,
            base=naive.base,
            border=naive.border,
            is_blank=naive.blank,
            picture=naive.indices(),
        )
