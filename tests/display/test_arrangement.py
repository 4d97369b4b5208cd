from __future__ import annotations

from busplay.display.arrangement import arrange, largest_scale
from tests.display.cases import unit_with

WIDE = unit_with(name="wide", width_px=100, height_px=20, border_px=2)
TALL = unit_with(name="tall", width_px=30, height_px=80)


def places(arrangement):
    return [(p.left_px, p.top_px, p.width_px, p.height_px) for p in arrangement.places]


def test_units_stand_side_by_side_with_their_tops_in_line() -> None:
    found = arrange([WIDE, TALL], scale=1, gap_px=10)
    assert places(found) == [(0, 0, 104, 24), (114, 0, 30, 80)]
    assert (found.width_px, found.height_px) == (144, 80)
    assert (found.places[0].picture_left_px, found.places[0].picture_top_px) == (2, 2)


def test_scale_enlarges_pictures_and_borders_but_not_gaps_and_captions() -> None:
    found = arrange([WIDE, TALL], scale=3, gap_px=10, caption_px=20)
    assert places(found) == [(0, 20, 312, 72), (322, 20, 90, 240)]
    assert found.places[0].picture_left_px == 6
    assert (found.width_px, found.height_px) == (412, 260)


def test_stacked_units_stand_one_below_the_other() -> None:
    found = arrange([WIDE, TALL], scale=1, gap_px=10, caption_px=5, stacked=True)
    assert places(found) == [(0, 5, 104, 24), (0, 44, 30, 80)]
    assert (found.width_px, found.height_px) == (104, 124)


def test_no_unit_takes_no_room() -> None:
    found = arrange([], scale=2, gap_px=10)
    assert (found.places, found.width_px, found.height_px) == ((), 0, 0)
    assert largest_scale([], room_width_px=10, room_height_px=10, gap_px=1) == 1


def test_largest_scale_is_the_last_that_fits() -> None:
    def scale(width: int, height: int, *, stacked: bool = False) -> int:
        return largest_scale(
            [WIDE, TALL],
            room_width_px=width,
            room_height_px=height,
            gap_px=10,
            caption_px=20,
            stacked=stacked,
        )

    assert scale(412, 260) == 3
    assert scale(411, 260) == 2
    assert scale(412, 259) == 2
    assert scale(10, 10) == 1
    assert scale(208, 268, stacked=True) == 2
