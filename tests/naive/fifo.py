"""A slow, obvious receiver FIFO, in exact fractions of a nanosecond, from the design.

It keeps every frame ever taken and searches each busy time anew. The jitter's generator is
written again from its description: SplitMix64's finisher over seed, source and number.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction

MASK = (1 << 64) - 1
GOLDEN = 0x9E3779B97F4A7C15


def mix(value: int) -> int:
    """Scramble 64 bits."""
    value = (value ^ value >> 30) * 0xBF58476D1CE4E5B9 & MASK
    value = (value ^ value >> 27) * 0x94D049BB133111EB & MASK
    return value ^ value >> 31


@dataclass
class NaiveBusy:
    """A busy time; jitter comes in whole steps of a time that divides all times."""

    period_ns: int
    length_ns: int
    phase_ns: int = 0
    jitter_ns: int = 0


@dataclass
class NaiveFifo:
    """A FIFO with one server."""

    depth: int
    service_ns: int
    edge_hz: int
    frame_symbols: int
    deadline_ns: int | None = None
    busy: list[NaiveBusy] = field(default_factory=list)
    seed: int = 1
    quantum_ns: int = 1
    done: list[Fraction] = field(default_factory=list)

    def start_of(self, source: int, index: int) -> int:
        one = self.busy[source]
        start = one.phase_ns + index * one.period_ns
        steps = one.jitter_ns // self.quantum_ns
        if steps:
            key = mix(self.seed + (source + 1) * GOLDEN & MASK)
            start += mix(key + index * GOLDEN & MASK) % (steps + 1) * self.quantum_ns
        return start

    def busy_until(self, now: Fraction) -> Fraction | None:
        """Return the end of a busy time that covers an instant, or None."""
        for source, one in enumerate(self.busy):
            about = int((now - one.phase_ns) // one.period_ns)
            for index in range(max(0, about - 2), about + 2):
                start = self.start_of(source, index)
                if start <= now < start + one.length_ns:
                    return Fraction(start + one.length_ns)
        return None

    def next_busy(self, now: Fraction) -> Fraction | None:
        """Return the next beginning of a busy time after an instant."""
        starts = []
        for source, one in enumerate(self.busy):
            about = int((now - one.phase_ns) // one.period_ns)
            starts += [
                self.start_of(source, index)
                for index in range(max(0, about - 2), max(0, about) + 4)
                if self.start_of(source, index) > now
            ]
        return Fraction(min(starts)) if starts else None

    def offer(self, edge: int) -> str:
        """Take a frame; return its fate."""
        arrival = Fraction((edge + self.frame_symbols) * 1_000_000_000, self.edge_hz)
        if sum(done > arrival for done in self.done) >= self.depth:
            return "OVERRUN"
        now = max([arrival, *self.done])
        left = Fraction(self.service_ns)
        while True:
            until = self.busy_until(now)
            if until is not None:
                now = until
                continue
            following = self.next_busy(now)
            if following is None or now + left <= following:
                break
            left -= following - now
            now = following
        self.done.append(now + left)
        if self.deadline_ns is not None and now + left - arrival > self.deadline_ns:
            return "LATE"
        return "SERVED"

    def held_at(self, edge: int) -> int:
        """Count the frames that are in the FIFO as a frame of that edge comes."""
        arrival = Fraction((edge + self.frame_symbols) * 1_000_000_000, self.edge_hz)
        return sum(done > arrival for done in self.done)
