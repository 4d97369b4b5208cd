"""How much room each lane leaves round its moment: margins and a picture in characters."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from busplay.capture.clock import Int64Column

# From blank to full, for a share of the largest count; a single change still shows.
SHADES = " .:-=+*#%@"
_STRAY_SHARE = 1000


@dataclass(frozen=True, slots=True)
class LaneEye:
    """Changes of one wire round the moment at which it is read.

    Attributes:
        wire: lane0 …, or strobe.
        signal: its name in the capture.
        sample_at_ps: the moment, from the clock's edge.
        period_ps: usual time between two moments.
        histogram: int64[bins], changes; from a period before the moment, which is in the middle,
            to a period after it. A change between two moments counts for both.
        setup_ps: from the nearest change before the moment to it; None: none within a period.
        hold_ps: from the moment to the nearest change after it.
        usual_setup_ps, usual_hold_ps: the same with one change in a thousand left out on each
            side, so that a single glitch does not decide.
        changes: of the wire in the whole capture.
        glitches: of its levels that were shorter than the stated time.
    """

    wire: str
    signal: str
    sample_at_ps: int
    period_ps: int
    histogram: Int64Column
    setup_ps: int | None
    hold_ps: int | None
    usual_setup_ps: int | None
    usual_hold_ps: int | None
    changes: int = 0
    glitches: int = 0

    def text(self, columns: int = 48) -> str:
        """Draw the eye in one row of characters; `|` marks the moment."""
        bins = len(self.histogram)
        edges = np.arange(columns + 1) * bins // columns
        spans = pairwise(edges.tolist())
        sums = np.array([self.histogram[a : max(b, a + 1)].sum() for a, b in spans])
        most = max(1, int(sums.max()))
        drawn = []
        for number, count in enumerate(sums.tolist()):
            if number == columns // 2:
                drawn.append("|")
            shade = 0 if count == 0 else max(1, count * (len(SHADES) - 1) // most)
            drawn.append(SHADES[shade])
        return "".join(drawn)


def lane_eye(
    counts: Int64Column,
    *,
    wire: str,
    signal: str,
    sample_at_ps: int,
    period_ps: int,
    changes: int = 0,
    glitches: int = 0,
) -> LaneEye:
    """Compute the margins of one wire from its histogram, rounded to the safe side."""
    half = len(counts) // 2
    before, after = counts[:half][::-1], counts[half:]
    margins: list[int | None] = []
    for side in (before, after):
        total = int(side.sum())
        running = np.cumsum(side)
        for allowed in (0, total // _STRAY_SHARE):
            if total <= allowed:
                margins.append(None)
                continue
            nearest = int(np.argmax(running > allowed))
            margins.append(nearest * period_ps // half)
    return LaneEye(
        wire,
        signal,
        sample_at_ps,
        period_ps,
        counts,
        margins[0],
        margins[2],
        margins[1],
        margins[3],
        changes,
        glitches,
    )
