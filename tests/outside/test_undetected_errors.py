"""Faults injected on the wire: undetected errors are as the check's weights say."""

from __future__ import annotations

import numpy as np
import pytest

from busplay.analysis.intervals import wilson_interval
from busplay.batch import FrameBatch
from busplay.description.faults import BitFlips, Faults, Span
from busplay.description.link import Link
from busplay.link.layout import FrameLayout
from busplay.pipeline.pipeline import Pipeline
from busplay.wire.faulty import FaultKind
from tests.boards import GUARDED, LEAN, board_with

LEAD_FRAMES = 16  # idle, clean: the receiver is in sync when the first frame comes
FRAME_BITS_OF = {"lean": 32, "guarded": 40}
# A_2 ... A_8: errors of that many bits in the 32 of `lean` that its check does not detect.
LEAN_WEIGHTS = {2: 19, 3: 338, 4: 2_317, 5: 12_404, 6: 56_399, 7: 211_094, 8: 657_917}


def noisy_pipeline(link: Link, ber: float, *, frames: int, seed: int) -> Pipeline:
    """Send frames in every slot over a link that flips bits."""
    board = board_with(link)
    pipeline = Pipeline(
        board,
        faults=Faults(seed=seed, bit_flips=(BitFlips(ber, span=Span(first_ns=8_000)),)),
        timing=False,
    )
    layout = FrameLayout(link)
    random = np.random.default_rng(seed)
    fields = {"space": np.ones(frames, np.uint64)}
    fields["address"] = random.integers(0, 1 << 16, frames, np.uint64)
    fields["data"] = random.integers(0, 256, frames, np.uint64)
    if link.field_named("sequence"):
        fields["sequence"] = np.arange(frames, dtype=np.uint64) & np.uint64(15)
    slot = layout.slot_symbols
    edge = (np.arange(frames, dtype=np.uint64) + np.uint64(LEAD_FRAMES)) * np.uint64(slot)
    for first in range(0, frames, 20_000):
        part = slice(first, first + 20_000)
        pipeline.feed_frames(FrameBatch(edge[part], layout.pack(**fields)[part]), stop_edge=0)
    return pipeline


def undetected(pipeline: Pipeline) -> tuple[int, int]:
    """Count frames that passed the check with other content, and all frames that were judged."""
    frames = pipeline.counters().accounts.frames
    seen = pipeline.receiver.counters
    # A damaged frame that passes as an idle one is not delivered and fails no check. The
    # lead's idle frames were valid; the first of them are used to gain sync.
    turned_idle = frames.lost_on_wire - seen.checks_failed
    judged = frames.received_intact + frames.received_damaged + frames.lost_on_wire
    assert frames.spurious == 0
    return frames.received_damaged + turned_idle, judged


@pytest.mark.source(
    "textbook: probability of an undetected error, sum of A_j p^j (1-p)^(n-j)",
    part="x^4+x+1 over 28 bits: 1.6765e-3 at 1e-2",
    kind="computed",
)
def test_share_of_frames_with_damage_undetected_by_lean() -> None:
    ber = 1e-2
    probability = sum(
        count * ber**weight * (1 - ber) ** (32 - weight) for weight, count in LEAN_WEIGHTS.items()
    )
    assert probability == pytest.approx(1.6765e-3, rel=1e-3)
    found, judged = undetected(noisy_pipeline(LEAN, ber, frames=400_000, seed=21))
    assert judged > 390_000
    assert probability in wilson_interval(found, judged, quantile=3)


@pytest.mark.source(
    "header error control of ITU-T I.432.1", part="distance 4 over 40 bits", kind="computed"
)
def test_guarded_detects_every_flip_at_a_rate_where_four_never_meet() -> None:
    # 727 of the 91,390 errors of four bits pass: at 1e-3 that is 7e-10 of the frames.
    pipeline = noisy_pipeline(GUARDED, 1e-3, frames=400_000, seed=22)
    found, judged = undetected(pipeline)
    assert found == 0
    assert judged > 399_000
    flips = pipeline.counters().accounts.faults[FaultKind.FLIPPED]
    assert flips.undetected == 0
    assert flips.injected == flips.detected_by_check + flips.detected_by_sync + flips.out_of_sync


@pytest.mark.source(
    "binomial distribution", part="share of damaged frames 1-(1-p)^n", kind="computed"
)
@pytest.mark.parametrize(("link", "ber"), [(LEAN, 1e-3), (GUARDED, 1e-3), (GUARDED, 1e-2)])
def test_share_of_frames_that_are_damaged(link: Link, ber: float) -> None:
    pipeline = noisy_pipeline(link, ber, frames=200_000, seed=23)
    frames = pipeline.counters().accounts.frames
    damaged = frames.received_damaged + frames.lost_on_wire
    judged = frames.received_intact + damaged
    expected = 1 - (1 - ber) ** FRAME_BITS_OF[link.name]
    assert expected in wilson_interval(damaged, judged, quantile=3.5)


@pytest.mark.source("rule of three", part="-ln 0.05 / N", kind="computed")
def test_no_undetected_error_bounds_the_rate_by_three_over_the_frames() -> None:
    found, judged = undetected(noisy_pipeline(GUARDED, 1e-3, frames=100_000, seed=24))
    assert found == 0
    assert wilson_interval(0, judged).high > -np.log(0.05) / judged > 2.99 / judged
