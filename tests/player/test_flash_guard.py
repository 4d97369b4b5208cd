"""What a window warns of and holds, on displays that are switched by hand."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from busplay.display.arrangement import compose_indices
from busplay.player.flash_guard import FlashGuard
from busplay.units import NS_PER_S
from tests.naive.flashes import general_transitions, most_flashes
from tests.player.flashing import ALL_BLACK, ALL_WHITE, HZ, fill, make_meter, one_unit, strobe


class Watched:
    """A guard that is shown a picture every sixtieth of a second; keeps what a window shows."""

    def __init__(self, *, calm: bool) -> None:
        self.guard = FlashGuard(make_meter, calm=calm, pictures_hz=HZ)
        self.displays = one_unit()
        self.number = 0
        self.seen: list[tuple[int, int, int]] = []
        self.warned: list[bool] = []

    def show(self, data: int) -> None:
        fill(self.displays["panel"], data)
        self.number += 1
        now_ns = -(-self.number * NS_PER_S // HZ)
        self.guard.look([self.displays], now_ns, key=self.number)
        held = self.guard.held
        image = self.displays["panel"].image() if held is None else held[0]["panel"].image
        self.seen.append(tuple(image[3, 5].tolist()))
        self.warned.append(self.guard.warning is not None)


def test_a_window_warns_as_it_happens_and_says_what_flashes() -> None:
    watched = Watched(calm=False)
    for number in range(60):
        watched.show(strobe(number))
    # The eighth transition is in picture 24.
    assert watched.warned.index(True) == 24
    warning = watched.guard.warning
    assert warning is not None
    assert (warning.flashes, warning.field_ratio, warning.units) == (9, 1.0, ("panel",))
    assert (warning.left_px, warning.top_px) == (0, 0)
    assert (warning.width_px, warning.height_px) == (16, 8)
    assert watched.guard.held is None


def test_the_place_that_flashes_is_in_pixels_of_the_unit() -> None:
    watched = Watched(calm=False)
    watched.displays = one_unit(border_px=3)
    part = watched.displays["panel"]
    for number in range(60):
        # Row 2 to 7: more than a quarter of the field.
        fill(part, ALL_BLACK)
        part.write_memory(range(16, 64), [strobe(number)] * 48)
        watched.number += 1
        now_ns = -(-watched.number * NS_PER_S // HZ)
        watched.guard.look([watched.displays], now_ns, key=number)
    warning = watched.guard.warning
    assert warning is not None
    assert (warning.left_px, warning.top_px) == (0, 2)
    assert (warning.width_px, warning.height_px) == (16, 6)


def test_a_warning_goes_a_second_after_the_last_flash() -> None:
    watched = Watched(calm=False)
    for number in range(40):
        watched.show(strobe(number))
    for _ in range(140):
        watched.show(ALL_BLACK)
    last = len(watched.warned) - 1 - watched.warned[::-1].index(True)
    assert 60 < last < 170
    assert watched.guard.warning is None


def test_a_still_picture_is_not_looked_at_again() -> None:
    guard = FlashGuard(make_meter, calm=False, pictures_hz=HZ)
    displays = one_unit()
    guard.look([displays], 0, key="same")
    fill(displays["panel"], ALL_WHITE)
    guard.look([displays], NS_PER_S, key="same")
    assert guard._last[0].indices.max() == compose_indices(one_unit().values()).indices.max()


@pytest.mark.parametrize(
    "picture",
    [
        strobe,
        pytest.param(
            lambda number: ALL_WHITE if number % 2 else ALL_BLACK, marks=pytest.mark.thorough
        ),
        pytest.param(
            lambda number: ALL_WHITE if number // 8 % 2 and number % 200 < 70 else ALL_BLACK,
            marks=pytest.mark.thorough,
        ),
        pytest.param(
            lambda number: int(np.random.default_rng(number // 2).integers(0, 16)) * 0x11,
            marks=pytest.mark.thorough,
        ),
    ],
)
def test_calm_never_shows_more_than_three_flashes_in_a_second(
    picture: Callable[[int], int],
) -> None:
    watched = Watched(calm=True)
    for number in range(400):
        watched.show(picture(number))
    shown = most_flashes(general_transitions(watched.seen), HZ)
    assert shown <= 3
    assert any(watched.warned)
    displayed = [tuple(_rgb(picture(number))) for number in range(400)]
    assert most_flashes(general_transitions(displayed), HZ) > 3


def _rgb(data: int) -> list[int]:
    displays = one_unit()
    fill(displays["panel"], data)
    rgb: list[int] = displays["panel"].image()[3, 5].tolist()
    return rgb


def test_calm_shows_what_does_not_flash_as_it_is() -> None:
    calm, plain = Watched(calm=True), Watched(calm=False)
    for number in range(300):
        data = ALL_WHITE if number // 20 % 2 else ALL_BLACK
        calm.show(data)
        plain.show(data)
    assert calm.seen == plain.seen
    assert not any(calm.warned)


def test_calm_goes_on_once_the_flashing_is_over() -> None:
    watched = Watched(calm=True)
    for number in range(120):
        watched.show(strobe(number))
    assert watched.guard.held is not None
    for _ in range(70):
        watched.show(0x22)
    assert watched.guard.held is None
    assert watched.seen[-1] == tuple(_rgb(0x22))


def test_what_flashes_in_the_recording_beside_it_counts_too() -> None:
    guard = FlashGuard(make_meter, calm=True, pictures_hz=HZ)
    expected, actual = one_unit(), one_unit()
    for number in range(60):
        fill(actual["panel"], strobe(number))
        guard.look([expected, actual], number * NS_PER_S // HZ, key=number)
    assert guard.warning is not None
    assert guard.warning.units == ("panel",)
    assert guard.held is not None
    assert len(guard.held) == 2


def test_other_units_begin_anew() -> None:
    watched = Watched(calm=True)
    for number in range(60):
        watched.show(strobe(number))
    assert watched.guard.held is not None
    watched.guard.look([one_unit("sign")], 2 * NS_PER_S, key="new")
    assert watched.guard.held is None
    assert watched.guard.warning is None
