"""Time to step, and hold: the chain against formulas and against the real receiver."""

from __future__ import annotations

from dataclasses import replace
from math import inf

import numpy as np
import pytest

from busplay.analysis.soundness.acquisition import after_lost_edge, power_on
from busplay.analysis.soundness.chances import pattern_of
from busplay.analysis.soundness.frame_space import sent_frames
from busplay.analysis.soundness.hold import mean_frames_in_step
from busplay.analysis.soundness.simulation import (
    SimulatedMean,
    random_stream,
    simulate_hold,
    simulate_lost_edges,
    simulate_power_on,
    without_idle_space,
)
from busplay.analysis.soundness.weights import count_unseen
from busplay.description.link import Check, CheckFraming, Field, Link, MarkerFraming
from busplay.description.read_link import load_link
from busplay.link.layout import FrameLayout
from busplay.receiver.receiver import Receiver

# A marker of one symbol that data imitate; the check tells.
CONFIRMED = Link(
    name="confirmed",
    lanes=8,
    edges="both",
    fields=(
        Field("start", 8),
        Field("space", 2),
        Field("address", 6),
        Field("data", 8),
        Field("check", 8),
    ),
    framing=MarkerFraming(symbols=(0xA5,), rule="confirm", confirm_frames=2, release_frames=3),
    check=Check("check", "hec_i432", 7, 0, 0x55, ("start", "space", "address", "data")),
)


def with_counts(name: str, *, confirm: int, release: int = 7) -> FrameLayout:
    return FrameLayout(replace(load_link(name), framing=CheckFraming(confirm, release)))


@pytest.mark.parametrize("name", ["lean", "guarded"])
@pytest.mark.parametrize(("confirm", "release"), [(1, 7), (2, 3), (6, 7), (6, 1)])
@pytest.mark.parametrize("load", ["idle", "busy"])
def test_chain_says_what_the_receiver_does(
    name: str, confirm: int, release: int, load: str
) -> None:
    layout = with_counts(name, confirm=confirm, release=release)
    slots = pattern_of(layout, load, idle_every=None)
    told = power_on(layout, slots)
    tried = simulate_power_on(layout, slots, frames=40, trials=3_000, seed=8)
    assert tried.unlocked == 0
    assert tried.symbols.agrees_with(told.mean_symbols)
    assert told.false_ratio in tried.false_ratio
    lost = after_lost_edge(layout, slots)
    lost_tried = simulate_lost_edges(layout, slots, frames=80, trials=3_000, seed=9)
    # A false lock on the way is a detour of a few times the mean.
    assert lost_tried.symbols.agrees_with(
        lost.mean_symbols, slack=3 * lost.false_ratio * lost.mean_symbols
    )


@pytest.mark.parametrize("idle_every", [2, 3, 8])
def test_chain_follows_idle_slots_that_come_in_so_many(idle_every: int) -> None:
    for layout in (with_counts("guarded", confirm=3), FrameLayout(load_link("marked"))):
        slots = pattern_of(layout, "busy", idle_every=idle_every)
        told, lost = power_on(layout, slots), after_lost_edge(layout, slots)
        tried = simulate_power_on(layout, slots, frames=60, trials=2_000, seed=3)
        lost_tried = simulate_lost_edges(layout, slots, frames=80, trials=2_000, seed=4)
        assert tried.unlocked == lost_tried.unlocked == 0
        assert tried.symbols.agrees_with(told.mean_symbols)
        assert lost_tried.symbols.agrees_with(lost.mean_symbols)


def test_confirmed_marker_is_found_on_a_link_that_is_idle_at_times() -> None:
    layout = FrameLayout(CONFIRMED)
    slots = pattern_of(layout, "busy", idle_every=4)
    told = power_on(layout, slots)
    tried = simulate_power_on(layout, slots, frames=80, trials=2_000, seed=5)
    assert tried.symbols.agrees_with(told.mean_symbols)
    assert tried.unlocked == 0
    # Only the fourth slot shows the marker, so the wait is two slots and the confirming ones.
    assert told.mean_symbols == pytest.approx((4 * 4 - 1) / 2 + 4 + 2 * 4, rel=0.01)


def test_marker_is_never_found_on_a_link_that_is_never_idle() -> None:
    layout = FrameLayout(load_link("marked"))
    slots = pattern_of(layout, "busy", idle_every=None)
    assert power_on(layout, slots).mean_symbols == inf
    assert after_lost_edge(layout, slots).mean_symbols == inf
    tried = simulate_power_on(layout, slots, frames=50, trials=100, seed=1)
    assert tried.unlocked == 100


