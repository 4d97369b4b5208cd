"""The same question tried: random frames on the wires, an analyser's samples, the decoder.

The capture is made as `busplay convert --out-rate` makes one, and read as `busplay decode` reads
any. The analyser's clock is a little off its rate, as every clock is, so that its samples
come at all phases to the link within one trial.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from busplay.analysis.budget import start_grid
from busplay.analysis.sampling.sampling import Sampling
from busplay.batch import CaptureInfo, ChangeBatch, FrameBatch, UInt64Column
from busplay.capture.decode import CaptureDecoder
from busplay.capture.lane_map import default_map
from busplay.capture.synthetic import Analyser, SyntheticCapture
from busplay.capture.wires import SymbolStretch, WireDrawer, spelled_stretches
from busplay.description.link import SPACE_IDLE, Link
from busplay.errors import InputError
from busplay.link.layout import FrameLayout
from busplay.trace.reader import TraceReader
from busplay.units import PS_PER_S

# So much is the analyser's clock off, that a trial of milliseconds comes by all phases.
DRIFT_PPM = 1_000
# Slots in which the receiver gets in sync before the first frame, and behind the last.
LEAD_SLOTS = 40
TAIL_SLOTS = 4
IDLE_SHARE = 1 / 8
REDRAWS_MAX = 100
FRAMES = 4_000
LEAST_FRAMES = 100
SAMPLES_MAX = 6_000_000


@dataclass(frozen=True, slots=True)
class SamplingTrial:
    """What came of a trial.

    Attributes:
        frames: that were sent.
        intact: of these, frames that came out of the decoder as they were sent.
        lost: the others.
        spurious: frames that came out and that nobody had sent.
        checks_failed: frames whose check or constants failed.
        syncs_lost: times that the receiver lost sync.
        symbols: that the decoder read.
        symbols_in_doubt: symbols at which a wire changes near the moment of reading.
        in_doubt_ratio: their share.
        samples: that the analyser took.
        refused: why the decoder found nothing to begin with; None: it did.
    """

    frames: int
    intact: int
    lost: int
    spurious: int
    checks_failed: int
    syncs_lost: int
    symbols: int
    symbols_in_doubt: int
    in_doubt_ratio: float
    samples: int
    refused: str | None = None

    @property
    def is_clean(self) -> bool:
        """Every frame came out intact, and nothing else did."""
        return not (self.lost or self.spurious or self.checks_failed or self.refused)


def frames_for_trial(sampling: Sampling, frames: int) -> int:
    """Return how many frames a trial can have, so that it takes seconds; 0: too few to try."""
    slot_ps = start_grid(sampling.link)[1] * sampling.symbol_ps
    slots = int(SAMPLES_MAX * sampling.sample_ps / slot_ps) - lead_slots(sampling.link)
    most = int(slots * (1 - IDLE_SHARE))
    return frames if most >= frames else most if most >= LEAST_FRAMES else 0


def lead_slots(link: Link) -> int:
    """Return the idle slots before the first frame, in which a receiver gets in sync."""
    return LEAD_SLOTS + 2 * int(getattr(link.framing, "confirm_frames", 0))


def random_frames(link: Link, count: int, *, seed: int) -> FrameBatch:
    """Make frames with random values in all fields, nearly all of them back to back."""
    layout = FrameLayout(link)
    random = np.random.default_rng(seed)
    words = _random_words(layout, count, random)
    _, step = start_grid(link)
    idle = random.random(count) < IDLE_SHARE
    if link.idle_every:
        idle |= np.arange(count) % (link.idle_every - 1) == 0
    slots = lead_slots(link) + np.arange(count) + np.cumsum(idle)
    return FrameBatch((slots * step).astype(np.uint64), words)


def _random_words(layout: FrameLayout, count: int, random: np.random.Generator) -> UInt64Column:
    words = _drawn(layout, np.arange(count), random)
    for _ in range(REDRAWS_MAX):
        # Frames that say idle are not delivered, and would be missed.
        idle = np.flatnonzero(layout.is_idle(words))
        if not len(idle):
            break
        words[idle] = _drawn(layout, idle, random)
    return words


def _drawn(
    layout: FrameLayout, numbers: NDArray[np.int64], random: np.random.Generator
) -> UInt64Column:
    """Draw the frames of these numbers."""
    columns = {}
    check = layout.link.check
    for one in layout.link.fields:
        if one.value is not None or (check is not None and one.name == check.field):
            continue
        least = SPACE_IDLE + 1 if one.name == "space" else 0
        most = (1 << one.bits) - 1
        columns[one.name] = random.integers(least, most, len(numbers), np.uint64, endpoint=True)
    if "sequence" in columns:
        bits = len(layout.bit_places("sequence"))
        columns["sequence"] = numbers.astype(np.uint64) & np.uint64((1 << bits) - 1)
    return layout.pack(**columns) if columns else np.repeat(layout.pack(), len(numbers))


def recorded_frames(path: Path, link: Link, count: int) -> FrameBatch:
    """Return the first frames of a trace, from a few slots before the first of them.

    Raises:
        InputError: it is damaged, of another link, or has no frames.
    """
    with TraceReader(path) as reader:
        if replace(reader.header.link, file="") != replace(link, file=""):
            raise InputError(
                file=str(path),
                found=f"frames of link {reader.header.link.name}",
                wanted=f"a trace of link {link.name}, which is asked about",
            )
        parts, held = [FrameBatch.empty()], 0
        for batch in reader.chunks():
            parts.append(batch)
            held += len(batch)
            if held >= count:
                break
    if not held:
        raise InputError(file=str(path), found="no frames", wanted="a trace with some")
    frames = FrameBatch.joined(parts)
    _, step = start_grid(link)
    first = max(0, int(frames.edge[0]) // step - lead_slots(link)) * step
    return FrameBatch(frames.edge[:count] - np.uint64(first), frames.word[:count])


def _expanded(frames: FrameBatch, layout: FrameLayout) -> list[SymbolStretch]:
    """Expand what the wires carry to symbols, idle time round the frames too."""
    stop = int(frames.edge[-1]) + (1 + TAIL_SLOTS) * layout.slot_symbols
    return list(spelled_stretches([frames], layout, stop_edge=stop))


class _MadeCapture:
    """A capture that an analyser takes as it is read."""

    def __init__(
        self,
        sampling: Sampling,
        stretches: list[SymbolStretch],
        seed: int,
        progress: Callable[[int, int], None] | None,
    ) -> None:
        link = sampling.link
        layout = FrameLayout(link)
        rate_hz = sampling.rate_hz + round(sampling.rate_hz * DRIFT_PPM / 1_000_000)
        phase_ps = int(np.random.default_rng(seed).integers(0, PS_PER_S // rate_hz + 1))
        self.capture = SyntheticCapture(
            WireDrawer(layout, sampling.clock_hz * link.edges_per_cycle),
            Analyser(
                rate_hz,
                phase_ps=phase_ps,
                jitter_ps=sampling.jitter_ps,
                skew_ps=sampling.skews_ps,
                seed=seed,
            ),
        )
        self.signals = self.capture.names
        self.info = CaptureInfo("the trial", "samples", sample_rate_hz=rate_hz)
        self._stretches = stretches
        self._progress = progress

    def batches(self) -> Iterator[ChangeBatch]:
        """Sample the wires."""
        yield from self.capture.changes(self._told())

    def _told(self) -> Iterator[SymbolStretch]:
        for stretch in self._stretches:
            yield stretch
            if self._progress is not None:
                self._progress(stretch.stop_edge, self._stretches[-1].stop_edge)


def try_it(
    sampling: Sampling,
    frames: FrameBatch,
    *,
    seed: int,
    progress: Callable[[int, int], None] | None = None,
) -> SamplingTrial:
    """Sample the wires that carry these frames, and decode what the analyser saw.

    Args:
        sampling: the link and the analyser.
        frames: that are sent.
        seed: of the phase and of jitter.
        progress: called with (symbols sampled, symbols).
    """
    layout = FrameLayout(sampling.link)
    source = _MadeCapture(sampling, _expanded(frames, layout), seed, progress)
    found: Counter[int] = Counter()
    lane_map = default_map(link=sampling.link, signals=source.signals)
    try:
        report = CaptureDecoder(source, layout, lane_map).run(
            lambda batch, _: found.update(batch.word.tolist())
        )
    except InputError as error:
        samples, count = source.capture.injected.samples, len(frames)
        return SamplingTrial(
            count, 0, count, 0, 0, 0, 0, 0, 0.0, samples, error.found or "no clock"
        )
    sent = Counter(frames.word.tolist())
    intact = (sent & found).total()
    symbols = report.sampling.symbols
    return SamplingTrial(
        frames=len(frames),
        intact=intact,
        lost=len(frames) - intact,
        spurious=found.total() - intact,
        checks_failed=report.frames_damaged,
        syncs_lost=report.receiver.syncs_lost,
        symbols=symbols,
        symbols_in_doubt=report.sampling.symbols_in_doubt,
        in_doubt_ratio=report.sampling.symbols_in_doubt / max(1, symbols),
        samples=source.capture.injected.samples,
    )
