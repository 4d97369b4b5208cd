"""A slow, obvious wire, written from the faults file's definition: one edge at a time.

It takes the edges that are hit as given, since streams are tested elsewhere, and imports nothing.
"""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass
class NaiveFaults:
    """Faults by edge.

    Attributes:
        flips: (edge, wire) pairs, each flipping once.
        late, early: (edge, wire) pairs.
        stuck: (first edge, stop edge, wire, level).
        lost, extra: edges.
    """

    flips: list[tuple[int, int]] = field(default_factory=list)
    late: set[tuple[int, int]] = field(default_factory=set)
    early: set[tuple[int, int]] = field(default_factory=set)
    stuck: list[tuple[int, int, int, int]] = field(default_factory=list)
    lost: set[int] = field(default_factory=set)
    extra: set[int] = field(default_factory=set)


@dataclass
class NaiveSampling:
    """What a receiver samples: (edge, symbol), and the faults as (ordinal, kind)."""

    samples: list[tuple[int, int]] = field(default_factory=list)
    faults: list[tuple[int, str]] = field(default_factory=list)


def sample(
    sent: list[int], faults: NaiveFaults, *, before: int, wires: int, after: int = 0
) -> NaiveSampling:
    """Carry symbols, one an edge from edge 0 on, between what was `before` and is `after` them."""
    found = NaiveSampling()
    for edge, symbol in enumerate(sent):
        previous = sent[edge - 1] if edge else before
        following = sent[edge + 1] if edge + 1 < len(sent) else after
        value = 0
        kinds = set()
        for wire in range(wires):
            bit = symbol >> wire & 1
            levels = [
                level
                for first, stop, which, level in faults.stuck
                if which == wire and first <= edge < stop
            ]
            late = (edge, wire) in faults.late and not levels
            early = (edge, wire) in faults.early and not levels and not late
            flips = 0 if levels else faults.flips.count((edge, wire)) % 2
            if late and previous >> wire & 1 != bit:
                kinds.add("LATE")
                bit ^= 1
            if early and following >> wire & 1 != bit:
                kinds.add("EARLY")
                bit ^= 1
            if flips:
                kinds.add("FLIPPED")
                bit ^= 1
            if levels and levels[-1] != bit:
                kinds.add("STUCK")
                bit = levels[-1]
            value |= bit << wire
        times = 1 - (edge in faults.lost) + (edge in faults.extra)
        ordinal = len(found.samples)
        if edge in faults.lost:
            found.faults.append((ordinal, "LOST_EDGE"))
        if times:
            found.faults += [(ordinal, kind) for kind in sorted(kinds)]
        found.samples += [(edge, value)] * times
        if edge in faults.extra:
            found.faults.append((len(found.samples) - 1, "EXTRA_EDGE"))
    return found
