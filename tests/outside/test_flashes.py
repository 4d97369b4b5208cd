"""Flashes by the numbers of WCAG 2.2, on drawn pictures whose flashes are counted by hand."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest

from busplay.analysis.flashes import (
    FlashMeter,
    FlashReport,
    chromaticity,
    field_on_screen,
    red_ratio,
    relative_luminance,
)
from busplay.display.arrangement import IndexedPicture
from tests.outside.test_contrast import luminance

Rgb = tuple[int, int, int]

wcag = pytest.mark.source(
    "WCAG 2.2", part="general flash and red flash thresholds", kind="standard"
)

BLACK, WHITE, RED, BLUE = (0, 0, 0), (255, 255, 255), (255, 0, 0), (0, 0, 255)
# Of relative luminance 0.807 and 0.799.
GREY_80, GREY_79 = (232, 232, 232), (231, 231, 231)


def watched(
    pictures: Sequence[Rgb], *, width_px: int = 40, height_px: int = 30, rate_hz: int = 60,
    part: tuple[slice, slice] = (slice(None), slice(None)), field: tuple[int, int] = (40, 30),
) -> FlashReport:  # fmt: skip
    """Watch pictures that are black but for a part in one colour each."""
    meter = FlashMeter(width_px, height_px, rate_hz=rate_hz, field_px=field)
    for colour in pictures:
        indices = np.zeros((height_px, width_px), np.uint32)
        indices[part] = 1
        meter.feed(IndexedPicture(indices, np.array([BLACK, colour], np.uint8)))
    return meter.report()


def flashing(flashes: int, one: Rgb, other: Rgb, *, every: int = 7) -> list[Rgb]:
    """Return pictures with that many flashes, a transition every so many pictures."""
    half = [one] * every
    return [*half, *(([other] * every + half) * flashes)]


@pytest.mark.source("WCAG 2.2", part="relative luminance", kind="standard")
def test_luminance_is_that_of_the_guideline() -> None:
    colours = np.random.default_rng(1).integers(0, 256, (200, 3)).astype(np.uint8)
    expected = [luminance(tuple(colour)) for colour in colours.tolist()]
    np.testing.assert_allclose(relative_luminance(colours), expected, atol=1e-12)


@pytest.mark.source("CIE 1976 UCS", part="u', v' of sRGB's primaries and D65", kind="standard")
@pytest.mark.parametrize(
    ("colour", "place"),
    [
        (RED, (0.4507, 0.5229)),
        ((0, 255, 0), (0.1250, 0.5625)),
        (BLUE, (0.1754, 0.1579)),
        (WHITE, (0.1978, 0.4683)),
        (BLACK, (0.1978, 0.4683)),
    ],
)
def test_places_in_the_diagram_of_colours(colour: Rgb, place: tuple[float, float]) -> None:
    found = chromaticity(np.array([colour], np.uint8))[0]
    assert found == pytest.approx(place, abs=2e-4)


@wcag
def test_three_flashes_in_a_second_pass_and_four_do_not() -> None:
    assert watched(flashing(3, BLACK, WHITE)).is_below
    (span,) = watched(flashing(4, BLACK, WHITE)).general
    # The eighth transition is in picture 56, and the ninth half of the pattern ends at 63.
    assert (span.start_s, span.stop_s) == (0, Fraction(63, 60))
    assert (span.flashes, span.field_ratio) == (4, 1.0)
    assert (span.left_px, span.top_px, span.width_px, span.height_px) == (0, 0, 40, 30)


@wcag
@pytest.mark.parametrize(("every", "is_below"), [(8, False), (9, True), (10, True)])
def test_four_flashes_must_be_within_one_second(every: int, is_below: bool) -> None:
    """From the first to the eighth transition: 56 pictures, then 63, of 60 a second."""
    assert watched(flashing(20, BLACK, WHITE, every=every)).is_below == is_below


@wcag
@pytest.mark.parametrize(
    ("one", "other", "is_below"),
    [
        (WHITE, GREY_79, False),
        (WHITE, GREY_80, True),
        (BLACK, (90, 90, 90), False),
        (BLACK, (89, 89, 89), True),
    ],
)
def test_change_is_a_tenth_and_the_darker_below_080(one: Rgb, other: Rgb, is_below: bool) -> None:
    darker, lighter = sorted((luminance(one), luminance(other)))
    assert (lighter - darker >= 0.1 and darker < 0.8) != is_below
    assert watched(flashing(5, one, other)).is_below == is_below


@wcag
def test_steps_that_add_up_to_a_tenth_are_one_transition() -> None:
    """Peaks and valleys count, not single steps: each way here is three steps of less."""
    steps = [(0,) * 3, (55,) * 3, (75,) * 3, (100,) * 3]
    assert max(luminance(b) - luminance(a) for a, b in pairwise(steps)) < 0.1
    pictures = [*steps, *reversed(steps[:-1])] * 8
    (span,) = watched([colour for colour in pictures for _ in range(2)]).general
    # Up and down again takes 14 pictures, so eight or nine transitions fall within a second.
    assert span.flashes == 4


@wcag
@pytest.mark.parametrize(("rows", "is_below"), [(10, True), (11, False)])
def test_quarter_of_a_field_passes_and_more_does_not(rows: int, is_below: bool) -> None:
    """A field of 20 by 20 has 400 pixels; ten of a part's rows of ten pixels are a quarter."""
    part = slice(5, 5 + rows), slice(12, 22)
    report = watched(flashing(4, BLACK, WHITE), part=part, field=(20, 20))
    assert report.is_below == is_below
    for span in report.general:
        assert span.field_ratio == 110 / 400
        assert (span.left_px, span.top_px, span.width_px, span.height_px) == (12, 5, 10, 11)


