"""Which received frame is which sent frame: the one definition for the accounts and `compare`.

A received frame is the sent frame that starts at the same link edge; it is the same, or changed if
its bits differ. A sent frame with none received at its edge is missing; a received frame with none
sent at its edge is spurious (`compare`: added). So a frame received in false sync is one spurious
and one missing frame, not a changed one.

Both columns are in order of their edges, so one pass is enough.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busplay.jit import kernel

MISSING, CHANGED, ADDED, SAME = range(4)


@kernel
def next_fate(
    sent_edge: NDArray[np.generic],
    sent_word: NDArray[np.uint64],
    sent: int,
    received_edge: NDArray[np.generic],
    received_word: NDArray[np.uint64],
    received: int,
) -> int:
    """Return the fate of the frame that starts first, from two cursors on.

    Args:
        sent_edge, sent_word: frames sent, in order.
        sent: the next one; may be at the end if frames received remain.
        received_edge, received_word, received: the same of frames received.
    """
    if received == len(received_edge):
        return MISSING
    if sent == len(sent_edge) or received_edge[received] < sent_edge[sent]:
        return ADDED
    if sent_edge[sent] < received_edge[received]:
        return MISSING
    return SAME if sent_word[sent] == received_word[received] else CHANGED
