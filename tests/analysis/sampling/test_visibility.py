"""What an analyser can promise, against samples taken one by one."""

from __future__ import annotations

from fractions import Fraction
from math import ceil

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busplay.analysis.sampling.trial import random_frames, spelled, symbols_of
from busplay.analysis.sampling.visibility import (
    Sampling,
    doubt_range,
    doubt_ratio,
    doubts,
    no_doubt_hz,
)
from busplay.link.layout import FrameLayout
from busplay.link.load import load_link
from busplay.units import PS_PER_S

MHZ = 1_000_000
SHIPPED = ("guarded", "lean", "strobed", "marked", "serial")


def sampling_of(name: str, rate_hz: int, **more: object) -> Sampling:
    link = load_link(name)
    return Sampling(link, link.clock_hz or 8 * MHZ, rate_hz, **more)  # type: ignore[arg-type]


def samples_within(first: Fraction, stop: Fraction, phase: Fraction, period: Fraction) -> int:
    """Count samples at phase, phase + period, … from first on and before stop."""
    return ceil((stop - phase) / period) - ceil((first - phase) / period)


@given(
    st.sampled_from(SHIPPED),
    st.integers(1 * MHZ, 400 * MHZ),
    st.fractions(0, 1),
    st.integers(0, 1000),
)
def test_every_level_is_seen_exactly_where_that_is_promised(
    name: str, rate_hz: int, phase: Fraction, level: int
) -> None:
    sampling = sampling_of(name, rate_hz)
    first = level * sampling.level_ps
    count = samples_within(
        first, first + sampling.level_ps, phase * sampling.sample_ps, sampling.sample_ps
    )
    if sampling.sees_every_level:
        assert count >= 1
    else:
        # Some phase shows nothing: the sample before lies just before the level.
        hair = sampling.sample_ps / 10**9
        missed = samples_within(
            first, first + sampling.level_ps - 2 * hair, first - hair, sampling.sample_ps
        )
        assert missed == 0


@given(
    st.sampled_from(SHIPPED),
    st.integers(1 * MHZ, 400 * MHZ),
    st.fractions(0, 1),
    st.integers(-9_000, 9_000),
    st.integers(0, 1000),
)
def test_the_sample_at_which_an_edge_is_seen_shows_its_symbol_where_order_is_sure(
    name: str, rate_hz: int, phase: Fraction, skew_ps: int, symbol: int
) -> None:
    sampling = sampling_of(name, rate_hz, skew_ps=(skew_ps,))
    if not sampling.sees_order:
        return
    edge = symbol * sampling.symbol_ps + sampling.symbol_ps / 2
    begins = symbol * sampling.symbol_ps + skew_ps
    start = phase * sampling.sample_ps
    seen = start + ceil((edge - start) / sampling.sample_ps) * sampling.sample_ps
    assert begins <= seen < begins + sampling.symbol_ps


@given(
    st.sampled_from(SHIPPED), st.integers(1 * MHZ, 900 * MHZ), st.lists(st.integers(-9_000, 9_000))
)
def test_rates_that_are_named_are_enough_and_less_is_not(
    name: str, rate_hz: int, skews: list[int]
) -> None:
    asked = sampling_of(name, rate_hz, skew_ps=tuple(skews))

    def at(rate: int) -> Sampling:
        return sampling_of(name, rate, skew_ps=tuple(skews))

    assert asked.every_level_hz is not None
    assert at(asked.every_level_hz + 1).sees_every_level
    assert not at(asked.every_level_hz).sees_every_level
    if asked.order_hz is not None:
        # One more: where nothing is late the two limits are one, and a level needs more.
        assert at(asked.order_hz + 1).sees_order
        assert not at(asked.order_hz - 1).sees_order
    assert asked.usual_hz == 8 * asked.clock_hz
    assert not at(asked.usual_hz).follows_steady_clock
    assert at(asked.usual_hz - 1).follows_steady_clock


