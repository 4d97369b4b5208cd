"""How long the flash meter takes for a picture, at worst and as programs draw.

Run: pytest tests/bench/test_bench_flashes.py --benchmark-enable

A window shows sixty pictures a second and feeds every one of them to the meter.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
import pytest
from pytest_benchmark.fixture import BenchmarkFixture

from busplay.analysis.flash_watch import FlashWatch
from busplay.analysis.flashes import FlashMeter
from busplay.display.arrangement import IndexedPicture, compose_indices
from busplay.player.bounded import BoundedPlayable
from busplay.run.session import Session

WIDTH, HEIGHT = 392, 192
PALETTE = np.random.default_rng(1).integers(0, 256, (18, 3)).astype(np.uint8)


def noise() -> list[IndexedPicture]:
    """Every pixel of the Dunlin's units in a new colour in each picture."""
    random = np.random.default_rng(2)
    return [
        IndexedPicture(random.integers(0, 18, (HEIGHT, WIDTH)).astype(np.uint32), PALETTE)
        for _ in range(16)
    ]


def strobe() -> list[IndexedPicture]:
    """Every pixel black and white in turn."""
    palette = np.array([(0, 0, 0), (255, 255, 255)], np.uint8)
    return [
        IndexedPicture(np.full((HEIGHT, WIDTH), number % 2, np.uint32), palette)
        for number in range(2)
    ]


def still() -> list[IndexedPicture]:
    return noise()[:1]


def tides() -> list[IndexedPicture]:
    """The tides of the demo, at its refreshes."""
    pictures = []
    with Session("dunlin", program="tides.bin") as session:
        for _ in range(60):
            session.run(session.clock_hz // 60)
            pictures.append(compose_indices(session.displays.values()))
    return pictures


@pytest.mark.benchmark(group="a picture for the flash meter")
@pytest.mark.parametrize("can_take_back", [False, True])
@pytest.mark.parametrize("make", [noise, strobe, still, tides])
def test_picture(
    benchmark: BenchmarkFixture, make: Callable[[], list[IndexedPicture]], can_take_back: bool
) -> None:
    pictures = make()
    height, width = pictures[0].indices.shape
    meter = FlashMeter(width, height, rate_hz=60, can_take_back=can_take_back)

    def forever() -> Iterator[IndexedPicture]:
        while True:
            yield from pictures

    row = forever()
    for _ in range(80):
        meter.feed(next(row))
    benchmark(lambda: meter.feed(next(row)))
    assert meter.report().pictures > 80
    assert meter.report().is_below == (make in (still, tides))


@pytest.mark.benchmark(group="a second of a headless run")
@pytest.mark.parametrize("watches", [False, True])
def test_headless_second(benchmark: BenchmarkFixture, watches: bool) -> None:
    with Session("dunlin", program="tides.bin") as session:
        watch = FlashWatch(session.displays.values(), rate_hz=60)
        played = BoundedPlayable(
            session, stop_cycle=None, at_refresh=watch.look if watches else None, refresh_hz=60
        )
        played.run(session.clock_hz)
        benchmark(played.run, session.clock_hz)
