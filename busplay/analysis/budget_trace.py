"""What a recorded program asks of a link: stores a second, its busiest times, the FIFO it needs.

What frames show: a frame starts at the first slot after its store, so on a link that keeps
up the store's cycle is known to within a slot. Where frames waited, or the sender lost some,
the trace shows how fast the link took them and not how fast they came: `frames_behind_another`
and `stores_lost` say how often that may be so. A trace from a link with much room, or a deep
FIFO, shows most.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from busplay.analysis.budget import LinkBudget, start_grid
from busplay.analysis.budget_queue import DepthMeter
from busplay.analysis.budget_sender import PhasedSender, phases
from busplay.batch import FrameBatch
from busplay.trace.header import TraceHeader
from busplay.trace.reader import TraceReader
from busplay.units import NS_PER_S, Ratio, edges_per_processor_cycle

# Of more phases than these, as many are tried, evenly apart.
TRACE_PHASES_MAX = 64
PEAK_WINDOWS_NS = (100_000, 1_000_000, 16_666_667, 1_000_000_000)


@dataclass(frozen=True, slots=True)
class Peak:
    """The busiest stretch of a length.

    Attributes:
        window_ns, window_cycles: its length.
        stores: most stores in any stretch of that length.
        first_cycle: of the stretch in which that was so first.
        share_ratio: of what the link carries in the time; over 1 it cannot keep up there.
    """

    window_ns: int
    window_cycles: int
    stores: int
    first_cycle: int
    share_ratio: Fraction


@dataclass(frozen=True, slots=True)
class TraceLoad:
    """A trace's stores on the link that is planned.

    Attributes:
        stores: that the trace has frames of.
        stores_lost_when_recorded: at the recorded sender FIFO; they are not among `stores`.
        cycles: processor cycles that the trace covers.
        mean_hz: stores a second over all of it.
        share_ratio: of what the link carries in that time.
        peaks: by length; lengths that the trace does not have are left out.
        frames_behind_another: frames that started a slot after the one before, so that they
            may have waited.
        fifo_depth: sender FIFO depth with which nothing is lost at any phase of the slot grid.
        fifo_depth_with_register: the same with an output register for the frame that starts next,
            which is what `sender.fifo_depth` of a board counts.
        fifo_depth_exact: one less would lose at some phase; else it may be one too deep.
        stores_lost: what the planned sender FIFO loses, at the worst phase that was tried.
        resolution_cycles: slot of the recorded link: as exactly is a store's cycle known.
    """

    stores: int
    stores_lost_when_recorded: int
    cycles: int
    mean_hz: Fraction
    share_ratio: Fraction
    peaks: tuple[Peak, ...]
    frames_behind_another: int
    fifo_depth: int
    fifo_depth_with_register: int
    fifo_depth_exact: bool
    stores_lost: int
    resolution_cycles: Fraction


class TraceTime:
    """Edges of a trace's link as processor cycles."""

    def __init__(self, header: TraceHeader, *, processor_hz: int) -> None:
        link = header.link
        self.ratio: Ratio = edges_per_processor_cycle(
            header.clock_hz or processor_hz, link.clock_hz, link.edges_per_cycle
        )
        self.lead_edges = header.edge_at(0)
        self.step_edges = start_grid(link)[1]
        self.slot_cycles = Fraction(self.step_edges * self.ratio.denominator, self.ratio.numerator)

    def store_cycles(self, edges: NDArray[np.uint64]) -> NDArray[np.int64]:
        """Return int64[frames]: the latest cycle in which each frame's store can have been."""
        since = edges.astype(np.int64) - self.lead_edges
        whole, rest = np.divmod(since, self.ratio.numerator)
        cycles = whole * self.ratio.denominator + rest * self.ratio.denominator // (
            self.ratio.numerator
        )
        latest: NDArray[np.int64] = np.maximum(cycles - 1, 0)
        return latest

    def cycles(self, edge: int) -> int:
        """Return the whole processor cycles that are over by an edge."""
        since = max(0, edge - self.lead_edges)
        return since * self.ratio.denominator // self.ratio.numerator


