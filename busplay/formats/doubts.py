"""What looks wrong about a capture's times, though the file reads well."""

from __future__ import annotations

from fractions import Fraction

from busplay.batch import CaptureInfo
from busplay.units import PS_PER_S

# An analyser's memory is full long before; a dump of a day is nearly always a wrong unit.
LONGEST_PS = 24 * 3600 * PS_PER_S
# 50 GS/s: faster than any analyser of logic levels.
SHORTEST_GAP_PS = 20


def find_doubts(info: CaptureInfo) -> list[str]:
    """List what is plainly odd: a timescale that cannot be meant.

    Args:
        info: of a capture that was read; before that nothing is found.
    """
    doubts: list[str] = []
    way_out = "--in-timescale 1ns sets the unit"
    if info.duration_ps > LONGEST_PS:
        days = info.duration_ps / (86_400 * PS_PER_S)
        doubts.append(
            f"it lasts {days:,.1f} days: the timescale ({info.tick}) is probably wrong; {way_out}"
        )
    if info.sample_rate_hz and info.least_gap_ps:
        period_ps = Fraction(PS_PER_S, info.sample_rate_hz)
        if info.least_gap_ps < period_ps / 2:
            doubts.append(
                f"changes are as close as {info.least_gap_ps:,} ps, but a sample takes"
                f" {float(period_ps):,.0f} ps: rate or timescale ({info.tick}) is wrong; {way_out}"
            )
    elif info.format == "vcd" and 0 < info.least_gap_ps < SHORTEST_GAP_PS:
        doubts.append(
            f"changes are as close as {info.least_gap_ps} ps: fine for a simulation, else the"
            f" timescale ({info.tick}) is wrong; {way_out}"
        )
    return doubts
