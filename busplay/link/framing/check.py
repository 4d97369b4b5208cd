"""What `check` framing asks of a link: that the check tells a frame's first symbol on an idle link.

Follows: ITU-T I.432.1, cell delineation; the XOR of the header check is there for this reason
Read in: from memory
"""

from __future__ import annotations

import numpy as np

from busplay.errors import DescriptionError
from busplay.link.layout import FrameLayout


def rotated(layout: FrameLayout, word: int, offset: int) -> int:
    """Give what a receiver reads that begins `offset` symbols late in a stream of one word."""
    bits = offset * layout.lanes
    mask = (1 << layout.frame_bits) - 1
    return (word << bits | word >> (layout.frame_bits - bits)) & mask


def idle_rotations_that_pass(layout: FrameLayout) -> list[int]:
    """List the offsets, in symbols, at which a stream of idle frames passes for right frames."""
    offsets = range(1, layout.frame_symbols)
    words = np.array([rotated(layout, layout.idle_word, one) for one in offsets], np.uint64)
    return [one for one, right in zip(offsets, layout.is_right(words), strict=True) if right]


def require_sound_check(layout: FrameLayout) -> None:
    """Refuse a link without a check field, or one that locks at a wrong place while idle.

    Raises:
        DescriptionError: there is no check field, or the idle frame passes at another offset.
    """
    link = layout.link
    if link.check is None:
        raise DescriptionError(
            file=link.file or None,
            place="framing.method",
            found='"check", and no [check] table',
            wanted="a receiver can find frames by a check field only; add one, or choose"
            ' "strobe" or "marker"',
        )
    passing = idle_rotations_that_pass(layout)
    if passing:
        symbols = "1 symbol" if passing[0] == 1 else f"{passing[0]} symbols"
        raise DescriptionError(
            file=link.file or None,
            place="framing.method",
            found=f'"check", but a stream of idle frames passes the check {symbols} late too'
            f" ({len(passing)} of {layout.frame_symbols - 1} wrong offsets pass)",
            wanted="a receiver would lock there; give check.xor another value, or [idle] fields"
            " that are not all alike",
        )
