"""What was worked out, against captures that are made and decoded."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from busplay.analysis.sampling.trial import (
    FRAMES,
    Trial,
    frames_for_trial,
    random_frames,
    spelled,
    symbols_of,
    try_it,
)
from busplay.analysis.sampling.verdict import Answer, Verdict, judge
from busplay.analysis.sampling.visibility import Sampling
from busplay.link.layout import FrameLayout
from busplay.link.load import load_link
from tests.strategies import links

MHZ = 1_000_000


def asked(sampling: Sampling, *, frames: int = 2_000, seed: int = 2) -> Verdict:
    sent = random_frames(sampling.link, frames, seed=seed)
    stretches = spelled(sent, FrameLayout(sampling.link))
    trial = try_it(sampling, sent, stretches, seed=seed)
    return judge(sampling, symbols_of(stretches), trial)


@pytest.mark.parametrize(
    ("name", "rate_mhz", "answer"),
    [
        ("guarded", 12, Answer.NO),
        ("guarded", 17, Answer.ONLY),
        ("guarded", 24, Answer.ONLY),
        ("guarded", 33, Answer.ONLY),
        ("guarded", 50, Answer.YES),
        ("guarded", 100, Answer.YES),
        ("lean", 28, Answer.ONLY),
        ("lean", 44, Answer.ONLY),
        ("strobed", 17, Answer.ONLY),
        ("strobed", 33, Answer.YES),
        ("marked", 12, Answer.NO),
        ("marked", 20, Answer.ONLY_STEADY),
        ("marked", 30, Answer.YES),
        ("serial", 60, Answer.NO),
        ("serial", 90, Answer.ONLY),
        ("serial", 133, Answer.YES),
        ("serial", 333, Answer.YES),
    ],
)
def test_what_is_expected_is_what_the_decoder_finds(
    name: str, rate_mhz: int, answer: Answer
) -> None:
    link = load_link(name)
    verdict = asked(Sampling(link, link.clock_hz or 8 * MHZ, rate_mhz * MHZ))
    assert verdict.answer is answer
    trial = verdict.trial
    assert trial is not None
    if answer is Answer.NO:
        assert trial.right == 0
        return
    assert verdict.expects_all_frames
    assert trial.is_clean
    assert trial.doubt_ratio == pytest.approx(verdict.doubt_ratio, abs=0.07)
    assert (trial.symbols_in_doubt > 0) == (verdict.doubt_ratio > 0)


@given(st.data())
@settings(max_examples=25, suppress_health_check=[HealthCheck.too_slow])
def test_any_link_that_is_seen_without_doubt_comes_out_whole(data: st.DataObject) -> None:
    link = replace(data.draw(links()), clock_hz=8 * MHZ)
    samples = data.draw(st.floats(3.1, 9))
    rate_hz = int(2 * 8 * MHZ * samples)
    verdict = asked(Sampling(link, 8 * MHZ, rate_hz), frames=120, seed=data.draw(st.integers(0, 9)))
    assert verdict.doubt_ratio == 0
    assert verdict.trial is not None
    assert verdict.trial.lost == 0
    assert verdict.answer is Answer.YES


@given(st.data())
@settings(max_examples=25, suppress_health_check=[HealthCheck.too_slow])
def test_any_link_comes_out_whole_where_that_is_expected_of_few_samples_too(
    data: st.DataObject,
) -> None:
    link = replace(data.draw(links()), clock_hz=8 * MHZ)
    rate_hz = int(2 * 8 * MHZ * data.draw(st.floats(1.15, 3.1)))
    verdict = asked(Sampling(link, 8 * MHZ, rate_hz), frames=200, seed=data.draw(st.integers(0, 9)))
    trial = verdict.trial
    assert trial is not None
    if verdict.expects_all_frames:
        assert trial.is_clean
    # Near an exact ratio a short trial does not come by all phases.
    assert trial.doubt_ratio == pytest.approx(verdict.doubt_ratio, abs=0.3)


def test_late_lanes_and_jitter_are_put_into_the_trial_too() -> None:
    link = load_link("lean")
    clean = asked(Sampling(link, 8 * MHZ, 48 * MHZ))
    late = asked(Sampling(link, 8 * MHZ, 48 * MHZ, skew_ps=(0, 9_000, -9_000)))
    assert clean.answer is Answer.YES
    assert late.answer is Answer.ONLY
    assert clean.trial is not None
    assert late.trial is not None
    assert clean.trial.doubt_ratio < 0.01 < late.trial.doubt_ratio
    shaken = asked(Sampling(link, 8 * MHZ, 48 * MHZ, jitter_ps=9_000))
    assert shaken.answer is Answer.NO


def test_a_trial_that_fails_has_the_last_word() -> None:
    sampling = Sampling(load_link("guarded"), 8 * MHZ, 100 * MHZ)
    good = Trial(1_000, 1_000, 0, 0, 0, 9_000, 0, 1)
    assert judge(sampling, None, good).answer is Answer.YES
    few = judge(sampling, None, replace(good, right=995, damaged=5))
    assert few.answer is Answer.ONLY
    assert few.reasons[-1] == "Tried, 5 of 1,000 frames did not come out as they were sent."
    assert judge(sampling, None, replace(good, right=900)).answer is Answer.NO
    wrong = judge(sampling, None, replace(good, wrong=1, right=999))
    assert wrong.answer is Answer.NO
    assert wrong.reasons == (
        "Tried, 1 of 1,000 frames did not come out as they were sent, and 1 came that nobody"
        " had sent.",
    )


def test_too_few_channels_are_a_no_however_fast() -> None:
    verdict = judge(Sampling(load_link("strobed"), 8 * MHZ, 500 * MHZ, channels=7))
    assert verdict.answer is Answer.NO
    assert verdict.reasons == ("The link has 8 wires, the analyser 7 channels.",)


def test_nothing_to_sample_is_said_and_no_error() -> None:
    verdict = asked(Sampling(load_link("lean"), 8 * MHZ, 1_000))
    assert verdict.answer is Answer.NO
    assert verdict.trial is not None
    assert verdict.trial.refused.startswith("0 changes in the first ")


def test_trials_stay_short() -> None:
    link = load_link("serial")
    assert frames_for_trial(Sampling(link, 40 * MHZ, 100 * MHZ), FRAMES) == FRAMES
    some = frames_for_trial(Sampling(link, 40 * MHZ, 5_000 * MHZ), FRAMES)
    assert 100 <= some < FRAMES
    assert frames_for_trial(Sampling(link, 40 * MHZ, 10**12), FRAMES) == 0