def test_link_whose_idle_frames_pass_everywhere_keeps_a_lost_step_for_ever() -> None:
    link = load_link("lean")
    assert link.check is not None
    layout = FrameLayout(replace(link, check=replace(link.check, xor=0)))
    slots = pattern_of(layout, "idle", idle_every=None)
    told = power_on(layout, slots)
    assert told.mean_symbols == 8 + 6 * 8
    assert told.false_ratio == 7 / 8
    assert after_lost_edge(layout, slots).mean_symbols == inf
    tried = simulate_power_on(layout, slots, frames=40, trials=1, seed=1)
    assert (tried.symbols.mean, tried.false_locks, tried.symbols.trials) == (56.0, 7, 8)


@pytest.mark.parametrize("name", ["strobed", "serial"])
def test_strobe_brings_step_with_the_next_frame(name: str) -> None:
    layout = FrameLayout(load_link(name))
    slots = pattern_of(layout, "busy", idle_every=None)
    told, lost = power_on(layout, slots), after_lost_edge(layout, slots)
    tried = simulate_power_on(layout, slots, frames=6, trials=3_000, seed=1)
    assert tried.symbols.agrees_with(told.mean_symbols)
    assert tried.false_locks == 0
    lost_tried = simulate_lost_edges(layout, slots, frames=8, trials=3_000, seed=1)
    assert lost_tried.symbols.agrees_with(lost.mean_symbols)


def test_ninety_nine_of_a_hundred_are_in_step_by_the_quantile() -> None:
    layout = with_counts("lean", confirm=2)
    slots = pattern_of(layout, "busy", idle_every=None)
    told = power_on(layout, slots)
    assert told.quantile_symbols is not None
    random = np.random.default_rng(6)
    symbols = random_stream(layout, slots, 2_000, random)
    starts = random.integers(0, 1_900 * 8, 4_000).tolist()
    receiver = Receiver(layout)

    def late_ratio(symbols_given: int) -> float:
        late = 0
        for start in starts:
            receiver.reset()
            receiver.feed_symbols(symbols[start : start + symbols_given], 0)
            late += receiver.counters.locks_gained == 0
        return late / len(starts)

    # Five standard errors of a share of 1 %.
    assert late_ratio(told.quantile_symbols) <= 0.01 + 0.008
    assert late_ratio(told.quantile_symbols - 1) >= 0.01 - 0.008


def test_hold_is_what_the_receiver_shows_under_noise() -> None:
    for name, rate in (("lean", 0.03), ("guarded", 0.025)):
        layout = FrameLayout(load_link(name))
        unseen = count_unseen(layout.syndrome_columns)
        mean = mean_frames_in_step(1 - unseen.right_chance(rate), 7)
        tried = simulate_hold(
            layout,
            sent_frames(layout),
            bit_error_rate=rate,
            expected_frames=mean,
            trials=400,
            seed=2,
        )
        assert tried.agrees_with(mean)
        assert not tried.agrees_with(2 * mean)


def test_hold_has_no_end_without_noise_and_none_at_all_if_every_frame_is_wrong() -> None:
    assert mean_frames_in_step(0.0, 7) == inf
    assert mean_frames_in_step(1.0, 7) == 7
    assert mean_frames_in_step(1e-60, 7) == inf
    assert mean_frames_in_step(0.5, 1) == pytest.approx(2)
    assert mean_frames_in_step(0.5, 2) == pytest.approx(6)


def test_strobe_cannot_be_asked_to_hold() -> None:
    layout = FrameLayout(load_link("strobed"))
    with pytest.raises(ValueError, match="never lets go"):
        simulate_hold(
            layout,
            sent_frames(layout),
            bit_error_rate=0.1,
            expected_frames=10,
            trials=1,
            seed=1,
        )


def test_renamed_space_leaves_all_else_as_it_is() -> None:
    layout = FrameLayout(load_link("guarded"))
    other = FrameLayout(without_idle_space(layout.link))
    assert other.syndrome_columns == layout.syndrome_columns
    assert other.idle_word == layout.idle_word
    assert other.link.field_named("space") is None


def test_agreement_is_within_the_simulations_error() -> None:
    found = SimulatedMean(10.0, 0.5, 100)
    assert found.agrees_with(12.2)
    assert not found.agrees_with(12.3)
    assert found.agrees_with(12.3, slack=0.1)
