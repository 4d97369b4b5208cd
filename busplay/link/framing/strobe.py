"""The levels of a strobe.

A strobe is a lane of its own, the bit above the highest data lane. Outside frames it is
inactive and the data lanes are low.
"""

from __future__ import annotations

from busplay.description.link import StrobeFraming


def frame_levels(framing: StrobeFraming, frame_symbols: int) -> list[int]:
    """List the strobe's level, 0 or 1, with each symbol of a frame."""
    active = 1 if framing.active == "high" else 0
    if framing.span == "frame":
        return [active] * frame_symbols
    return [active] + [1 - active] * (frame_symbols - 1)


def idle_level(framing: StrobeFraming) -> int:
    """Return the strobe's level, 0 or 1, between frames."""
    return 0 if framing.active == "high" else 1