@wcag
def test_parts_that_no_field_holds_together_do_not_add_up() -> None:
    meter = FlashMeter(100, 20, rate_hz=60, field_px=(20, 20))
    for number in range(80):
        indices = np.zeros((20, 100), np.uint32)
        indices[:, [*range(4), *range(90, 94)]] = number // 7 % 2
        meter.feed(IndexedPicture(indices, np.array([BLACK, WHITE], np.uint8)))
    assert meter.report().is_below


@wcag
@pytest.mark.parametrize(
    ("one", "other", "is_red"),
    [
        (RED, BLACK, True),
        (RED, BLUE, True),
        (RED, (0, 128, 0), True),
        # Saturated, but too near each other: red and a darker one.
        (RED, (200, 0, 0), False),
        # Far from each other, and neither is red.
        (BLUE, (0, 128, 0), False),
        # Not saturated: 0.57 of pink's light is red.
        ((255, 160, 160), BLUE, False),
    ],
)
def test_red_flash_goes_to_or_from_a_saturated_red(one: Rgb, other: Rgb, is_red: bool) -> None:
    report = watched(flashing(4, one, other))
    assert bool(report.red) == is_red
    for span in report.red:
        assert span.flashes == 4
    assert not watched(flashing(3, one, other)).red


@wcag
def test_red_is_four_fifths_of_the_light() -> None:
    colours = np.array([RED, BLACK, (255, 137, 0), (255, 138, 0)], np.uint8)
    assert (red_ratio(colours) >= 0.8).tolist() == [True, False, False, False]
    linear = ((127 / 255 + 0.055) / 1.055) ** 2.4
    (ratio,) = red_ratio(np.array([(255, 127, 0)], np.uint8))
    assert ratio == pytest.approx(1 / (1 + linear))


@wcag
def test_field_of_the_guideline_on_its_screen() -> None:
    assert field_on_screen(1024, 768) == (341, 256)
    # At scale 2 and 4 a pixel is larger, and a field has fewer of them.
    assert field_on_screen(416, 208) == (170, 128)
    assert field_on_screen(256, 192) == (85, 64)
    assert field_on_screen(256, 192, screen_px=(2048, 1536)) == (85, 64)
    assert field_on_screen(5000, 100) == (341, 256)


@wcag
def test_what_stands_still_or_changes_once_is_below() -> None:
    assert watched([WHITE] * 200).is_below
    assert watched([BLACK] * 50 + [WHITE] * 50).is_below
    report = watched([])
    assert report.pictures == 0
    assert report.is_below


