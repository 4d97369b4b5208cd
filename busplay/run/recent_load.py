"""The link's recent load, for a status line."""

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
    """The latest half second of a run.

    Attributes:
        span_cycles: processor cycles in half a second.
    """

    def __init__(self, clock_hz: int) -> None:
        self.span_cycles = clock_hz // 2
        self._clock_hz = clock_hz
        self._spans: deque[_Span] = deque()
        self._cycles = 0

    def add(self, *, cycles: int, frames: int, slots: int) -> None:
        """Add a stretch just run."""
        if cycles <= 0:
            return
        self._spans.append(_Span(cycles, frames, slots))
        self._cycles += cycles
        while len(self._spans) > 1 and self._cycles - self._spans[0].cycles > self.span_cycles:
            self._cycles -= self._spans.popleft().cycles

    def clear(self) -> None:
        """Drop all stretches, as before a jump's last one."""
        self._spans.clear()
        self._cycles = 0

    def status(self, pipeline: Pipeline, *, cycle: int, state_text: str) -> Status:
        """Make a status of the latest stretches and the pipeline's counters."""
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
