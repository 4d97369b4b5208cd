"""Where the parts of the instrument stand, for any size of window."""

from __future__ import annotations

from dataclasses import dataclass

from busplay.view.widgets.box import Box
from busplay.view.widgets.drawing import Look
from busplay.view.widgets.splitter import split_px

SIDE_EM = 17
"""The least width of the panel beside the screens, in letters' heights."""
SCREENS_WIDTH_PX, SCREENS_HEIGHT_PX = 430, 100
"""The least that is left to the screens."""
BELOW_ROWS = 4
"""The least height of the time line, in rows."""


@dataclass(frozen=True, slots=True)
class Places:
    """The boxes of the parts; a part without room has no height or width.

    Attributes:
        tools: buttons.
        screens: the units' pictures.
        side_splitter, side: the panel beside them, with its tabs on top.
        below_splitter, below: the time line.
        status: the status line.
    """

    tools: Box
    screens: Box
    side_splitter: Box
    side: Box
    below_splitter: Box
    below: Box
    status: Box


def place_parts(
    width_px: int,
    height_px: int,
    look: Look,
    *,
    status_px: int,
    side_permille: int,
    below_permille: int,
) -> Places:
    """Return the boxes of all parts for one size of window.

    A window too small for all loses the panel beside the screens first, then the time line.

    Args:
        width_px, height_px: the window.
        look: sizes.
        status_px: height of the status line.
        side_permille: share of the width that the panel beside the screens has.
        below_permille: share of the height that the time line has.
    """
    window = Box(0, 0, width_px, height_px)
    tools, rest = window.cut_top(look.row_px + look.sizes.pad_px)
    rest, status = rest.cut_bottom(status_px)
    bar = max(5, look.sizes.pad_px // 2)
    below_least = BELOW_ROWS * look.row_px
    density = look.sizes.density
    screens_width, screens_height = (
        round(one * density) for one in (SCREENS_WIDTH_PX, SCREENS_HEIGHT_PX)
    )
    if rest.height >= screens_height + bar + below_least:
        below_px = rest.height - split_px(
            rest.height,
            1000 - below_permille,
            least_first_px=screens_height,
            least_second_px=below_least + bar,
        )
        rest, part = rest.cut_bottom(below_px)
        below_splitter, below = part.cut_top(bar)
    else:
        below_splitter = below = Box(0, rest.bottom, width_px, 0)
    side_least = SIDE_EM * look.sizes.text_px
    if rest.width >= screens_width + bar + side_least:
        first = split_px(
            rest.width,
            1000 - side_permille,
            least_first_px=screens_width,
            least_second_px=side_least + bar,
        )
        screens, part = rest.cut_left(first)
        side_splitter, side = part.cut_left(bar)
    else:
        screens = rest
        side_splitter = side = Box(rest.right, rest.top, 0, rest.height)
    return Places(tools, screens, side_splitter, side, below_splitter, below, status)
