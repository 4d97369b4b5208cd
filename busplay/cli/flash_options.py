"""Options about pictures that flash: how large the screen is, and whether to hold what flashes."""

from __future__ import annotations

import re
from dataclasses import dataclass

import click

from busplay.cli.options import Parsed, option_group

SCREEN_PX = (1024, 768)
"""The screen that WCAG 2.2 has as its example; a field of 10 degrees is a third of each side."""

_SIZE = re.compile(r"([0-9]{1,5})\s*[x×]\s*([0-9]{1,5})", re.IGNORECASE)
_SIDE_MOST_PX = 1 << 15


class ScreenSize(Parsed[tuple[int, int]]):
    """A screen's width and height in pixels: 1920x1080."""

    name = "width x height"

    def parse(self, text: str) -> tuple[int, int]:
        """Read the two numbers."""
        form = _SIZE.fullmatch(text)
        if form is None:
            raise ValueError(f"{text!r} is no size of a screen; write 1920x1080")
        width_px, height_px = map(int, form.groups())
        if not (1 <= width_px <= _SIDE_MOST_PX and 1 <= height_px <= _SIDE_MOST_PX):
            raise ValueError(f"{text}: a screen has 1 to {_SIDE_MOST_PX:,} pixels each way")
        return width_px, height_px


@dataclass(frozen=True, slots=True)
class FlashOptions:
    """How flashes are looked at, as the user gave it."""

    screen_px: tuple[int, int] = SCREEN_PX
    calm: bool = False


SCREEN_HELP = (
    "Look for flashes as on a screen of so many pixels that the pictures fill; a field of"
    f" 10 degrees is a third of its width and height.  [default: {SCREEN_PX[0]}x{SCREEN_PX[1]}]"
)

screen_option = click.option(
    "--screen",
    "screen_px",
    type=ScreenSize(),
    metavar="WIDTHxHEIGHT",
    default="x".join(map(str, SCREEN_PX)),
    help=SCREEN_HELP,
)

flash_options = option_group(
    "flashes",
    FlashOptions,
    screen_option,
    click.option(
        "--calm",
        is_flag=True,
        help="Hold the picture in the window where it would flash more than three times a second.",
    ),
)
