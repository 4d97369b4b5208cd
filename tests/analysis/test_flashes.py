"""The flash meter against the slow one, pixel by pixel, on random pictures."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from busplay.analysis.flashes import FlashMeter
from busplay.display.arrangement import IndexedPicture
from tests.naive.flashes import general_transitions, most_flashes, red_transitions

LEVELS = st.sampled_from([0, 60, 89, 90, 137, 138, 200, 231, 232, 255])
COLOURS = st.tuples(LEVELS, LEVELS, LEVELS)


@given(
    palettes=st.lists(st.lists(COLOURS, min_size=3, max_size=3), min_size=2, max_size=6),
    indices=st.lists(st.lists(st.integers(0, 2), min_size=2, max_size=2), min_size=1, max_size=60),
    rate=st.integers(5, 30),
)
@settings(max_examples=200)
def test_each_pixel_is_judged_as_by_the_slow_meter(palettes, indices, rate) -> None:
    pictures = [
        IndexedPicture(np.array([row], np.uint32), np.array(palettes[n % len(palettes)], np.uint8))
        for n, row in enumerate(indices)
    ]
    # A field of one pixel: each that flashes too often is over by itself.
    meter = FlashMeter(2, 1, rate_hz=rate, field_px=(1, 1))
    for picture in pictures:
        meter.feed(picture)
    report = meter.report()
    for spans, find in ((report.general, general_transitions), (report.red, red_transitions)):
        flashes = []
        for column in (0, 1):
            colours = [tuple(one.image()[0, column].tolist()) for one in pictures]
            flashes.append(most_flashes(find(colours), rate))
        most = max(flashes)
        assert max((span.flashes for span in spans), default=0) == (most if most > 3 else 0)
        columns = {column for column in (0, 1) if flashes[column] > 3}
        found = {c for span in spans for c in range(span.left_px, span.left_px + span.width_px)}
        assert found == columns


def test_pictures_are_watched_at_any_cut_of_palette_and_index() -> None:
    """A colour that changes in the palette flashes as one that changes in memory does."""
    reports = []
    for by_palette in (False, True):
        meter = FlashMeter(8, 8, rate_hz=60, field_px=(8, 8))
        for number in range(80):
            level = 255 * (number // 7 % 2)
            palette = [(level,) * 3, (0, 0, 0)] if by_palette else [(0, 0, 0), (255, 255, 255)]
            index = 0 if by_palette else number // 7 % 2
            meter.feed(
                IndexedPicture(np.full((8, 8), index, np.uint32), np.array(palette, np.uint8))
            )
        reports.append(meter.report())
    assert reports[0] == reports[1]
    assert not reports[0].is_below


@given(
    colours=st.lists(st.sampled_from([0, 255]), min_size=20, max_size=60),
    shown=st.lists(st.booleans(), min_size=60, max_size=60),
)
def test_a_picture_taken_back_is_as_one_never_fed(colours, shown) -> None:
    palette = np.array([(0, 0, 0), (255, 255, 255), (255, 0, 0)], np.uint8)
    some = FlashMeter(4, 4, rate_hz=20, field_px=(4, 4), can_take_back=True)
    none = FlashMeter(4, 4, rate_hz=20, field_px=(4, 4))
    for number, (level, is_shown) in enumerate(zip(colours, shown, strict=False)):
        index = (2 if number % 5 == 0 else 1) if level else 0
        picture = IndexedPicture(np.full((4, 4), index, np.uint32), palette)
        found = some.feed(picture, number=number)
        if is_shown or not any(found):
            assert none.feed(picture, number=number) == found
        else:
            some.take_back()
    assert some.report().general == none.report().general
    assert some.report().red == none.report().red


def test_a_picture_can_stand_for_several() -> None:
    """Four flashes that take more than a second by the numbers of their pictures."""
    for apart, is_below in ((7, False), (9, True)):
        meter = FlashMeter(4, 4, rate_hz=60, field_px=(4, 4))
        palette = np.array([(0, 0, 0), (255, 255, 255)], np.uint8)
        for number in range(10):
            picture = IndexedPicture(np.full((4, 4), number % 2, np.uint32), palette)
            meter.feed(picture, number=number * apart)
        assert meter.report().is_below == is_below
