from __future__ import annotations

import math

import numpy as np
import pytest

from busplay.analysis.compare.frame_comparison import FrameComparison
from busplay.analysis.compare.frames import compare_frames
from busplay.analysis.compare.pattern import Pattern, one_in
from busplay.analysis.compare.periods import find_period
from busplay.batch import FrameBatch
from tests.analysis.compare.made_damage import (
    EDGES_PER_S,
    HEADER,
    LOSSES,
    PROGRAMS,
    SLOT,
    offsets,
    program,
    seconds,
)
from tests.analysis.compare.recordings import dropped


def losing(frames: FrameBatch, lost: np.ndarray) -> FrameComparison:
    found = compare_frames([frames], [dropped(frames, lost)], expected_header=HEADER)
    assert found.figures.frames_missing == np.count_nonzero(lost)
    return found


def flipping(frames: FrameBatch, bits: np.ndarray) -> FrameComparison:
    actual = FrameBatch(frames.edge, frames.word ^ bits.astype(np.uint64))
    return compare_frames([frames], [actual], expected_header=HEADER)


def only(found: FrameComparison, kind: str) -> Pattern:
    (pattern,) = [one for one in found.figures.patterns if one.kind == kind]
    assert pattern.probability < 1e-3
    return pattern


# -- no pattern where there is none


@pytest.mark.thorough
@pytest.mark.parametrize("loss", LOSSES)
@pytest.mark.parametrize("shape", PROGRAMS)
def test_no_pattern_is_told_of_undirected_loss(shape: str, loss: str) -> None:
    # The same with seeds 100 to 219 told 1 pattern in 3,360 comparisons.
    frames = PROGRAMS[shape](7)
    lost = LOSSES[loss](np.random.default_rng(7), len(frames))
    assert losing(frames, lost).figures.patterns == ()


def test_no_lane_is_told_of_flips_on_all_lanes() -> None:
    frames = program(60_000)
    random = np.random.default_rng(3)
    bits = np.uint64(1) << random.integers(0, 28, len(frames)).astype(np.uint64)
    hit = random.random(len(frames)) < 0.005
    found = flipping(frames, np.where(hit, bits, 0))
    assert found.figures.frames_different > 200
    assert found.figures.patterns == ()


def test_few_pieces_of_damage_are_no_pattern() -> None:
    frames = program(60_000)
    lost = np.zeros(len(frames), np.bool_)
    lost[[100, 20_100, 40_100, 59_999]] = True
    assert losing(frames, lost).figures.patterns == ()


# -- lanes


def test_damage_on_one_lane_is_told() -> None:
    frames = program(30_000)
    random = np.random.default_rng(5)
    place = 4 * random.integers(0, 7, len(frames)) + 2  # lane 2 of symbols 1 to 7
    hit = random.random(len(frames)) < 0.002
    found = flipping(frames, np.where(hit, np.uint64(1) << place.astype(np.uint64), 0))
    pattern = only(found, "lane")
    count = found.figures.frames_changed
    assert pattern.figures == {"lane": 2}
    assert pattern.sentence == (
        f"{count} of {count} changed frames are wrong on lane 2 alone"
        f" ({count / 4:,.1f} expected at most)"
    )


def test_stuck_lane_is_told_with_its_level() -> None:
    frames = program(30_000)
    lane_1 = np.uint64(sum(1 << (4 * symbol + 1) for symbol in range(7)))
    stuck = np.where(np.arange(30_000) > 20_000, frames.word & lane_1, 0)
    found = flipping(frames, stuck)
    pattern = only(found, "lane")
    assert pattern.figures == {"lane": 1, "stuck_at": 0}
    assert pattern.sentence.endswith("; its bit errors all read 0, as of a lane that is stuck")


def test_one_wrong_bit_is_named() -> None:
    frames = program(30_000)
    hit = np.random.default_rng(2).random(30_000) < 0.002
    pattern = only(flipping(frames, np.where(hit, 1 << 13, 0)), "bit")
    assert pattern.sentence == "every wrong bit is bit 1 of the field address (lane 1, symbol 4)"


# -- addresses


def test_range_of_addresses_is_told_once_the_program_has_come_back() -> None:
    frames = program(250_000)
    place = offsets(frames)
    lost = (place >= 0x1200) & (place < 0x1300)
    pattern = only(losing(frames, lost), "addresses")
    assert pattern.figures["first_offset"] == 0x1200
    assert pattern.figures["last_offset"] == 0x12FF
    assert pattern.fits == pattern.events == 10
    assert pattern.sentence == (
        "missing frames lie in $5200 to $52FF (panel memory 4,608 to 4,863): 10 of 10 times"
        " that frames were missing, where 1.02% of all frames go"
    )


def test_range_is_found_among_other_damage() -> None:
    frames = program(120_000, scatter=True)
    random = np.random.default_rng(4)
    place = offsets(frames)
    lost = (place >= 3_000) & (place < 3_400) & (random.random(120_000) < 0.1)
    lost |= random.random(120_000) < 1e-4
    pattern = only(losing(frames, lost), "addresses")
    assert 3_000 <= int(pattern.figures["first_offset"]) < 3_100
    assert 3_300 < int(pattern.figures["last_offset"]) < 3_400


