"""Frames that are damaged on the wire, as the fused engine takes them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from busplay.batch import UInt64Column


@dataclass(frozen=True, slots=True, eq=False)
class WordHits:
    """Frames that are damaged on the wire.

    Attributes:
        frame: int64[hits]; which frames of a batch, rising.
        error: uint64[hits]; which bits of the word are flipped; 0: the receiver's machine is to
            look at this one.
    """

    frame: NDArray[np.int64]
    error: UInt64Column

    @classmethod
    def none(cls) -> WordHits:
        """Make columns of no hits."""
        return cls(np.empty(0, np.int64), np.empty(0, np.uint64))
