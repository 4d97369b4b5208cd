"""Whether an analyser can see a link: the trial's answer, and the rules of thumb beside it."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from math import ceil

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from busplay.analysis.sampling.sampling import Sampling
from busplay.analysis.sampling.trial import (
    FRAMES,
    SamplingTrial,
    frames_for_trial,
    random_frames,
)
from busplay.analysis.sampling.visibility import Answer, can_it_see, judge
from busplay.link.layout import FrameLayout
from busplay.link.load import load_link
from tests.strategies import links

MHZ = 1_000_000
SHIPPED = ("guarded", "lean", "strobed", "marked", "serial")


def sampling_of(name: str, rate_hz: int, **more: object) -> Sampling:
    link = load_link(name)
    return Sampling(link, link.clock_hz or 8 * MHZ, rate_hz, **more)  # type: ignore[arg-type]


@pytest.mark.thorough
@pytest.mark.parametrize(
    ("name", "rate_mhz", "answer"),
    [
        ("guarded", 12, Answer.NO),
        ("guarded", 17, Answer.STEADY_CLOCK_AND_CHECK),
        ("guarded", 24, Answer.STEADY_CLOCK_AND_CHECK),
        ("guarded", 33, Answer.STEADY_CLOCK_AND_CHECK),
        ("guarded", 50, Answer.YES),
        ("guarded", 100, Answer.YES),
        ("lean", 44, Answer.STEADY_CLOCK_AND_CHECK),
        ("strobed", 17, Answer.STEADY_CLOCK_AND_CHECK),
        ("strobed", 33, Answer.YES),
        ("marked", 12, Answer.NO),
        ("marked", 20, Answer.STEADY_CLOCK),
        ("marked", 30, Answer.YES),
        ("serial", 60, Answer.NO),
        ("serial", 90, Answer.STEADY_CLOCK_AND_CHECK),
        ("serial", 133, Answer.YES),
    ],
)
def test_answer_for_shipped_links(name: str, rate_mhz: int, answer: Answer) -> None:
    report = can_it_see(name, rate_mhz * MHZ, frames=2_000, seed=2)
    assert report.answer is answer
    assert report.trial is not None
    assert report.trial.is_clean is (answer is not Answer.NO)


@given(st.data())
@settings(max_examples=25, suppress_health_check=[HealthCheck.too_slow])
def test_any_link_is_seen_with_more_than_three_samples_an_edge(data: st.DataObject) -> None:
    link = replace(data.draw(links()), clock_hz=8 * MHZ)
    rate_hz = int(2 * 8 * MHZ * data.draw(st.floats(3.1, 9)))
    report = can_it_see(link, rate_hz, frames=120, seed=data.draw(st.integers(0, 9)))
    assert report.answer is Answer.YES
    assert report.trial is not None
    assert report.trial.lost == 0


def test_late_lanes_and_jitter_are_in_the_trial() -> None:
    clean = can_it_see("lean", 48 * MHZ, frames=2_000)
    # More than half of a symbol, and half of the time that a level has to spare.
    late = can_it_see("lean", 48 * MHZ, frames=2_000, skew_ps=(0, 40_000))
    shaken = can_it_see("lean", 48 * MHZ, frames=2_000, jitter_ps=15_000)
    assert [one.answer for one in (clean, late, shaken)] == [Answer.YES, Answer.NO, Answer.NO]


def test_trial_decides() -> None:
    sampling = sampling_of("guarded", 100 * MHZ)
    good = SamplingTrial(1_000, 1_000, 0, 0, 0, 0, 9_000, 0, 0.0, 1)
    assert judge(sampling, good)[0] is Answer.YES
    few = judge(sampling, replace(good, intact=995, lost=5, checks_failed=5))
    assert few == (
        Answer.STEADY_CLOCK_AND_CHECK,
        [
            "5 of 1,000 frames do not come out as sent.",
            "Where the clock is steady, its edges are known better than a sample.",
            "The check finds frames read wrong.",
        ],
    )
    assert judge(sampling, replace(good, intact=900, lost=100))[0] is Answer.NO
    answer, reasons = judge(sampling, replace(good, spurious=1, intact=999, lost=1))
    assert answer is Answer.NO
    assert reasons == ["1 of 1,000 frames do not come out as sent, and 1 are spurious."]


def test_too_few_channels_are_a_no_however_fast() -> None:
    report = can_it_see("strobed", 500 * MHZ, channels=7, frames=100)
    assert report.answer is Answer.NO
    assert report.reasons == ("The link has 8 wires, the analyser 7 channels.",)


def test_nothing_to_sample_is_said_and_no_error() -> None:
    report = can_it_see("lean", 1_000, frames=2_000)
    assert report.answer is Answer.NO
    assert report.trial is not None
    assert str(report.trial.refused).startswith("0 changes in the first ")


def test_trials_stay_short() -> None:
    assert frames_for_trial(sampling_of("serial", 100 * MHZ), FRAMES) == FRAMES
    assert 100 <= frames_for_trial(sampling_of("serial", 5_000 * MHZ), FRAMES) < FRAMES
    fast = can_it_see("serial", 10**12)
    assert (fast.trial, fast.answer) == (None, Answer.YES)


# -- rules of thumb


def samples_within(first: Fraction, stop: Fraction, phase: Fraction, period: Fraction) -> int:
    """Count samples at phase, phase + period, … from first on and before stop."""
    return ceil((stop - phase) / period) - ceil((first - phase) / period)


@given(st.sampled_from(SHIPPED), st.integers(1 * MHZ, 400 * MHZ), st.fractions(0, 1))
def test_every_level_is_seen_exactly_above_the_rate_that_is_named(
    name: str, rate_hz: int, phase: Fraction
) -> None:
    sampling = sampling_of(name, rate_hz)
    level = sampling.symbol_ps * sampling.link.edges_per_cycle / 2
    count = samples_within(Fraction(0), level, phase * sampling.sample_ps, sampling.sample_ps)
    assert sampling.every_level_hz is not None
    if rate_hz > sampling.every_level_hz:
        assert count >= 1
    else:
        # Some phase shows nothing: the sample before lies just before the level.
        hair = sampling.sample_ps / 10**9
        assert samples_within(Fraction(0), level - 2 * hair, -hair, sampling.sample_ps) == 0


@given(
    st.sampled_from(SHIPPED),
    st.integers(1 * MHZ, 400 * MHZ),
    st.fractions(0, 1),
    st.integers(-9_000, 9_000),
)
def test_a_sample_behind_an_edge_shows_its_symbol_from_the_rate_that_is_named(
    name: str, rate_hz: int, phase: Fraction, skew_ps: int
) -> None:
    sampling = sampling_of(name, rate_hz, skew_ps=(skew_ps,))
    if sampling.order_hz is None or rate_hz <= sampling.order_hz:
        return
    edge = sampling.symbol_ps / 2
    start = phase * sampling.sample_ps
    seen = start + ceil((edge - start) / sampling.sample_ps) * sampling.sample_ps
    assert skew_ps <= seen < skew_ps + sampling.symbol_ps


def test_jitter_and_skew_raise_the_rates() -> None:
    plain, worse = (
        sampling_of("guarded", MHZ, **more)
        for more in ({}, {"jitter_ps": 2_000, "skew_ps": (0, -5_000)})
    )
    assert (plain.every_level_hz, plain.order_hz, plain.usual_hz) == (16 * MHZ, 32 * MHZ, 64 * MHZ)
    assert worse.every_level_hz == ceil(Fraction(10**12, 62_500 - 2 * 3 * 2_000))
    assert worse.order_hz == ceil(Fraction(10**12, 31_250 - 5_000 - 3 * 2_000))
    hopeless = sampling_of("guarded", MHZ, jitter_ps=20_000)
    assert (hopeless.every_level_hz, hopeless.order_hz) == (None, None)


@pytest.mark.parametrize("name", SHIPPED)
def test_random_frames_are_valid_not_idle_and_counted(name: str) -> None:
    link = load_link(name)
    layout = FrameLayout(link)
    frames = random_frames(link, 500, seed=4)
    assert layout.is_valid(frames.word).all()
    assert not layout.is_idle(frames.word).any()
    assert (np.diff(frames.edge.astype(np.int64)) >= layout.slot_symbols).all()
    if link.field_named("sequence") is not None:
        bits = len(layout.bit_places("sequence"))
        found = layout.unpack_field(frames.word, "sequence").tolist()
        assert found == [n % (1 << bits) for n in range(500)]
