"""Writes to a unit and the picture they make, by the naive display: vectors for any display.

`busplay.display` and the player of shared pages must pass the same ones.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from busplay.description.board import Unit
from tests.display.cases import drawn_font, text_unit, unit_with
from tests.naive.display import NaiveDisplay

# What stands as a write's space where a refresh comes; its data is the page that is then shown.
REFRESH = 0


@dataclass(frozen=True, slots=True)
class DisplayVector:
    """One unit, its writes, and what they make.

    A write is its space (1 memory, 2 registers, or `REFRESH`), offset, data.
    """

    unit: Unit
    writes: tuple[tuple[int, int, int], ...]
    memory: list[int]
    palette: list[list[int]]
    base: int
    border: int
    is_blank: bool
    page: int
    picture: list[list[int]]


def display_vectors(count: int = 64, seed: int = 65) -> Iterator[DisplayVector]:
    """Return vectors of bitmaps and text, with one page and several, with rows that wrap.

    Bitmaps have every depth, order of pixels and odd widths; text has cells of one and two bytes,
    a font in ROM and in display memory, and each shape of the cursor.
    """
    rng = np.random.default_rng(seed)
    for number in range(count):
        unit = _text(rng, number // 2) if number % 2 else _bitmap(rng, number // 2)
        naive, writes = NaiveDisplay(unit), []
        for _ in range(200):
            kind, data = int(rng.integers(20)), int(rng.integers(256))
            if kind == 0:
                naive.refresh()
                writes.append((REFRESH, 0, naive.page_shown))
            elif kind < 6:
                offset = int(rng.integers(14))
                # Blanking ends most pictures; keep it rare.
                offset = 9 if offset == 3 and rng.integers(4) else offset
                if offset == 9:
                    # The cursor shows where it is within the picture.
                    data = 0
                naive.write_register(offset, data)
                writes.append((2, offset, data))
            else:
                offset = int(rng.integers(unit.memory_bytes + 10))
                naive.write_memory(offset, data)
                writes.append((1, offset, data))
        yield DisplayVector(
            unit=unit,
            writes=tuple(writes),
            memory=naive.memory,
            palette=naive.palette,
            base=naive.base,
            border=naive.border,
            is_blank=naive.blank,
            page=naive.page_shown,
            picture=naive.indices(),
        )


def _bitmap(rng: np.random.Generator, number: int) -> Unit:
    bits, width = (1, 2, 4, 8)[number % 4], int(rng.integers(1, 20))
    return unit_with(
        width_px=width,
        height_px=int(rng.integers(1, 6)),
        bits_per_pixel=bits,
        pixel_order="low_first" if number % 8 < 4 else "high_first",
        stride_bytes=-(-width * bits // 8) + int(rng.integers(3)),
        base_offset=int(rng.integers(8)),
        memory_bytes=int(rng.integers(100, 300)),
        border_px=number % 3,
        **_pages(number),
    )


def _text(rng: np.random.Generator, number: int) -> Unit:
    font = drawn_font(rng, int(rng.integers(1, 9)), int(rng.integers(1, 18)))
    font_offset = int(rng.integers(100)) if number % 4 < 2 else None
    font_bytes = 0 if font_offset is None else font_offset + len(font.rows)
    columns, cell_bytes = int(rng.integers(1, 6)), 1 + number % 2
    return text_unit(
        columns=columns,
        rows=int(rng.integers(1, 4)),
        cell_bytes=cell_bytes,
        font=font,
        font_offset=font_offset,
        bits_per_pixel=(1, 2, 4)[number % 3],
        stride_bytes=columns * cell_bytes + int(rng.integers(3)),
        base_offset=int(rng.integers(8)),
        memory_bytes=font_bytes + int(rng.integers(10, 60)),
        border_px=number % 2,
        **_pages(number),
    )


def _pages(number: int) -> dict[str, int]:
    pages = 1 + number // 4 % 3
    return {"pages": pages, "page_bytes": 0 if pages == 1 else 13}
