"""Which received frame is which sent frame: the one definition for the accounts and `compare`.

A frame that was received is the sent frame that starts at the same link edge. Then it is the
same, or changed where its bits differ. A sent frame at whose edge none was received is missing;
a received frame at whose edge none was sent is spurious (`compare` says added). So one frame
that comes in at a false sync is a spurious one and a missing one, not a changed one.

Both columns are in the order of their edges, so one pass settles everything.
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
    """Return what becomes of whichever frame starts first from two cursors on.

    Args:
        sent_edge, sent_word: frames sent, in order.
        sent: the next one; may be at the end where frames received are left.
        received_edge, received_word, received: the same of frames received.
    """
    if received == len(received_edge):
        return MISSING
    if sent == len(sent_edge) or received_edge[received] < sent_edge[sent]:
        return ADDED
    if sent_edge[sent] < received_edge[received]:
        return MISSING
    return SAME if sent_word[sent] == received_word[received] else CHANGED
