"""Times of link edges in words, and the ticks of a ruler."""

from __future__ import annotations

from dataclasses import dataclass

from busplay.player.inspector import Inspector
from busplay.units import NS_PER_S
from busplay.view.widgets.time_line import TimeView

# Ticks of a ruler are 1, 2 or 5 of a power of ten of nanoseconds apart.
_TICKS_NS: tuple[int, ...] = tuple(
    factor * 10**power for power in range(11) for factor in (1, 2, 5)
)


@dataclass(frozen=True, slots=True)
class EdgeTimes:
    """Times of the edges of one recording.

    Attributes:
        first_edge: at which processor cycle 0 begins.
        edges_per_second: of the link's clock.
    """

    first_edge: int
    edges_per_second: int

    @classmethod
    def of(cls, inspector: Inspector, clock_hz: int) -> EdgeTimes:
        """Take them from a recording."""
        first = inspector.edge_at(0)
        return cls(first, max(1, inspector.edge_at(clock_hz) - first))

    def text(self, edge: int, *, tick_edges: int = 1) -> str:
        """Write the time of an edge with as many decimals as ticks need: `0:01.234 567`."""
        ns = max(0, edge - self.first_edge) * NS_PER_S // self.edges_per_second
        tick_ns = tick_edges * NS_PER_S // self.edges_per_second
        places = 3 if tick_ns >= 1_000_000 else 6 if tick_ns >= 1_000 else 9
        seconds, rest = divmod(ns, NS_PER_S)
        minutes, seconds = divmod(seconds, 60)
        hours, minutes = divmod(minutes, 60)
        digits = f"{rest:09}"[:places]
        parts = " ".join(digits[i : i + 3] for i in range(0, places, 3))
        text = f"{minutes:02}:{seconds:02}.{parts}" if hours else f"{minutes}:{seconds:02}.{parts}"
        return f"{hours}:{text}" if hours else text

    def tick_edges(self, view: TimeView, most: int) -> int:
        """Return the distance of ticks with which a ruler has at most some of them."""
        span_ns = view.span_edges * NS_PER_S // self.edges_per_second
        for tick_ns in _TICKS_NS:
            if span_ns <= tick_ns * max(1, most):
                return max(1, tick_ns * self.edges_per_second // NS_PER_S)
        return max(1, view.span_edges // max(1, most))