# -- periods


@pytest.mark.parametrize("rate", [1.0, 0.02])
def test_busy_time_at_sixty_hertz_is_told_with_its_frequency(rate: float) -> None:
    frames = program(500_000)  # 0.75 s
    random = np.random.default_rng(6)
    busy = seconds(frames) * 60 % 1 < 0.08
    pattern = only(losing(frames, busy & (random.random(500_000) < rate)), "period")
    hz, error = float(pattern.figures["frequency_hz"]), float(pattern.figures["frequency_error_hz"])
    assert abs(hz - 60) < max(4 * error, 0.01)
    assert float(pattern.figures["arc_ratio"]) < 0.11


def test_busy_time_is_told_apart_from_the_programs_own_refresh() -> None:
    frames = program(400_000, refresh_frames=5_000)  # 80 refreshes
    random = np.random.default_rng(8)
    busy = seconds(frames) * 233 % 1 < 0.1
    pattern = only(losing(frames, busy & (random.random(400_000) < 0.2)), "period")
    assert abs(float(pattern.figures["frequency_hz"]) - 233) < 0.5


@pytest.mark.parametrize(("hz", "frames_a_refresh"), [(10.0, 0), (50.0, 0), (50.0, 3_000)])
def test_a_dozen_losses_that_keep_a_period_exactly_are_enough(
    hz: float, frames_a_refresh: int
) -> None:
    count = 12 if frames_a_refresh else round(12 * EDGES_PER_S / hz / (3 * SLOT))
    frames = program(max(count, 60_000), refresh_frames=frames_a_refresh)
    busy = seconds(frames) * hz % 1 < 0.01
    pattern = only(losing(frames, busy), "period")
    found, error = (
        float(pattern.figures["frequency_hz"]),
        float(pattern.figures["frequency_error_hz"]),
    )
    assert abs(found - hz) < max(4 * error, 0.01)


@pytest.mark.thorough
@pytest.mark.parametrize("hz", [60.0, 1_000.0, 16_000.0])
def test_the_period_itself_is_told_not_a_multiple_or_side_lobe(hz: float) -> None:
    # Frames in spells, as a program that computes between its pictures sends them.
    frames = program(90_000, gap_slots=2, refresh_frames=1_500)
    late = np.where(np.arange(90_000) >= 45_000, EDGES_PER_S * 73 // 100, 0).astype(np.uint64)
    frames = FrameBatch(frames.edge + late, frames.word)
    busy = seconds(frames) * hz % 1 < 0.02
    found = float(only(losing(frames, busy), "period").figures["frequency_hz"])
    assert abs(found - hz) < 0.05


@pytest.mark.thorough
@pytest.mark.parametrize("hz", [15_625.0, 31_468.5])
@pytest.mark.parametrize("refresh_frames", [0, 4_000])
def test_a_video_side_that_takes_the_bus_once_a_line_is_named(
    hz: float, refresh_frames: int
) -> None:
    """A fifth of a line, one frame in twenty of it lost, and half as many lost at random."""
    frames = program(200_000, refresh_frames=refresh_frames)
    random = np.random.default_rng(1)
    lost = (seconds(frames) * hz % 1 < 0.2) & (random.random(200_000) < 0.05)
    lost |= random.random(200_000) < 0.005
    found = only(losing(frames, lost), "period").figures
    assert abs(float(found["frequency_hz"]) - hz) < 0.2
    assert 0.1 < float(found["arc_ratio"]) < 0.3


def test_period_of_events_alone_is_exact() -> None:
    random = np.random.default_rng(1)
    events = np.arange(40) * 1234.5 + random.normal(0, 20, 40)
    frames = np.sort(random.random(5_000) * 40 * 1234.5)
    found = find_period(np.sort(events), frames, finest=8)
    assert found is not None
    assert abs(found.length - 1234.5) < 4 * found.length_error
    assert found.length_error < 1
    assert found.probability_ln < -20


# -- bursts


@pytest.mark.thorough
def test_loss_in_long_bursts_is_told_with_their_length() -> None:
    # 20 fast frames, or 300 of them, by turns.
    frames = program(160_000, gap_slots=1, refresh_frames=320)
    place = np.arange(160_000) % 320
    edge = frames.edge + np.where(place >= 20, np.uint64(20_000), np.uint64(0))
    frames = FrameBatch(edge, frames.word)
    random = np.random.default_rng(9)
    in_burst = np.where(place < 20, place, place - 20)
    lost = (in_burst >= 64) & (random.random(160_000) < 0.03)
    pattern = only(losing(frames, lost), "burst")
    assert pattern.figures == {"burst_frames": 65, "burst_gap_slots": 1}
    assert pattern.sentence.startswith(
        "missing frames begin only in bursts of 65 or more frames one slot after another: all"
    )


# -- words


def test_small_probabilities_are_written_as_one_in_a_round_number() -> None:
    assert one_in(math.log(1 / 1234)) == "1 in 1,200"
    assert one_in(-100.0) == "1 in 10^43"
