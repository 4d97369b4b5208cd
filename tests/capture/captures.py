"""Captures made for tests: frames drawn as wires, sampled, and cut into batches."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from itertools import pairwise

import numpy as np

from busplay.batch import CaptureInfo, ChangeBatch, FrameBatch
from busplay.capture.decode import CaptureDecoder
from busplay.capture.lane_map import LaneMap, default_map
from busplay.capture.look_ahead import DecodeSettings
from busplay.capture.report import DecodeReport
from busplay.capture.synthetic import Analyser, InjectedFaults, SyntheticCapture
from busplay.capture.wires import WireDrawer, spelled_stretches
from busplay.description.link import Link
from busplay.link.layout import FrameLayout
from tests.receiver.wires import random_words

CLOCK_HZ = 8_000_000


class Recorded:
    """A capture in memory."""

    def __init__(
        self,
        changes: ChangeBatch,
        signals: Sequence[str],
        *,
        rate_hz: int | None = None,
        cuts: Iterable[int] = (),
    ) -> None:
        self.changes = changes
        self.signals = tuple(signals)
        self.info = CaptureInfo("made.raw", "raw", sample_rate_hz=rate_hz)
        self._cuts = [0, *sorted(cuts), len(changes)]

    def batches(self) -> Iterator[ChangeBatch]:
        """Return the changes, cut where the test wants."""
        for first, stop in pairwise(self._cuts):
            yield self.changes[first:stop]


def joined(batches: Iterable[ChangeBatch]) -> ChangeBatch:
    """Join batches to one."""
    parts = [*batches, ChangeBatch.empty()]
    return ChangeBatch(
        np.concatenate([part.time_ps for part in parts]),
        np.concatenate([part.level for part in parts]),
        np.concatenate([part.unknown for part in parts]),
    )


def changes_of(rows: Iterable[tuple[int, int]]) -> ChangeBatch:
    """Make changes of (time, levels)."""
    pairs = list(rows)
    return ChangeBatch(
        np.array([when for when, _ in pairs], np.uint64),
        np.array([levels for _, levels in pairs], np.uint64),
        np.zeros(len(pairs), np.uint64),
    )


def edges_per_second(link: Link) -> int:
    """Return the link's edges in a second; a processor's clock is 8 MHz here."""
    return (link.clock_hz or CLOCK_HZ) * link.edges_per_cycle


def frames_on_grid(
    layout: FrameLayout, count: int, random: np.random.Generator, *, first_slot: int = 24
) -> FrameBatch:
    """Make right frames that are not idle, in bursts and apart."""
    words = random_words(layout, count, random)
    while layout.is_idle(words).any():
        # None may be left out, or the sequence would have a gap.
        words = random_words(layout, count, random)
    # Where frames may start at any clock cycle, a clock cycle has whole edges.
    grid = math.lcm(layout.slot_symbols, layout.link.edges_per_cycle)
    gaps = random.choice([1, 1, 1, 2, 3, 20], len(words))
    slots = first_slot + np.cumsum(gaps) - gaps[:1].sum()
    return FrameBatch((slots * grid).astype(np.uint64), words)


def sampled(
    frames: FrameBatch, layout: FrameLayout, analyser: Analyser
) -> tuple[Recorded, InjectedFaults, SyntheticCapture]:
    """Sample the wires that carry frames."""
    drawer = WireDrawer(layout, edges_per_second(layout.link))
    capture = SyntheticCapture(drawer, analyser)
    stop = int(frames.edge[-1]) + 8 * layout.slot_symbols if len(frames) else 400
    stretches = spelled_stretches([frames], layout, stop_edge=stop)
    changes = joined(capture.changes(stretches))
    return Recorded(changes, capture.names, rate_hz=analyser.rate_hz), capture.injected, capture


def drawn(frames: FrameBatch, layout: FrameLayout) -> Recorded:
    """Draw the wires that carry frames, exactly."""
    drawer = WireDrawer(layout, edges_per_second(layout.link))
    stop = int(frames.edge[-1]) + 8 * layout.slot_symbols if len(frames) else 400
    stretches = spelled_stretches([frames], layout, stop_edge=stop)
    return Recorded(joined(drawer.draw(one) for one in stretches), drawer.wires)


def decode(
    source: Recorded,
    layout: FrameLayout,
    *,
    lane_map: LaneMap | None = None,
    settings: DecodeSettings | None = None,
) -> tuple[list[tuple[int, int]], DecodeReport]:
    """Decode a capture; return its frames as (edge, word), and the report."""
    lane_map = lane_map or default_map(link=layout.link, signals=source.signals)
    found: list[tuple[int, int]] = []
    stops = [0]

    def deliver(frames: FrameBatch, stop_edge: int) -> None:
        assert stop_edge >= stops[-1]
        if len(frames):
            assert stops[-1] <= int(frames.edge[0]) <= int(frames.edge[-1]) < stop_edge
        stops.append(stop_edge)
        found.extend(zip(frames.edge.tolist(), frames.word.tolist(), strict=True))

    report = CaptureDecoder(source, layout, lane_map, settings=settings).run(deliver)
    return found, report
