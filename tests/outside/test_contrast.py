"""The window's own colours against the Web Content Accessibility Guidelines."""

from __future__ import annotations

from itertools import pairwise

import pytest

from busplay.view.help import CAUTION
from busplay.view.theme import SHAPE_PAIRS, TEXT_PAIRS
from busplay.view.viridis import VIRIDIS

LEAST_OF_TEXT = 4.5
LEAST_OF_GRAPHICS = 3.0


def luminance(colour: tuple[int, int, int]) -> float:
    parts = []
    for value in colour:
        part = value / 255
        parts.append(part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4)
    return 0.2126 * parts[0] + 0.7152 * parts[1] + 0.0722 * parts[2]


def contrast(one: tuple[int, int, int], other: tuple[int, int, int]) -> float:
    darker, lighter = sorted((luminance(one), luminance(other)))
    return (lighter + 0.05) / (darker + 0.05)


@pytest.mark.source("WCAG 2.2", part="relative luminance, contrast ratio", kind="standard")
@pytest.mark.parametrize(
    ("one", "other", "ratio"),
    [
        ((0, 0, 0), (255, 255, 255), 21),
        ((0x76, 0x76, 0x76), (255, 255, 255), 4.5422),
        ((0x77, 0x77, 0x77), (255, 255, 255), 4.4781),
        ((255, 0, 0), (255, 255, 255), 3.9985),
        ((255, 255, 0), (0, 0, 0), 19.556),
    ],
)
def test_contrast_is_computed_as_in_the_guideline(one, other, ratio) -> None:
    assert contrast(one, other) == pytest.approx(ratio, abs=1e-3)


@pytest.mark.source("WCAG 2.2", part="1.4.3, contrast of text 4.5 or more", kind="standard")
@pytest.mark.parametrize(("text", "ground"), TEXT_PAIRS)
def test_text_of_the_window_stands_out(text, ground) -> None:
    assert contrast(text, ground) >= LEAST_OF_TEXT


@pytest.mark.source("WCAG 2.2", part="2.3.1, three flashes in any one second", kind="standard")
def test_caution_names_the_guideline_and_its_limit() -> None:
    assert "WCAG 2.3.1" in CAUTION
    assert "no more than three flashes in any one second" in CAUTION
    assert "photosensitive epilepsy" in CAUTION


@pytest.mark.source("WCAG 2.2", part="1.4.11, contrast of graphics 3 or more", kind="standard")
@pytest.mark.parametrize(("shape", "ground"), SHAPE_PAIRS)
def test_plots_and_controls_of_the_window_stand_out(shape, ground) -> None:
    assert contrast(shape, ground) >= LEAST_OF_GRAPHICS


@pytest.mark.source("WCAG 2.2", part="relative luminance", kind="standard")
def test_legend_is_told_by_lightness_alone() -> None:
    """Who sees no colours at all reads the overlay as well: more is always lighter."""
    steps = [luminance(colour) for colour in VIRIDIS]
    assert all(one < other for one, other in pairwise(steps[::4]))
    assert contrast(VIRIDIS[0], VIRIDIS[-1]) >= LEAST_OF_GRAPHICS


@pytest.mark.source("matplotlib 3.11", part="the colour map viridis, CC0", kind="library")
def test_viridis_is_matplotlib_s() -> None:
    colormaps = pytest.importorskip("matplotlib", reason="needs matplotlib").colormaps
    wanted = [tuple(round(255 * part) for part in rgb) for rgb in colormaps["viridis"].colors]
    assert list(VIRIDIS) == wanted
