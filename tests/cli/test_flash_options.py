"""The size of a screen, as the command line takes it."""

from __future__ import annotations

import pytest

from busplay.analysis import flashes
from busplay.cli import flash_options
from busplay.cli.flash_options import ScreenSize


def test_the_usual_screen_is_that_of_the_flash_meter() -> None:
    assert flash_options.SCREEN_PX == flashes.SCREEN_PX


@pytest.mark.parametrize("text", ["1920x1080", "1920X1080", "1920 × 1080", "1920x 1080"])
def test_width_and_height_of_a_screen(text: str) -> None:
    assert ScreenSize().parse(text) == (1920, 1080)


@pytest.mark.parametrize(
    "text", ["1920", "x1080", "1920x", "0x768", "1e3x768", "40000x768", "-1x5"]
)
def test_what_is_no_size_of_a_screen_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="screen"):
        ScreenSize().parse(text)