class _PeakMeter:
    """The most stores in any stretch of one length, fed piece by piece."""

    def __init__(self, window_cycles: int) -> None:
        self.window_cycles = window_cycles
        self.stores = 0
        self.first_cycle = 0
        self._recent: NDArray[np.int64] = np.empty(0, np.int64)

    def feed(self, cycles: NDArray[np.int64]) -> None:
        together = np.concatenate([self._recent, cycles])
        before = np.searchsorted(together, cycles - self.window_cycles, side="right")
        held = np.arange(len(self._recent), len(together)) - before + 1
        most = int(held.argmax())
        if int(held[most]) > self.stores:
            self.stores = int(held[most])
            self.first_cycle = max(0, int(cycles[most]) - self.window_cycles + 1)
        self._recent = together[together > together[-1] - self.window_cycles]


def read_trace_load(
    path: Path,
    budget: LinkBudget,
    *,
    fifo_depth: int,
    progress: Callable[[int, int], None] | None = None,
) -> TraceLoad:
    """Put the stores of a trace's file on the link of a budget.

    Args:
        path: of the trace.
        budget: of the link that is planned.
        fifo_depth: of the sender that is planned.
        progress: called with (frames done, frames).

    Raises:
        InputError: the file is no trace, or damaged.
    """
    with TraceReader(path) as reader:

        def chunks() -> Iterator[FrameBatch]:
            done = 0
            for frames in reader.chunks():
                yield frames
                done += len(frames)
                if progress is not None:
                    progress(done, reader.frames)

        return trace_load(
            reader.header,
            chunks(),
            budget,
            stop_edge=reader.stop_edge,
            stores_offered=reader.stores,
            planned_fifo_depth=fifo_depth,
        )


def trace_load(
    header: TraceHeader,
    chunks: Iterable[FrameBatch],
    budget: LinkBudget,
    *,
    stop_edge: int,
    stores_offered: int,
    planned_fifo_depth: int,
) -> TraceLoad:
    """Put a trace's stores on the link of a budget.

    Args:
        header: the trace's; its link need not be the budget's.
        chunks: its frames, in order.
        budget: of the link that is planned. Seconds are those of its processor's clock.
        stop_edge, stores_offered: from the trace's reader.
        planned_fifo_depth: of the sender that is planned.
    """
    time = TraceTime(header, processor_hz=budget.processor_hz)
    meter = DepthMeter(budget.frame_cycles)
    senders = [
        PhasedSender(budget, planned_fifo_depth, shift=shift)
        for shift in phases(budget.slot_cycles, most=TRACE_PHASES_MAX)[0]
    ]
    span = max(1, time.cycles(stop_edge))
    peaks = [
        (window_ns, _PeakMeter(window_ns * budget.processor_hz // NS_PER_S))
        for window_ns in PEAK_WINDOWS_NS
        if 1 <= window_ns * budget.processor_hz // NS_PER_S <= span
    ]
    stores = behind = 0
    last_edge: int | None = None
    for frames in chunks:
        if not len(frames):
            continue
        cycles = time.store_cycles(frames.edge)
        meter.feed(cycles.astype(np.uint64))
        for sender in senders:
            sender.feed(cycles.astype(np.uint64))
        for _, peak in peaks:
            peak.feed(cycles)
        behind += int((np.diff(frames.edge) == np.uint64(time.step_edges)).sum())
        behind += last_edge is not None and int(frames.edge[0]) - last_edge == time.step_edges
        last_edge = int(frames.edge[-1])
        stores += len(frames)
    mean_hz = Fraction(stores * budget.processor_hz, span)
    return TraceLoad(
        stores=stores,
        stores_lost_when_recorded=max(0, stores_offered - stores),
        cycles=span,
        mean_hz=mean_hz,
        share_ratio=mean_hz / budget.frame_hz,
        peaks=tuple(
            Peak(
                window_ns,
                peak.window_cycles,
                peak.stores,
                peak.first_cycle,
                peak.stores * budget.frame_cycles / peak.window_cycles,
            )
            for window_ns, peak in peaks
        ),
        frames_behind_another=behind,
        fifo_depth=meter.depth_without_register(budget),
        fifo_depth_with_register=meter.depth,
        fifo_depth_exact=budget.idle_every is None or not meter.depth,
        stores_lost=max(sender.lost() for sender in senders),
        resolution_cycles=time.slot_cycles,
    )
