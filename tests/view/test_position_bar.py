from __future__ import annotations

import pygame
from hypothesis import given
from hypothesis import strategies as st

from busplay.view import theme
from busplay.view.position_bar import PositionBar
from busplay.view.theme import Sizes

SIZES = Sizes.for_window(1024, 768)
BAR = PositionBar.at(1024, 700, 1_000_000, SIZES)


def test_ends_of_the_track_are_the_ends_of_the_replay() -> None:
    assert BAR.cycle_at(BAR.left_px) == 0
    assert BAR.cycle_at(BAR.left_px + BAR.width_px) == 1_000_000
    assert BAR.cycle_at(-5) == 0
    assert BAR.cycle_at(5000) == 1_000_000
    assert BAR.x_of(0) == BAR.left_px
    assert BAR.x_of(1_000_000) == BAR.left_px + BAR.width_px


@given(st.integers(0, 10**12), st.integers(1, 4000), st.integers(0, 4000))
def test_click_on_a_column_goes_where_that_column_stands(end_cycle, width, x) -> None:
    bar = PositionBar.at(width, 700, end_cycle, SIZES)
    cycle = bar.cycle_at(x)
    assert 0 <= cycle <= end_cycle
    if end_cycle >= bar.width_px:
        column = min(max(x, bar.left_px), bar.left_px + bar.width_px)
        assert abs(bar.x_of(cycle) - column) <= 1


def test_clicks_count_on_the_whole_stripe() -> None:
    assert BAR.contains(0, BAR.top_px)
    assert BAR.contains(1000, 699)
    assert not BAR.contains(1000, 700)
    assert not BAR.contains(1000, BAR.top_px - 1)


def test_bar_shows_position_and_passage() -> None:
    surface = pygame.Surface((1024, 768), depth=32)
    BAR.draw(surface, cycle=500_000, begin_mark=200_000, end_mark=800_000, sizes=SIZES)
    middle = BAR.top_px + BAR.height_px // 2
    assert surface.get_at((BAR.x_of(100_000), middle))[:3] == theme.ACCENT
    assert surface.get_at((BAR.x_of(900_000), middle))[:3] == theme.LINE
    assert surface.get_at((BAR.x_of(500_000), middle))[:3] == theme.TEXT
    assert surface.get_at((BAR.x_of(800_000), middle - 5))[:3] == theme.PAUSED


def test_empty_replay_stands_at_its_beginning() -> None:
    bar = PositionBar.at(1024, 700, 0, SIZES)
    assert bar.x_of(0) == bar.left_px
    assert bar.cycle_at(500) == 0
