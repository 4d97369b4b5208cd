"""What is shown over the screens: how old, how often, for nothing, or lost; with its legend."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from busplay.display.display import Display
from busplay.player.inspector import WriteSums
from busplay.view import theme
from busplay.view.instrument.state import Overlay
from busplay.view.instrument.timing import EdgeTimes
from busplay.view.viridis import VIRIDIS
from busplay.view.widgets.box import Box
from busplay.view.widgets.drawing import Bitmap, Drawing, Fill, Look, Outline

LEVELS = len(VIRIDIS)
# Single pixels are seen: none is as dark as the dimmed picture.
SEEN_LEVEL = LEVELS // 3
# What lies under an overlay keeps this part of its brightness, so that one sees what it is.
DIMMED_PERCENT = 35


@dataclass(frozen=True, slots=True, eq=False)
class Layer:
    """An overlay of one unit.

    Attributes:
        levels: uint8[height, width]; index of the colour of each pixel.
        covered: bool[height, width]; pixels that have a colour, the others are dimmed.
        low, high: what the darkest and the lightest colour stand for.
        low_level: index of the darkest.
    """

    levels: NDArray[np.uint8]
    covered: NDArray[np.bool_]
    low: str
    high: str
    low_level: int = 0


def counts_of(overlay: Overlay, sums: WriteSums) -> NDArray[np.uint32]:
    """Return uint32[bytes]: what an overlay of counts shows of a unit."""
    if overlay is Overlay.UNCHANGED:
        return sums.unchanged
    return sums.lost if overlay is Overlay.LOST else sums.writes


def write_layer(
    overlay: Overlay,
    sums: WriteSums,
    offsets: NDArray[np.int64],
    times: EdgeTimes,
    *,
    most: int,
) -> Layer:
    """Return an overlay made of what was written.

    Args:
        overlay: which.
        sums: of the unit's bytes.
        offsets: int64[height, width]; the byte of each pixel.
        times: of edges.
        most: the highest count of all units, as one legend stands for them.
    """
    if overlay is Overlay.AGE:
        age = np.where(sums.last_edge >= 0, sums.stop_edge - sums.last_edge, -1)
        covered = age >= 0
        span = max(1, sums.stop_edge - sums.first_edge)
        # The newest tenth of the passage takes half of the colours: that is what one looks for.
        part = np.sqrt(np.clip(age, 0, span) / span)
        levels = np.round((1 - part) * (LEVELS - 1)).astype(np.uint8)
        milliseconds = span * 1000 / times.edges_per_second
        return Layer(levels[offsets], covered[offsets], f"{milliseconds:,.0f} ms ago", "now")
    counts = counts_of(overlay, sums)
    # As lightness, how often is told apart best in steps of so many times as often.
    part = np.log2(np.maximum(counts, 1)) / np.log2(most) if most > 1 else np.ones(counts.shape)
    levels = np.round(SEEN_LEVEL + part * (LEVELS - 1 - SEEN_LEVEL))
    return Layer(
        levels.astype(np.uint8)[offsets],
        (counts > 0)[offsets],
        "once" if most > 1 else "",
        "none" if not most else "once" if most == 1 else f"{most:,} times",
        SEEN_LEVEL,
    )


def difference_layer(actual: Display, expected: Display) -> Layer:
    """Return how far the colours of two displays are apart, pixel by pixel."""
    apart = np.abs(actual.image().astype(np.int16) - expected.image().astype(np.int16)).max(axis=2)
    levels = np.clip(apart, 0, LEVELS - 1).astype(np.uint8)
    levels = np.maximum(levels, SEEN_LEVEL).astype(np.uint8)
    return Layer(levels, apart > 0, "little", "much", SEEN_LEVEL)


def layer_image(layer: Layer, picture: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Put an overlay over a picture, uint8[height, width, 3]."""
    dimmed = (picture.astype(np.uint16) * DIMMED_PERCENT // 100).astype(np.uint8)
    colours = np.array(VIRIDIS, np.uint8)
    image: NDArray[np.uint8] = np.where(layer.covered[:, :, None], colours[layer.levels], dimmed)
    return image


@lru_cache(maxsize=4)
def _ramp(width: int, height: int, low_level: int) -> NDArray[np.uint8]:
    row = np.linspace(low_level, LEVELS - 1, max(1, width)).round().astype(np.uint8)
    return np.repeat(row[None, :], height, axis=0)


def draw_legend(overlay: Overlay, layer: Layer, box: Box, look: Look) -> Drawing:
    """Return the legend: what is shown, and its colours from the least to the most."""
    ground = theme.PANEL
    drawing = Drawing([Fill(box, ground), Outline(box, theme.LINE)])
    pad, size = look.sizes.pad_px, look.sizes.text_px
    inner = box.inset(pad, 0)
    name_px = look.measure.width(overlay.value, size)
    name, rest = inner.cut_left(min(name_px, inner.width // 2))
    drawing.draw(look.words(overlay.value, name, theme.TEXT, ground))
    rest = rest.cut_left(pad)[1]
    low, high = layer.low, layer.high
    high_px, low_px = look.measure.width(high, size), look.measure.width(low, size)
    ramp_px = min(12 * size, rest.width - high_px - low_px - 2 * pad)
    if ramp_px < 2 * size:
        return drawing
    place, rest = rest.cut_left(low_px)
    drawing.draw(look.words(low, place, theme.DIM, ground))
    ramp, rest = rest.cut_left(pad)[1].cut_left(ramp_px)
    bar = Box(ramp.left, box.top + box.height // 4, ramp.width, box.height // 2)
    drawing.draw(
        Bitmap(bar, _ramp(bar.width, bar.height, layer.low_level), VIRIDIS), Outline(bar, theme.DIM)
    )
    return drawing.draw(look.words(high, rest.cut_left(pad)[1], theme.DIM, ground))
