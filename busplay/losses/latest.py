"""The latest losses of a run, by their number."""

from __future__ import annotations

from collections import deque

from busplay.losses.losses import LOSSES_MAX, Losses


class LatestLosses:
    """Keeps the latest `LOSSES_MAX` losses or some more.

    Attributes:
        first: number of the first that is kept.
        stop: number behind the last: losses in all.
    """

    def __init__(self) -> None:
        self.first = self.stop = 0
        self._batches: deque[Losses] = deque()

    def add(self, losses: Losses) -> None:
        """Add losses behind the others."""
        if not len(losses):
            return
        self._batches.append(losses)
        self.stop += len(losses)
        while self.stop - self.first - len(self._batches[0]) >= LOSSES_MAX:
            self.first += len(self._batches.popleft())

    def since(self, number: int) -> Losses:
        """Return the losses from a number on, as far as they are kept."""
        batches: list[Losses] = []
        start = self.stop
        for batch in reversed(self._batches):
            if start <= number:
                break
            start -= len(batch)
            batches.insert(0, batch)
        return Losses.joined(batches).after(max(0, number - start))
