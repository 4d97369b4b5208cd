"""What `check` framing requires: that an idle link passes the check at one alignment only.

Follows: ITU-T I.432.1, cell delineation; the reason for the XOR in the header check
Read in: from memory
"""

from __future__ import annotations

import numpy as np

from busplay.errors import DescriptionError
from busplay.link.frame_facts import show_symbol_count
from busplay.link.layout import FrameLayout


def rotated(layout: FrameLayout, word: int, offset: int) -> int:
    """Return what a receiver reads `offset` symbols late in a stream of one word."""
    bits = offset * layout.lanes
    mask = (1 << layout.frame_bits) - 1
    return (word << bits | word >> (layout.frame_bits - bits)) & mask


def idle_rotations_that_pass(layout: FrameLayout) -> list[int]:
    """List the offsets, in symbols, at which a stream of idle frames passes as valid frames."""
    offsets = range(1, layout.frame_symbols)
    words = np.array([rotated(layout, layout.idle_word, one) for one in offsets], np.uint64)
    return [one for one, right in zip(offsets, layout.is_valid(words), strict=True) if right]


def require_sound_check(layout: FrameLayout) -> None:
    """Refuse a link on which a receiver could come into false sync while idle.

    Raises:
        DescriptionError: a stream of idle frames passes at another offset.
    """
    passing = idle_rotations_that_pass(layout)
    if passing:
        raise DescriptionError(
            file=layout.link.file or None,
            place="framing.method",
            found='"check", but a stream of idle frames also passes'
            f" {show_symbol_count(passing[0])} late"
            f" ({len(passing)} of {layout.frame_symbols - 1} wrong offsets pass)",
            wanted="a receiver would come into false sync there; give check.xor another value, or"
            " [idle] fields that are not all alike",
        )
