"""Colours and sizes of the window's own parts. Facts, no logic but scaling.

Text keeps a contrast of 4.5 or more to what lies behind it, as WCAG 2.2 asks (1.4.3); a test
works it out. Colour never says anything alone: every state has its word.
"""

from __future__ import annotations

from dataclasses import dataclass

from busplay.display.arrangement import GAP_RGB

Colour = tuple[int, int, int]

BACKGROUND: Colour = GAP_RGB
BAR: Colour = (34, 37, 44)
LINE: Colour = (58, 63, 74)
TEXT: Colour = (232, 234, 238)
DIM: Colour = (164, 171, 183)
ACCENT: Colour = (104, 190, 204)
RUNNING: Colour = (132, 206, 142)
PAUSED: Colour = (234, 186, 92)
ENDED: Colour = (178, 172, 226)
ERROR: Colour = (255, 138, 126)
PANEL: Colour = (42, 46, 55)
SHADE_ALPHA = 190

# What is text on what, for the test of contrasts.
TEXT_PAIRS = tuple(
    (text, ground)
    for ground in (BACKGROUND, BAR, PANEL)
    for text in (TEXT, DIM, ACCENT, RUNNING, PAUSED, ENDED, ERROR)
)


@dataclass(frozen=True, slots=True)
class Sizes:
    """Sizes in pixels, worked out for one size of window.

    Attributes:
        text_px, small_px: of letters, as pygame counts them: a line's height, more or less.
        pad_px: room round small things.
        margin_px: room round the units.
        line_px: thickness of lines.
    """

    text_px: int
    small_px: int
    pad_px: int
    margin_px: int
    line_px: int

    @classmethod
    def for_window(cls, width_px: int, height_px: int) -> Sizes:
        """Scale with the window between a small one and a large screen seen from afar."""
        text = 14 + min(width_px, height_px * 4 // 3) // 128
        return cls(
            text_px=text,
            small_px=max(13, text * 3 // 4),
            pad_px=max(6, text * 9 // 16),
            margin_px=text,
            line_px=max(1, text // 20),
        )
