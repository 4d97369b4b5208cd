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
CONTROL: Colour = (52, 57, 68)
CONTROL_HOVER: Colour = (66, 73, 88)
CONTROL_ACTIVE: Colour = (28, 66, 74)
HERE: Colour = (30, 62, 88)
TIP: Colour = (18, 20, 25)
KEY: Colour = (176, 184, 198)
DISABLED: Colour = (140, 146, 158)
MARK: Colour = (226, 158, 204)
# Bands of the time line; each also has its name beside it, and losses stand highest.
BAND_USE: Colour = ACCENT
BAND_CHANGED: Colour = (150, 168, 232)
BAND_LOSS: Colour = ERROR
BAND_KEY: Colour = PAUSED
SHADE_ALPHA = 190

# What is text on what, for the test of contrasts.
TEXT_PAIRS = (
    *(
        (text, ground)
        for ground in (BACKGROUND, BAR, PANEL, TIP)
        for text in (TEXT, DIM, ACCENT, RUNNING, PAUSED, ENDED, ERROR, KEY, MARK)
    ),
    *((text, ground) for ground in (CONTROL, CONTROL_HOVER, HERE) for text in (TEXT, KEY)),
    *((text, CONTROL_ACTIVE) for text in (TEXT, KEY)),
    *((text, HERE) for text in (DIM, ERROR)),
)
# What is seen but need not be read: controls that cannot be used, lines of plots.
SHAPE_PAIRS = (
    *((DISABLED, ground) for ground in (CONTROL, TIP)),
    *((band, PANEL) for band in (BAND_USE, BAND_CHANGED, BAND_LOSS, BAND_KEY, MARK)),
)


@dataclass(frozen=True, slots=True)
class Sizes:
    """Sizes in pixels, worked out for one size of window.

    Attributes:
        text_px, small_px: of letters, as pygame counts them: a line's height, more or less.
        pad_px: room round small things.
        margin_px: room round the units.
        line_px: thickness of lines.
        density: pixels to a point of the desktop, which all of these are multiplied with.
    """

    text_px: int
    small_px: int
    pad_px: int
    margin_px: int
    line_px: int
    density: float = 1.0

    @classmethod
    def for_window(
        cls, width_px: int, height_px: int, *, big: bool = False, density: float = 1.0
    ) -> Sizes:
        """Scale with the window between a small one and a large screen seen from afar."""
        text = 14 + int(min(width_px, height_px * 4 // 3) / density) // 128
        if big:
            text = text * 3 // 2
        sizes = cls(
            text_px=text,
            small_px=max(13, text * 3 // 4),
            pad_px=max(6, text * 9 // 16),
            margin_px=text,
            line_px=max(1, text // 20),
        )
        return sizes.times(density)

    @classmethod
    def for_instrument(
        cls, width_px: int, height_px: int, *, big: bool, density: float = 1.0
    ) -> Sizes:
        """Return sizes of panels and lists: small, to have much in view, or for a projector."""
        text = 17 + int(min(width_px, height_px * 4 // 3) / density) // 640
        if big:
            text = text * 3 // 2
        sizes = cls(
            text_px=text,
            small_px=max(13, text * 4 // 5),
            pad_px=max(6, text // 2),
            margin_px=max(6, text // 2),
            line_px=max(1, text // 20),
        )
        return sizes.times(density)

    def times(self, density: float) -> Sizes:
        """Return the sizes on a screen of more pixels to a point."""
        if density == 1:
            return self
        return Sizes(
            round(self.text_px * density),
            round(self.small_px * density),
            round(self.pad_px * density),
            round(self.margin_px * density),
            round(self.line_px * density),
            density,
        )
