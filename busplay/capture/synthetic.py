"""A link's wires as a cheap analyser would see them: a fixed rate, late lanes, noise, mistakes.

For test data and teaching. Everything is drawn from one seed, so the same arguments give the
same samples, and what was injected is counted, so that a decode can be held against it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from busplay.batch import ChangeBatch
from busplay.capture.wires import SymbolStretch, WireDrawer, scaled
from busplay.units import PS_PER_S

BLOCK_SAMPLES = 1 << 18
# An edge strays by at most this share of a half step, so that none overtakes the next.
_STRAY_MOST = 0.9


@dataclass(frozen=True, slots=True)
class Analyser:
    """An analyser and how it is wired.

    Attributes:
        rate_hz: samples in a second.
        phase_ps: when the first sample is taken after the link's time 0.
        jitter_ps: root mean square by which each clock edge strays.
        skew_ps: for lanes from 0 on and the strobe, how late each comes.
        settle_ps: how long a wire is near the threshold after it changes; a sample in that time
            reads either level.
        glitch_ppm: samples in a million on each wire that read wrong.
        lost_every: mean samples between losses of a buffer; 0: none is lost.
        lost_samples: samples lost each time; the analyser does not know, so later times are
            too early.
        first_edge: link edge at which the capture begins.
        channels: for each wire, the channel that its probe is on; by default in order.
        inverted: wires whose probes show the opposite.
        seed: random seed.
    """

    rate_hz: int
    phase_ps: int = 0
    jitter_ps: int = 0
    skew_ps: tuple[int, ...] = ()
    settle_ps: int = 0
    glitch_ppm: int = 0
    lost_every: int = 0
    lost_samples: int = 1000
    first_edge: int = 0
    channels: tuple[int, ...] = ()
    inverted: frozenset[str] = frozenset()
    seed: int = 1


@dataclass(frozen=True, slots=True)
class InjectedFaults:
    """What was injected into a synthetic capture.

    Attributes:
        samples: samples in it.
        glitches: samples of single wires that read wrong.
        unsettled: samples of single wires that were read near the threshold and came out wrong.
        samples_lost: samples that were lost.
        loss_places: the sample before which each loss is.
        map: which channel each wire's probe is on, as `--map` takes it.
        seed: random seed.
    """

    samples: int = 0
    glitches: int = 0
    unsettled: int = 0
    samples_lost: int = 0
    loss_places: tuple[int, ...] = ()
    map: str = ""
    seed: int = 1


class SyntheticCapture:
    """Samples a link's wires, stretch by stretch.

    Args:
        drawer: of the link.
        analyser: how they are sampled.

    Attributes:
        names: of the channels: those of the wires, wherever their probes are meant to be.
        injected: what was injected so far.
    """

    def __init__(self, drawer: WireDrawer, analyser: Analyser) -> None:
        wires = drawer.wires
        if analyser.rate_hz < 1:
            raise ValueError(f"rate_hz is {analyser.rate_hz}; it must be positive")
        if analyser.channels and sorted(analyser.channels) != list(range(len(wires))):
            raise ValueError(f"channels must be an order of 0 to {len(wires) - 1}")
        unknown = analyser.inverted - set(wires)
        if unknown:
            raise ValueError(f"no wires named {sorted(unknown)}; there are {', '.join(wires)}")
        self.names = wires
        self._drawer = drawer
        self._analyser = analyser
        self._random = np.random.default_rng(analyser.seed)
        self._channels = analyser.channels or tuple(range(len(wires)))
        probes = [
            f"{wire}={'!' if wire in analyser.inverted else ''}{wires[channel]}"
            for wire, channel in zip(wires, self._channels, strict=True)
        ]
        self.injected = InjectedFaults(map=",".join(probes), seed=analyser.seed)
        self._start_ps = int(drawer.half_step_ps(np.array([2 * analyser.first_edge], np.int64))[0])
        self._toggles: list[NDArray[np.int64]] = [np.empty(0, np.int64) for _ in wires]
        # Levels behind the last change that was added, and before the first that is kept.
        self._level = [-1] * len(wires)
        self._before = [0] * len(wires)
        self._sample = 0
        self._until_loss = self._draw_loss()

    def _inject(self, **counts: int) -> None:
        """Count what was injected."""
        sums = {name: getattr(self.injected, name) + count for name, count in counts.items()}
        self.injected = replace(self.injected, **sums)

    def _draw_loss(self) -> int:
        mean = self._analyser.lost_every
        return int(self._random.geometric(1 / mean)) if mean else -1

    def samples(self, stretches: Iterable[SymbolStretch]) -> Iterator[NDArray[np.uint32]]:
        """Return samples, uint32 each, bit i the level on channel i."""
        end_ps = self._start_ps
        for stretch in stretches:
            if stretch.stop_edge <= self._analyser.first_edge:
                self._add(stretch)
                self._forget()
                continue
            self._add(stretch)
            # Late lanes of the next stretch may not come before what is sampled now.
            safe = self._drawer.half_step_ps(np.array([2 * stretch.stop_edge - 2], np.int64))
            early = min((0, *self._analyser.skew_ps))
            yield from self._until(int(safe[0]) + early)
            last_ps = self._drawer.half_step_ps(np.array([2 * stretch.stop_edge], np.int64))
            end_ps = int(last_ps[0])
        yield from self._until(end_ps)

    def changes(self, stretches: Iterable[SymbolStretch]) -> Iterator[ChangeBatch]:
        """Return the same as changes, with times that the analyser would write down."""
        last: np.uint32 | None = None
        first = 0
        for block in self.samples(stretches):
            before = np.concatenate([block[:1] if last is None else [last], block[:-1]])
            keep = block != before
            if last is None:
                keep[0] = True
            place = np.flatnonzero(keep) + first
            first += len(block)
            last = block[-1]
            level = block[keep].astype(np.uint64)
            times = self.sample_ps(place).astype(np.uint64)
            yield ChangeBatch(times, level, np.zeros(len(level), np.uint64))

    def sample_ps(self, number: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return the times at which samples were taken, as the analyser counts them."""
        return scaled(number, self._analyser.rate_hz)

    def _add(self, stretch: SymbolStretch) -> None:
        """Add the moments at which each wire changes in a stretch."""
        drawer, analyser = self._drawer, self._analyser
        level = drawer.levels(stretch)
        steps = np.arange(2 * stretch.first_edge, 2 * stretch.stop_edge, dtype=np.int64)
        times = drawer.half_step_ps(steps)
        half = int(times[-1] - times[0]) // max(1, len(times) - 1)
        stray = np.zeros(len(times), np.int64)
        if analyser.jitter_ps:
            most = half * _STRAY_MOST / 2
            drawn = self._random.normal(0, analyser.jitter_ps, len(times))
            stray = np.clip(drawn, -most, most).astype(np.int64)
        for wire in range(len(drawer.wires)):
            bit = (level >> np.uint64(wire) & np.uint64(1)).astype(np.int64)
            before = np.concatenate(
                [bit[:1] if self._level[wire] < 0 else [self._level[wire]], bit[:-1]]
            )
            moved = np.flatnonzero(bit != before)
            if self._level[wire] < 0:
                self._level[wire] = int(bit[0])
                self._before[wire] = int(bit[0])
            moments = times[moved]
            if wire == drawer.clock_bit:
                moments = moments + stray[moved]
            elif wire - 1 < len(analyser.skew_ps):
                moments = moments + analyser.skew_ps[wire - 1]
            self._toggles[wire] = np.concatenate([self._toggles[wire], moments])
            self._level[wire] = int(bit[-1])

    def _forget(self) -> None:
        """Drop changes that lie before the capture."""
        for wire, toggles in enumerate(self._toggles):
            keep = int(np.searchsorted(toggles, self._start_ps - self._analyser.settle_ps))
            self._before[wire] ^= keep & 1
            self._toggles[wire] = toggles[keep:]

    def _until(self, stop_ps: int) -> Iterator[NDArray[np.uint32]]:
        """Sample up to a time."""
        rate = self._analyser.rate_hz
        first_ps = self._start_ps + self._analyser.phase_ps
        span = stop_ps - first_ps
        last = max(self._sample, -(-span * rate // PS_PER_S)) if span > 0 else self._sample
        while self._sample < last:
            stop = min(last, self._sample + BLOCK_SAMPLES)
            number = np.arange(self._sample, stop, dtype=np.int64)
            block = self._read(first_ps + self.sample_ps(number))
            self._sample = stop
            block = self._lose(block)
            if len(block):
                self._inject(samples=len(block))
                yield block

    def _read(self, at_ps: NDArray[np.int64]) -> NDArray[np.uint32]:
        analyser = self._analyser
        out = np.zeros(len(at_ps), np.uint32)
        for wire, name in enumerate(self._drawer.wires):
            toggles = self._toggles[wire]
            count = np.searchsorted(toggles, at_ps, side="right")
            bit = (count & 1) ^ self._before[wire]
            if analyser.settle_ps and len(toggles):
                near = (count > 0) & (
                    at_ps - toggles[np.maximum(count - 1, 0)] < analyser.settle_ps
                )
                either = near & (self._random.random(len(at_ps)) < 0.5)
                self._inject(unsettled=int(np.count_nonzero(either)))
                bit = bit ^ either
            if analyser.glitch_ppm:
                wrong = self._random.random(len(at_ps)) * 1e6 < analyser.glitch_ppm
                self._inject(glitches=int(np.count_nonzero(wrong)))
                bit = bit ^ wrong
            bit = bit ^ (name in analyser.inverted)
            out |= bit.astype(np.uint32) << np.uint32(self._channels[wire])
            done = max(0, int(count[-1]) - 1) if len(count) else 0
            self._before[wire] ^= done & 1
            self._toggles[wire] = toggles[done:]
        return out

    def _lose(self, block: NDArray[np.uint32]) -> NDArray[np.uint32]:
        """Take out the samples of lost buffers."""
        if self._until_loss < 0:
            return block
        kept = []
        place = 0
        while len(block) - place > self._until_loss:
            place += self._until_loss
            kept.append(block[place - self._until_loss : place])
            gone = min(self._analyser.lost_samples, len(block) - place)
            self._inject(samples_lost=gone)
            place_kept = self.injected.samples + sum(len(one) for one in kept)
            places = (*self.injected.loss_places, place_kept)
            self.injected = replace(self.injected, loss_places=places)
            place += gone
            self._until_loss = self._draw_loss()
        self._until_loss -= len(block) - place
        return np.concatenate([*kept, block[place:]])