@given(st.sampled_from(SHIPPED), st.lists(st.integers(-9_000, 9_000), max_size=3))
@settings(max_examples=20)
def test_no_symbol_is_in_doubt_from_the_rate_that_is_named(name: str, skews: list[int]) -> None:
    def at(rate: int) -> Sampling:
        return sampling_of(name, rate, skew_ps=tuple(skews))

    enough = no_doubt_hz(at(MHZ))
    if enough is None:
        return
    for more in (0, 1, 7):
        assert doubt_ratio(at(enough + enough * more // 50 + 1)) == pytest.approx(0, abs=0.02)
    assert doubt_ratio(at(int(enough * 0.97))) > 0


def test_jitter_shortens_levels_and_gaps_by_what_edges_stray() -> None:
    sampling = sampling_of("guarded", 24 * MHZ, jitter_ps=2_000, skew_ps=(0, -5_000))
    assert sampling.least_level_ps == 62_500 - 2 * 3 * 2_000
    assert sampling.least_gap_ps == 31_250 - 5_000 - 3 * 2_000
    hopeless = sampling_of("guarded", 24 * MHZ, jitter_ps=20_000)
    assert (hopeless.every_level_hz, hopeless.order_hz) == (None, None)


def test_share_in_doubt_falls_with_the_rate_as_worked_out_by_hand() -> None:
    # One lane without skew: a change is seen u samples late, u even from 0 to 1; the moment
    # lies (symbol - 1) / 2 before the first, so a change is in doubt if u < (3 - symbol) / 2.
    link = load_link("serial")
    for samples in (Fraction(5, 4), Fraction(3, 2), Fraction(2), Fraction(5, 2), Fraction(3)):
        sampling = Sampling(link, 40 * MHZ, int(40 * MHZ * samples))
        ratio = sum(one.ratio for one in doubts(sampling) if one.mask & 1)
        assert ratio == pytest.approx(max(0, min(1, float(3 - samples) / 2)), abs=1e-3)


def test_only_changes_put_symbols_in_doubt() -> None:
    sampling = sampling_of("lean", 24 * MHZ)
    still = np.zeros(1_000, np.uint8)
    assert doubt_ratio(sampling, still) == 0
    restless = np.arange(1_000).astype(np.uint8) % 2
    assert doubt_ratio(sampling, restless) == pytest.approx(0.75, abs=2e-3)
    # A lane changes by chance at every second edge, so any of four at 15 of 16.
    assert doubt_ratio(sampling) == pytest.approx(0.75 * 15 / 16, abs=2e-3)


def test_an_exact_ratio_has_few_phases_and_others_have_no_range() -> None:
    least, most = doubt_range(sampling_of("guarded", 24 * MHZ)) or (0.0, 0.0)
    # 1.5 samples a symbol: every other change falls alike, and one kind is in doubt for sure.
    assert least == pytest.approx(31 / 32 / 2)
    assert most == pytest.approx(31 / 32)
    assert doubt_range(sampling_of("guarded", 24_024_001)) is None
    assert doubt_range(sampling_of("guarded", 64 * MHZ)) == (0, 0)


def test_wires_and_channels_are_counted() -> None:
    assert sampling_of("strobed", MHZ).wires == 8
    assert sampling_of("strobed", MHZ, channels=8).has_channels
    assert not sampling_of("strobed", MHZ, channels=7).has_channels
    assert sampling_of("strobed", MHZ).has_channels


def test_samples_an_edge_are_those_of_a_clock_level() -> None:
    sampling = sampling_of("strobed", 24 * MHZ)
    assert sampling.samples_per_cycle == 3
    assert sampling.samples_per_edge == Fraction(3, 2)
    assert sampling.symbol_ps == Fraction(PS_PER_S, 8 * MHZ)


@pytest.mark.parametrize("name", SHIPPED)
def test_random_frames_are_right_not_idle_and_counted(name: str) -> None:
    link = load_link(name)
    layout = FrameLayout(link)
    frames = random_frames(link, 500, seed=4)
    assert layout.is_right(frames.word).all()
    assert not layout.is_idle(frames.word).any()
    assert (np.diff(frames.edge.astype(np.int64)) >= layout.slot_symbols).all()
    if link.field_named("sequence") is not None:
        bits = len(layout.bit_places("sequence"))
        found = layout.unpack_field(frames.word, "sequence").tolist()
        assert found == [n % (1 << bits) for n in range(500)]
    assert len(symbols_of(spelled(frames, layout))) % layout.slot_symbols == 0
