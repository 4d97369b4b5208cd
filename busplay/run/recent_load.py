"""How busy the link was lately: what a status line shows of it."""

from __future__ import annotations

from collections import deque
from typing import NamedTuple

from busplay.pipeline.pipeline import Pipeline
from busplay.player.playable import Status


class _Span(NamedTuple):
    cycles: int
    frames: int
    slots: int


class RecentLoad:
    """The latest stretches that were run, about half a second of them.

    Attributes:
        span_cycles: processor cycles in half a second.
    """

    def __init__(self, clock_hz: int) -> None:
        self.span_cycles = clock_hz // 2
        self._clock_hz = clock_hz
        self._spans: deque[_Span] = deque()
        self._cycles = 0

    def add(self, *, cycles: int, frames: int, slots: int) -> None:
        """Add the stretch that was just run."""
        if cycles <= 0:
            return
        self._spans.append(_Span(cycles, frames, slots))
        self._cycles += cycles
        while len(self._spans) > 1 and self._cycles - self._spans[0].cycles > self.span_cycles:
            self._cycles -= self._spans.popleft().cycles

    def clear(self) -> None:
        """Forget everything, as before a jump's last stretch."""
        self._spans.clear()
        self._cycles = 0

    def status(self, pipeline: Pipeline, *, cycle: int, state_text: str) -> Status:
        """Join the latest stretches and the pipeline's counters to a status."""
        counters = pipeline.counters()
        return Status(
            cycle=cycle,
            clock_hz=self._clock_hz,
            frames=counters.frames_sent,
            frames_in_last_span=sum(span.frames for span in self._spans),
            slots_in_last_span=sum(span.slots for span in self._spans),
            errors=counters.errors,
            error_text=counters.error_text(),
            state_text=state_text,
        )
