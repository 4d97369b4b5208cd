"""When refreshes come, on the link's edges: pages change there."""

from __future__ import annotations

from busplay.description.board import Board
from busplay.sender.encoder import Encoder


class Refreshes:
    """The refreshes of a board, each at the first edge at which a frame can start from then on.

    Refresh k comes in processor cycle floor(k × clock_hz / refresh_hz), as the host port's.

    Args:
        board: the description.
        encoder: of its link.
    """

    def __init__(self, board: Board, encoder: Encoder) -> None:
        self._clock_hz, self._refresh_hz = board.clock_hz, board.refresh_hz
        self._encoder = encoder

    def _edge(self, refresh: int) -> int:
        grid = self._encoder.grid_edges
        cycle = refresh * self._clock_hz // self._refresh_hz
        return -(-self._encoder.cycle_to_edge(cycle) // grid) * grid

    def _count_until(self, edge: int) -> int:
        """Return the count of refreshes up to an edge, that edge included."""
        cycle = self._encoder.latest_cycle(edge)
        count = cycle * self._refresh_hz // self._clock_hz
        while self._edge(count) <= edge:
            count += 1
        while count and self._edge(count - 1) > edge:
            count -= 1
        return count

    def between(self, after_edge: int, stop_edge: int) -> list[int]:
        """Return the edges of the refreshes after one edge up to another, that one included."""
        first, stop = self._count_until(after_edge), self._count_until(stop_edge)
        return [self._edge(refresh) for refresh in range(first, stop)]

    def last_edge(self, edge: int) -> int:
        """Return the edge of the last refresh up to an edge; 0: there is none."""
        count = self._count_until(edge)
        return self._edge(count - 1) if count else 0
