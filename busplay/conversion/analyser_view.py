"""How a simulated analyser sees a link's wires, said by the wires' names."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from busplay.capture.lane_map import wires_of
from busplay.capture.synthetic import Analyser
from busplay.conversion.carried_header import require_edges_per_second
from busplay.errors import InputError
from busplay.formats.quantities import time_text
from busplay.trace.reader import TraceReader
from busplay.units import PS_PER_S


@dataclass(frozen=True, slots=True)
class AnalyserView:
    """An analyser and how it is wired, for any link.

    Attributes:
        rate_hz: samples in a second.
        first_ps: link time at which the capture begins.
        jitter_ps: root mean square by which each clock edge strays.
        skew_ps: how much later than the clock's a wire's changes come, by wire.
        settle_ps: how long after a change a sample reads either level.
        glitch_ppm: samples in a million on each wire that read wrong.
        lost_every: mean samples between losses; 0: none is lost.
        lost_samples: samples lost each time.
        swaps: pairs of wires whose probes are swapped.
        inverted: wires whose probes show the opposite.
        seed: random seed.
    """

    rate_hz: int
    first_ps: int = 0
    jitter_ps: int = 0
    skew_ps: Mapping[str, int] = field(default_factory=dict)
    settle_ps: int = 0
    glitch_ppm: int = 0
    lost_every: int = 0
    lost_samples: int = 1000
    swaps: tuple[tuple[str, str], ...] = ()
    inverted: tuple[str, ...] = ()
    seed: int = 1

    def resolved(self, reader: TraceReader) -> Analyser:
        """Return the analyser for a trace's link.

        Raises:
            InputError: the link has no such wire, a time is below 0, or the trace ends before
                the capture would begin.
        """
        wires = wires_of(reader.header.link)
        skew_ps = [0] * len(wires)
        for wire, late_ps in self.skew_ps.items():
            skew_ps[_place(wire, wires, "--skew")] = late_ps
        if skew_ps.pop(0):
            raise InputError(
                place="--skew", found=f"wire {wires[0]!r}", wanted="skew is against the clock"
            )
        channels = list(range(len(wires)))
        for pair in self.swaps:
            a, b = (_place(wire, wires, "--swap") for wire in pair)
            channels[a], channels[b] = channels[b], channels[a]
        for wire in self.inverted:
            _place(wire, wires, "--invert")
        for option, time_ps in (
            ("--jitter", self.jitter_ps),
            ("--settle", self.settle_ps),
            ("--out-from", self.first_ps),
        ):
            if time_ps < 0:
                raise InputError(
                    place=option,
                    found=time_text(time_ps),
                    wanted="give a time that is not below 0",
                )
        rate = require_edges_per_second(reader.header, file=str(reader.path))
        first_edge = self.first_ps * rate // PS_PER_S
        if first_edge and first_edge >= reader.stop_edge:
            raise InputError(
                place="--out-from",
                found=time_text(self.first_ps),
                wanted=f"the trace ends at {time_text(reader.stop_edge * PS_PER_S // rate)}",
            )
        return Analyser(
            rate_hz=self.rate_hz,
            jitter_ps=self.jitter_ps,
            skew_ps=tuple(skew_ps),
            settle_ps=self.settle_ps,
            glitch_ppm=self.glitch_ppm,
            lost_every=self.lost_every,
            lost_samples=self.lost_samples,
            first_edge=first_edge,
            channels=tuple(channels),
            inverted=frozenset(self.inverted),
            seed=self.seed,
        )


def _place(wire: str, wires: tuple[str, ...], option: str) -> int:
    if wire not in wires:
        raise InputError(
            place=option, found=f"wire {wire!r}", wanted=f"the wires are {', '.join(wires)}"
        )
    return wires.index(wire)
