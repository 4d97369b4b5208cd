"""Overlays: what each colour stands for is what the legend says."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from busplay.player.inspector import WriteSums
from busplay.view.instrument.overlays import (
    LEVELS,
    Layer,
    difference_layer,
    draw_legend,
    layer_image,
    write_layer,
)
from busplay.view.instrument.state import Overlay
from busplay.view.instrument.timing import EdgeTimes
from busplay.view.layers import Layers
from busplay.view.viridis import VIRIDIS
from busplay.view.widgets.box import Box
from busplay.view.widgets.drawing import Bitmap
from tests.view.conftest import two_displays
from tests.view.instrument.test_instrument import bench_of
from tests.view.test_draw import scene_of
from tests.view.widgets.look import LOOK, texts

TIMES = EdgeTimes(0, 16_000_000)
COUNTS = (Overlay.COUNT, Overlay.UNCHANGED, Overlay.LOST, Overlay.ROUTINE)


def sums_of(counts: list[int]) -> WriteSums:
    unit = two_displays()["sign"].unit
    column = np.array(counts, np.uint32)
    return WriteSums(unit, 0, 16_000, column, column, np.full(len(counts), -1), column)


def legend_ends(layer: Layer) -> tuple[int, int]:
    drawing = draw_legend(Overlay.COUNT, layer, Box(0, 0, 1200, 24), LOOK)
    (ramp,) = [one for one in drawing.commands if isinstance(one, Bitmap)]
    return int(ramp.indexes[0, 0]), int(ramp.indexes[0, -1])


@pytest.mark.parametrize("overlay", COUNTS)
def test_once_has_the_legends_first_colour_and_the_most_its_last(overlay) -> None:
    """A byte written once was green in a legend on which once was violet."""
    offsets = np.arange(4)[None, :]
    layer = write_layer(overlay, sums_of([0, 1, 4, 16]), offsets, TIMES, most=16)
    assert layer.covered.tolist() == [[False, True, True, True]]
    first, last = legend_ends(layer)
    assert layer.levels[0, 1] == first
    assert layer.levels[0, 3] == last == LEVELS - 1
    # Four times as often each: equal steps.
    assert abs(2 * int(layer.levels[0, 2]) - first - last) <= 1
    assert (layer.low, layer.high) == ("once", "16 times")


def test_nothing_or_once_at_most_needs_no_first_colour() -> None:
    offsets = np.arange(2)[None, :]
    once = write_layer(Overlay.LOST, sums_of([0, 1]), offsets, TIMES, most=1)
    assert (once.low, once.high, once.levels[0, 1]) == ("", "once", LEVELS - 1)
    none = write_layer(Overlay.LOST, sums_of([0, 0]), offsets, TIMES, most=0)
    assert (none.high, none.covered.any()) == ("none", False)


def test_newest_write_is_lightest_and_the_oldest_as_old_as_the_legend_says() -> None:
    sums = replace(sums_of([1, 1, 0]), last_edge=np.array([0, 16_000, -1]))
    layer = write_layer(Overlay.AGE, sums, np.arange(3)[None, :], TIMES, most=1)
    assert (layer.levels[0, 0], layer.levels[0, 1]) == legend_ends(layer)
    assert layer.covered.tolist() == [[True, True, False]]
    assert (layer.low, layer.high) == ("1 ms ago", "now")


def test_one_legend_holds_for_all_units() -> None:
    """Each unit's counts had a scale of their own, and the legend was the first one's."""
    bench = bench_of()
    scene = scene_of(replay=True, is_open=True)
    inspector = bench.inspector
    most = {"panel": 9, "sign": 3}

    def write_sums(unit: str, first_edge: int, *, unchanged: bool = False) -> WriteSums:
        described = bench.playable.displays[unit].unit
        writes = np.full(described.memory_bytes, most[unit], np.uint32)
        return WriteSums(described, 0, 100, writes, writes, writes.astype(np.int64), writes)

    inspector.write_sums = write_sums  # type: ignore[method-assign]
    bench.instrument.state.overlay = Overlay.COUNT
    Layers(bench.instrument).update(scene, 0)
    assert scene.layer is not None
    assert scene.layer.high == "9 times"
    assert scene.images is not None
    assert tuple(scene.images["panel"][0, 0]) == VIRIDIS[-1]
    first, last = legend_ends(scene.layer)
    assert tuple(scene.images["sign"][0, 0]) == VIRIDIS[round((first + last) / 2)]


def test_whatever_differs_is_lighter_than_the_dimmed_picture() -> None:
    expected, actual = (two_displays()["panel"] for _ in range(2))
    actual.write_memory([0], [actual.memory[0] ^ 0x10])
    layer = difference_layer(actual, expected)
    assert layer.covered.sum() == 1
    image = layer_image(layer, expected.image())
    assert tuple(image[layer.covered][0]) in VIRIDIS[legend_ends(layer)[0] :]
    assert (image[~layer.covered] == expected.image()[~layer.covered].astype(int) * 35 // 100).all()


@pytest.mark.parametrize("width", [60, 200, 700])
def test_legend_has_its_words_where_there_is_room(width: int) -> None:
    layer = Layer(np.zeros((1, 1), np.uint8), np.ones((1, 1), np.bool_), "once", "9 times", 80)
    shown = texts(draw_legend(Overlay.COUNT, layer, Box(0, 0, width, 24), LOOK))
    assert ("9 times" in shown) == (width == 700)