@wcag
def test_flashing_that_begins_anew_is_a_stretch_of_its_own() -> None:
    pause: list[Rgb] = [BLACK] * 200
    pictures = [*flashing(5, BLACK, WHITE), *pause, *flashing(6, BLACK, WHITE)]
    first, second = watched(pictures).general
    assert first.stop_s < second.start_s
    assert first.start_s == 0
    assert second.start_s > Fraction(277, 60) - 1


@wcag
def test_areas_that_one_field_holds_add_up() -> None:
    """Three areas, each a tenth of the field of 20 by 20, are more than a quarter together."""
    for areas, is_below in ((2, True), (3, False)):
        meter = FlashMeter(60, 20, rate_hz=60, field_px=(20, 20))
        for number in range(80):
            indices = np.zeros((20, 60), np.uint32)
            for area in range(areas):
                indices[4 * area : 4 * area + 2, 8:28] = number // 7 % 2
            meter.feed(IndexedPicture(indices, np.array([BLACK, WHITE], np.uint8)))
        assert meter.report().is_below == is_below
        for span in meter.report().general:
            assert span.field_ratio == 120 / 400
            assert (span.left_px, span.top_px, span.width_px, span.height_px) == (8, 0, 20, 10)


@wcag
@pytest.mark.parametrize("is_opposite", [False, True])
def test_halves_in_opposite_phase_flash_like_halves_in_phase(is_opposite: bool) -> None:
    """The mean of the picture stands still, and both halves still flash at the same time."""
    meter = FlashMeter(20, 20, rate_hz=60, field_px=(20, 20))
    for number in range(80):
        level = number // 7 % 2
        indices = np.full((20, 20), level, np.uint32)
        indices[:, 10:] = 1 - level if is_opposite else level
        meter.feed(IndexedPicture(indices, np.array([BLACK, WHITE], np.uint8)))
    (span,) = meter.report().general
    assert (span.flashes, span.field_ratio) == (4, 1.0)


@wcag
@pytest.mark.parametrize(("up_pictures", "is_below"), [(60, True), (9, True), (8, False)])
def test_fade_is_a_transition_however_slow_it_is(up_pictures: int, is_below: bool) -> None:
    """From the first to the eighth transition it takes seven ways: 63 pictures, then 56."""
    steps = np.linspace(0, 255, up_pictures + 1).astype(int).tolist()
    way = [(level,) * 3 for level in (*steps[:-1], *reversed(steps[1:]))]
    assert watched(way * 12).is_below == is_below


@wcag
@pytest.mark.parametrize(("flashes", "is_below"), [(3, True), (4, False)])
@pytest.mark.parametrize("offset", [0, 1, 29, 59])
def test_second_is_any_second_not_one_of_the_clock(
    flashes: int, is_below: bool, offset: int
) -> None:
    still: list[Rgb] = [BLACK] * offset
    report = watched([*still, *flashing(flashes, BLACK, WHITE), *[BLACK] * 60])
    assert report.is_below == is_below
    for span in report.general:
        # The fourth flash ends with the transition in picture 56; it is over a second later.
        assert span.start_s == Fraction(max(0, offset + 57 - 60), 60)


@wcag
def test_darker_state_just_below_and_just_above_080() -> None:
    """The two colours whose luminance is nearest to 0.80 on either side."""
    below, above = (251, 223, 247), (230, 237, 162)
    assert 0 < 0.8 - luminance(below) < 1e-6
    assert 0 < luminance(above) - 0.8 < 1e-6
    assert not watched(flashing(4, WHITE, below)).is_below
    assert watched(flashing(4, WHITE, above)).is_below


@wcag
def test_field_is_the_six_thousandths_of_a_steradian_four_times() -> None:
    """A cone of 10 degrees has 0.024 steradian; 0.006 of it may flash, 21,824 pixels."""
    cone = 2 * np.pi * (1 - np.cos(np.radians(5)))
    assert cone / 4 == pytest.approx(0.006, abs=5e-5)
    width, height = field_on_screen(1024, 768)
    for rows, is_below in ((64, True), (65, False)):
        report = watched(
            flashing(4, BLACK, WHITE), width_px=1024, height_px=768, field=(width, height),
            part=(slice(300, 300 + rows), slice(100, 100 + width)),
        )  # fmt: skip
        assert width * 64 == 21_824 == 0.25 * width * height
        assert report.is_below == is_below
