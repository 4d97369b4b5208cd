"""What can be wrong with a frame, and in which unit times are compared."""

from __future__ import annotations

from enum import IntEnum
from typing import Literal

from busplay.analysis.compare import streams

TimeUnit = Literal["edges", "cycles"]


class Kind(IntEnum):
    """What is wrong with a frame."""

    MISSING = streams.MISSING
    CHANGED = streams.CHANGED
    ADDED = streams.ADDED
    OUT_OF_ORDER = streams.REORDERED
