"""Time to step, and hold: the chain against formulas and against the real receiver."""

from __future__ import annotations

from dataclasses import replace
from math import inf

import numpy as np
import pytest

from busplay.analysis.soundness.acquisition import _tail, after_lost_edge, power_on
from busplay.analysis.soundness.chances import pattern_of
from busplay.analysis.soundness.frame_space import sent_frames
from busplay.analysis.soundness.hold import (
    frames_to_first_losses,
    mean_frames_in_step,
    simulate_hold,
)
from busplay.analysis.soundness.simulation import (
    SimulatedMean,
    noise,
    random_stream,
    sample_quantile,
    simulate_lost_edges,
    simulate_power_on,
    without_idle_space,
)
from busplay.analysis.soundness.weights import count_unseen
from busplay.description.link import Check, CheckFraming, Field, Link, MarkerFraming
from busplay.link.layout import FrameLayout
from busplay.link.load import load_link
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
    tried = simulate_power_on(layout, slots, mean_symbols=told.mean_symbols, trials=3_000, seed=8)
    lost = after_lost_edge(layout, slots)
    lost_tried = simulate_lost_edges(
        layout, slots, mean_symbols=lost.mean_symbols, trials=3_000, seed=9
    )
    for chain, receiver in ((told, tried), (lost, lost_tried)):
        assert receiver.unlocked == 0
        assert receiver.symbols.agrees_with(chain.mean_symbols)
        assert receiver.quantile.agrees_with(chain.quantile_symbols)
        assert receiver.false_ratio.low - 1e-9 <= chain.false_ratio
        assert chain.false_ratio <= receiver.false_ratio.high + 1e-9


@pytest.mark.parametrize("idle_every", [2, 3, 8])
def test_chain_follows_idle_slots_that_come_in_so_many(idle_every: int) -> None:
    for layout in (with_counts("guarded", confirm=3), FrameLayout(load_link("marked"))):
        slots = pattern_of(layout, "busy", idle_every=idle_every)
        told, lost = power_on(layout, slots), after_lost_edge(layout, slots)
        tried = simulate_power_on(
            layout, slots, mean_symbols=told.mean_symbols, trials=2_000, seed=3
        )
        lost_tried = simulate_lost_edges(
            layout, slots, mean_symbols=lost.mean_symbols, trials=2_000, seed=4
        )
        assert tried.unlocked == lost_tried.unlocked == 0
        assert tried.symbols.agrees_with(told.mean_symbols)
        assert lost_tried.symbols.agrees_with(lost.mean_symbols)


def test_confirmed_marker_is_found_on_a_link_that_is_idle_at_times() -> None:
    layout = FrameLayout(CONFIRMED)
    slots = pattern_of(layout, "busy", idle_every=4)
    told = power_on(layout, slots)
    tried = simulate_power_on(layout, slots, mean_symbols=told.mean_symbols, trials=2_000, seed=5)
    assert tried.symbols.agrees_with(told.mean_symbols)
    assert tried.unlocked == 0
    # Only the fourth slot shows the marker, so the wait is two slots and the confirming ones.
    assert told.mean_symbols == pytest.approx((4 * 4 - 1) / 2 + 4 + 2 * 4, rel=0.01)


def test_marker_is_never_found_on_a_link_that_is_never_idle() -> None:
    layout = FrameLayout(load_link("marked"))
    slots = pattern_of(layout, "busy", idle_every=None)
    assert power_on(layout, slots).mean_symbols == inf
    assert after_lost_edge(layout, slots).mean_symbols == inf
    tried = simulate_power_on(layout, slots, mean_symbols=50, trials=100, seed=1)
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
    tried = simulate_power_on(layout, slots, mean_symbols=told.mean_symbols, trials=1, seed=1)
    assert (tried.symbols.mean, tried.false_locks, tried.symbols.trials) == (56.0, 7, 8)


@pytest.mark.parametrize("name", ["strobed", "serial"])
def test_strobe_brings_step_with_the_next_frame(name: str) -> None:
    layout = FrameLayout(load_link(name))
    slots = pattern_of(layout, "busy", idle_every=None)
    told, lost = power_on(layout, slots), after_lost_edge(layout, slots)
    tried = simulate_power_on(layout, slots, mean_symbols=told.mean_symbols, trials=3_000, seed=1)
    assert tried.symbols.agrees_with(told.mean_symbols)
    assert tried.false_locks == 0
    lost_tried = simulate_lost_edges(
        layout, slots, mean_symbols=lost.mean_symbols, trials=3_000, seed=1
    )
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
            late += receiver.counters.syncs_gained == 0
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
        assert tried.frames.agrees_with(mean)
        assert not tried.frames.agrees_with(2 * mean)
        first = frames_to_first_losses(1 - unseen.right_chance(rate), 7)
        assert tried.first_losses.agrees_with(first)
        assert not tried.first_losses.agrees_with(mean)


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


def test_agreement_is_within_four_standard_errors() -> None:
    found = SimulatedMean(10.0, 0.5, 100)
    assert found.range == (8.0, 12.0)
    assert found.agrees_with(12.0)
    assert not found.agrees_with(12.1)


