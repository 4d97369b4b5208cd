"""What `strobe` framing asks of a link: that each frame's first symbol can be told by it."""

from __future__ import annotations

from busplay.description.link import StrobeFraming
from busplay.errors import DescriptionError
from busplay.link.layout import FrameLayout


def require_sound_strobe(layout: FrameLayout, framing: StrobeFraming) -> None:
    """Refuse a strobe that stays active from one frame to the next.

    Raises:
        DescriptionError: the strobe is held for the frame and there is no gap.
    """
    if framing.span == "frame" and framing.gap_symbols < 1:
        raise DescriptionError(
            file=layout.link.file or None,
            place="framing.gap_symbols",
            found=str(framing.gap_symbols),
            wanted="a strobe that is held for the frame must be inactive for at least 1 symbol"
            ' between frames; give 1 or more, or span = "first"',
        )
