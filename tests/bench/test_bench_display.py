"""How fast frames become memory, and memory becomes the screen's pixels.

Run with `pytest tests/bench/test_bench_display.py --benchmark-enable`. Each group has a plain
copy of as many bytes, to compare with in the same run.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pygame
import pytest

from busplay.batch import FrameBatch
from busplay.description.link import Field, Link
from busplay.display.bank import DisplayBank
from busplay.display.display import Display
from busplay.link.layout import FrameLayout
from busplay.view.picture import draw_display
from tests.boards import GUARDED, LEAN, PANEL, board_with
from tests.display.cases import unit_with

FRAMES = 1 << 16


def low_first(link: Link) -> Link:
    """The same frame with every field's lowest bit first, which must go through tables."""
    return replace(
        link, fields=tuple(Field(f.name, f.bits, order="low_first") for f in link.fields)
    )


LINKS = {"guarded": GUARDED, "lean": LEAN, "guarded, low bit first": low_first(GUARDED)}


@pytest.mark.benchmark(group="65,536 frames to memory")
@pytest.mark.parametrize("name", LINKS)
def test_memory_frames(benchmark, name: str) -> None:
    layout = FrameLayout(LINKS[name])
    random = np.random.default_rng(1)
    words = layout.pack(
        space=1,
        unit=0,
        address=random.integers(0, PANEL.memory_bytes, FRAMES).astype(np.uint64),
        data=random.integers(0, 256, FRAMES).astype(np.uint64),
    )
    bank = DisplayBank(board_with(LINKS[name]), layout)
    batch = FrameBatch(np.arange(FRAMES, dtype=np.uint64), words)
    bank.feed(batch)
    benchmark(bank.feed, batch)
    assert bank.counters.frames_memory % FRAMES == 0


@pytest.mark.benchmark(group="65,536 frames to memory")
def test_plain_copy_of_as_many_words(benchmark) -> None:
    words = np.arange(FRAMES, dtype=np.uint64)
    out = np.empty_like(words)
    benchmark(np.copyto, out, words)
    assert out[-1] == FRAMES - 1


@pytest.mark.benchmark(group="a picture of 1024 x 768")
@pytest.mark.parametrize("bits", [1, 2, 4, 8])
def test_picture_at_scale_4(benchmark, bits: int) -> None:
    unit = unit_with(width_px=256, height_px=192, bits_per_pixel=bits)
    display = Display(unit)
    random = np.random.default_rng(1)
    display.write_memory(range(unit.memory_bytes), random.integers(0, 256, unit.memory_bytes))
    surface = pygame.Surface((1024, 768), depth=32)

    def picture() -> None:
        draw_display(display, surface, left_px=0, top_px=0, scale=4)

    picture()
    benchmark(picture)
    assert tuple(surface.get_at((1023, 767)))[:3] == tuple(display.image()[-1, -1])


@pytest.mark.benchmark(group="a picture of 1024 x 768")
def test_plain_copy_of_a_picture(benchmark) -> None:
    pixels = np.ones((768, 1024), np.uint32)
    out = np.empty_like(pixels)
    benchmark(np.copyto, out, pixels)
    assert out[-1, -1] == 1