def test_range_of_a_quantile_is_between_trials_of_the_ranks_that_can_be_its() -> None:
    found = sample_quantile(list(range(1, 2_001)), 0.99, is_all=False)
    # The rank is 1980 with a standard error of 4.4.
    assert (found.value, found.low, found.high) == (1980, 1962, 1999)
    few = sample_quantile(list(range(100)), 0.99, is_all=False)
    assert (few.value, few.high) == (98, inf)
    assert few.agrees_with(1e6)
    whole = sample_quantile([5, 1, 3], 0.99, is_all=True)
    assert (whole.low, whole.high) == (5, 5)


def test_noise_flips_bits_of_lanes_at_its_rate_and_never_the_strobe() -> None:
    layout = FrameLayout(load_link("strobed"))
    wrong = noise(layout, 200_000, 0.01, np.random.default_rng(3))
    assert wrong.dtype == layout.symbol_dtype
    assert not (wrong & layout.strobe_mask).any()
    for lane in range(layout.lanes):
        flips = int((wrong >> lane & 1).sum())
        assert flips == pytest.approx(2_000, abs=5 * 2_000**0.5)


@pytest.mark.parametrize("spare_bits", [0, 20])
def test_chain_follows_a_check_register_that_steps_on_by_one_bit(spare_bits: int) -> None:
    # On one lane neighbouring places share all bits but two, and runs of constant bits make one
    # place's syndrome that of the next: places by themselves would be 5 % off.
    lean = load_link("lean")
    fields = (*lean.fields[:3], Field("spare", spare_bits), *lean.fields[3:])
    fields = tuple(one for one in fields if one.bits)
    assert lean.check is not None
    covers = tuple(one.name for one in fields if one.name != "check")
    link = replace(lean, lanes=1, fields=fields, check=replace(lean.check, covers=covers))
    layout = FrameLayout(link)
    slots = pattern_of(layout, "busy", idle_every=None)
    for chain, simulate in (
        (power_on(layout, slots), simulate_power_on),
        (after_lost_edge(layout, slots), simulate_lost_edges),
    ):
        tried = simulate(layout, slots, mean_symbols=chain.mean_symbols, trials=3_000, seed=2)
        assert tried.symbols.agrees_with(chain.mean_symbols)
        assert tried.quantile.agrees_with(chain.quantile_symbols)


@pytest.mark.parametrize("rate", [1e-2, 1e-3])
@pytest.mark.parametrize("name", ["lean", "guarded"])
def test_chain_says_what_the_receiver_does_with_bit_errors(name: str, rate: float) -> None:
    layout = FrameLayout(load_link(name))
    slots = pattern_of(layout, "busy", idle_every=None)
    told = power_on(layout, slots, bit_error_rate=rate)
    assert told.mean_symbols > 1.1 * power_on(layout, slots).mean_symbols
    tried = simulate_power_on(
        layout,
        slots,
        mean_symbols=told.mean_symbols,
        trials=2_000,
        seed=11,
        bit_error_rate=rate,
    )
    assert tried.unlocked == 0
    assert tried.symbols.agrees_with(told.mean_symbols)
    assert tried.quantile.agrees_with(told.quantile_symbols)


def test_rate_of_zero_is_no_noise() -> None:
    layout = FrameLayout(load_link("lean"))
    slots = pattern_of(layout, "busy", idle_every=None)
    assert power_on(layout, slots, bit_error_rate=0.0) == power_on(layout, slots)
    faint = power_on(layout, slots, bit_error_rate=1e-12)
    assert faint.mean_symbols == pytest.approx(power_on(layout, slots).mean_symbols, rel=1e-6)


@pytest.mark.parametrize("idle_every", [20, 90])
def test_many_places_are_worked_out_as_few_are(idle_every: int) -> None:
    # 160 places are solved in one go, 720 in sweeps; both must be what the receiver does.
    layout = FrameLayout(load_link("marked"))
    slots = pattern_of(layout, "busy", idle_every=2 * idle_every)
    told = power_on(layout, slots)
    # The next idle frame's start, at any distance as likely, and that frame.
    places = 2 * idle_every * layout.frame_symbols
    assert told.mean_symbols == pytest.approx((places - 1) / 2 + layout.frame_symbols)
    assert told.false_ratio == 0


def test_tail_of_the_distribution_is_where_running_it_to_the_end_would_be() -> None:
    left = [0.9 * 0.99**time for time in range(60)]
    exact = next(time for time in range(10_000) if 0.9 * 0.99**time <= 0.01)
    assert _tail(left, 8) == exact
    assert _tail(left[:20], 8) is None
    uneven = [one + (0.01 if i % 7 == 0 else 0) for i, one in enumerate(left)]
    assert _tail(uneven, 8) is None


def test_first_losses_are_followed_exactly_and_join_the_exponential() -> None:
    # By the third frame 0.3^3 have let go; with 0.2 it takes one more: 0.2^3 (1 + 0.8) = 0.0144.
    assert frames_to_first_losses(0.3, 3) == 3
    assert frames_to_first_losses(0.2, 3) == 4
    assert frames_to_first_losses(1.0, 7) == 7
    for chance in (0.171, 0.1735):
        mean = mean_frames_in_step(chance, 7)
        assert frames_to_first_losses(chance, 7) == pytest.approx(0.01005 * mean, rel=0.01)
