"""Coming into sync: what is worked out against what real receivers do, class by class."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from busplay.analysis.intervals import wilson_interval
from busplay.analysis.soundness.chain import chain_times, mean_frames_in_sync, noisy_power_on
from busplay.analysis.soundness.passing import are_independent
from busplay.analysis.soundness.sync import (
    SyncFigures,
    frames_to_first_losses,
    rate_figures,
    sync_figures,
    with_idle_slots,
)
from busplay.analysis.soundness.traffic import (
    Traffic,
    TrafficKind,
    draw_rings,
    pattern_of,
    traffic_of,
)
from busplay.analysis.soundness.walk import NEVER, Walk
from busplay.analysis.soundness.weights import count_undetected
from busplay.description.link import Check, CheckFraming, Field, Link, MarkerFraming, StrobeFraming
from busplay.link.layout import FrameLayout
from busplay.link.load import load_link
from tests.analysis.soundness.receivers import lost_frames, power_on_symbols
from tests.boards import with_xor
from tests.strategies import links

# One in 300,000 of those that are right is outside.
ERRORS = 4.5
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
    idle_every=4,
)


def one_lane(spare_bits: int) -> Link:
    """On one lane neighbouring places share all bits but two."""
    lean = load_link("lean")
    fields = (*lean.fields[:3], Field("spare", spare_bits), *lean.fields[3:])
    fields = tuple(one for one in fields if one.bits)
    assert lean.check is not None
    covers = tuple(one.name for one in fields if one.name != "check")
    return replace(lean, lanes=1, fields=fields, check=replace(lean.check, covers=covers))


def counted_link() -> Link:
    """A link of 30 bits whose sequence field stands behind the address."""
    fields = (
        Field("space", 2),
        Field("unit", 1),
        Field("address", 12),
        Field("sequence", 3),
        Field("data", 8),
        Field("check", 4),
    )
    covers = tuple(one.name for one in fields[:-1])
    check = Check("check", "custom", 0x3, 0, 0xF, covers)
    return Link("counted", 3, "both", fields, CheckFraming(), check)


LINKS = {
    "lean": load_link("lean"),
    "guarded": load_link("guarded"),
    "guarded, quick": replace(load_link("guarded"), framing=CheckFraming(1, 2)),
    "lean, idle slots": replace(load_link("lean"), idle_every=5),
    "lean, XOR 10": with_xor(load_link("lean"), 10),
    "lean, one lane": one_lane(0),
    "lean, one lane, 52 bits": one_lane(20),
    "30 bits": counted_link(),
    "marked": replace(load_link("marked"), idle_every=8),
    "confirmed": CONFIRMED,
}


def walked_lost_frames(layout: FrameLayout, traffic: Traffic, most: int) -> NDArray[np.int64]:
    """Return what walks say of frames lost, `most` where it is more."""
    rings = draw_rings(layout, traffic, seed=99)
    walk = Walk(layout, rings.words)
    places = np.sort(np.random.default_rng(98).integers(0, walk.places, 40_000))
    symbols = walk.lost_edge(places).true_symbols
    frames = (places % layout.frame_symbols + 1 + symbols) // layout.frame_symbols
    return np.where(symbols < NEVER, np.minimum(frames, most), most)


def assert_alike(
    found: NDArray[np.int64], worked_out: NDArray[np.int64], thresholds: list[float]
) -> None:
    """Hold the share of trials above each threshold against what was worked out."""
    for threshold in thresholds:
        share = float((worked_out > threshold).mean())
        seen = int((found > threshold).sum())
        spread = ERRORS * (share * (1 - share) / len(worked_out)) ** 0.5 + 1e-4
        low, high = wilson_interval(seen, len(found), quantile=ERRORS)
        assert low - spread <= share <= high + spread, (threshold, share, seen, len(found))


@pytest.mark.thorough
@pytest.mark.parametrize("kind", list(TrafficKind))
@pytest.mark.parametrize("name", LINKS)
def test_frames_lost_are_those_that_receivers_lose(name: str, kind: TrafficKind) -> None:
    layout = FrameLayout(LINKS[name])
    for traffic in [one for one in traffic_of(layout) if one.kind is kind][:2]:
        most = 400
        found = lost_frames(layout, traffic, trials=120, frames=most, seed=5)
        walked = walked_lost_frames(layout, traffic, most)
        thresholds = [float(np.quantile(walked, share)) for share in (0.1, 0.5, 0.9)]
        assert_alike(found, walked, [*thresholds, thresholds[1] - 1, most - 1])


@settings(max_examples=10, suppress_health_check=list(HealthCheck))
@given(links(framings=("check",)), st.integers(0, 5))
def test_frames_lost_on_any_link_are_those_that_receivers_lose(link: Link, which: int) -> None:
    layout = FrameLayout(link)
    assume(layout.frame_symbols > 1)
    classes = traffic_of(layout)
    traffic = classes[which % len(classes)]
    most = 150
    found = lost_frames(layout, traffic, trials=40, frames=most, seed=6)
    walked = walked_lost_frames(layout, traffic, most)
    assert_alike(found, walked, [float(np.median(walked)), most - 1])


@pytest.mark.thorough
@pytest.mark.parametrize("kind", [TrafficKind.RANDOM, TrafficKind.MEMORY, TrafficKind.IDLE])
@pytest.mark.parametrize("name", LINKS)
def test_power_on_takes_as_long_as_receivers_take(name: str, kind: TrafficKind) -> None:
    layout = FrameLayout(LINKS[name])
    traffic = next(one for one in traffic_of(layout) if one.kind is kind)
    found = power_on_symbols(layout, traffic, trials=300, frames=300, seed=7)
    figures = sync_figures(layout, traffic, seed=1)
    error = float(found.std(ddof=1)) / len(found) ** 0.5
    slack = figures.power_on_symbols.high - figures.power_on_symbols.low
    assert abs(float(found.mean()) - figures.power_on_symbols.value) < ERRORS * error + slack
    assert figures.power_on_p99_symbols is not None
    late = int((found > figures.power_on_p99_symbols).sum())
    assert wilson_interval(late, len(found), quantile=ERRORS).low <= 0.01


def figures_of(link: Link, kind: TrafficKind) -> SyncFigures:
    layout = with_idle_slots(FrameLayout(link))
    return sync_figures(layout, next(one for one in traffic_of(layout) if one.kind is kind), seed=1)


# -- the chain


@pytest.mark.parametrize("name", ["lean", "guarded", "guarded, quick", "lean, idle slots"])
@pytest.mark.parametrize("kind", [TrafficKind.IDLE, TrafficKind.RANDOM, TrafficKind.MEMORY])
def test_chain_says_what_following_receivers_says(name: str, kind: TrafficKind) -> None:
    layout = FrameLayout(LINKS[name])
    traffic = next(one for one in traffic_of(layout) if one.kind is kind)
    slots = pattern_of(layout, traffic)
    assert slots is not None
    chain = chain_times(layout, slots)
    assert chain is not None
    walk = Walk(layout, draw_rings(layout, traffic, seed=3).words)
    places = np.sort(np.random.default_rng(4).integers(0, walk.places, 60_000))
    on, lost = walk.power_on(places), walk.lost_edge(places)
    frames = (places % layout.frame_symbols + 1 + lost.true_symbols) / layout.frame_symbols
    for told, tried in (
        (chain.power_on_symbols, on.symbols),
        (chain.lost_edge_symbols, lost.symbols),
        (chain.lost_frames, frames),
    ):
        error = float(tried.std()) / len(tried) ** 0.5
        # Draws of a ring share its frames, so the error is a few times that of single ones.
        assert abs(float(tried.mean()) - told) < 3 * ERRORS * error + 2e-3 * told
    assert chain.power_on_false_ratio in wilson_interval(
        int(on.is_false.sum()), len(places), quantile=2 * ERRORS
    )


@settings(max_examples=25, suppress_health_check=list(HealthCheck))
@given(links(framings=("check",)))
def test_chain_is_used_only_where_it_says_what_following_says(link: Link) -> None:
    layout = FrameLayout(link)
    assume(layout.frame_symbols > 1)
    traffic = Traffic("random words", TrafficKind.RANDOM)
    slots = pattern_of(layout, traffic)
    assume(slots is not None and len(slots) * layout.frame_symbols <= 256)
    assert slots is not None
    assume(are_independent(layout, slots))
    chain = chain_times(layout, slots)
    assert chain is not None
    walk = Walk(layout, draw_rings(layout, traffic, seed=3).words)
    places = np.sort(np.random.default_rng(4).integers(0, walk.places, 20_000))
    walked = walk.power_on(places).symbols
    error = float(walked.std()) / len(places) ** 0.5
    assert abs(float(walked.mean()) - chain.power_on_symbols) < (
        4 * ERRORS * error + 5e-3 * chain.power_on_symbols
    )


def test_lane_by_lane_neighbouring_places_are_not_independent() -> None:
    layout = FrameLayout(one_lane(20))
    slots = pattern_of(layout, Traffic("random words", TrafficKind.RANDOM))
    assert slots is not None
    assert not are_independent(layout, slots)
    lean = FrameLayout(load_link("lean"))
    slots = pattern_of(lean, Traffic("random words", TrafficKind.RANDOM))
    assert slots is not None
    assert are_independent(lean, slots)
    assert figures_of(load_link("lean"), TrafficKind.RANDOM).method == "computed"
    assert figures_of(one_lane(20), TrafficKind.RANDOM).method == "simulated"


# -- what programs do


def test_check_that_one_units_memory_imitates_never_lets_a_receiver_back() -> None:
    # All bits random, each wrong offset would fail soon; but all frames of a memory begin alike.
    bad = figures_of(with_xor(load_link("lean"), 10), TrafficKind.MEMORY)
    assert bad.never_ratio == 1
    good = figures_of(load_link("lean"), TrafficKind.MEMORY)
    assert good.never_ratio == 0
    assert good.frames_lost.value == pytest.approx(14.45, abs=0.01)
    random = figures_of(with_xor(load_link("lean"), 10), TrafficKind.RANDOM)
    assert random.frames_lost.value == pytest.approx(16.54, abs=0.01)


def test_rising_addresses_hold_a_receiver_while_their_high_bits_stay() -> None:
    lean = figures_of(load_link("lean"), TrafficKind.RISING)
    assert lean.method == "simulated"
    assert lean.frames_lost.low < 151 < lean.frames_lost.high
    assert lean.frames_lost_p99 is not None
    assert lean.frames_lost_p99 > 2_000
    guarded = figures_of(load_link("guarded"), TrafficKind.RISING)
    assert guarded.frames_lost.value == pytest.approx(14.03, abs=0.02)


def test_idle_link_is_followed_from_every_symbol() -> None:
    for name in ("lean", "guarded"):
        found = figures_of(load_link(name), TrafficKind.IDLE)
        assert found.method == "exact"
        assert found.power_on_symbols.value == 59.5
        assert found.lost_edge_symbols.value == 107.5
        assert found.frames_lost.value == 14


def test_marker_is_found_with_the_idle_slots_that_the_link_asks_for() -> None:
    # Only the fourth slot shows the marker, so the wait is two slots and the confirming ones.
    found = figures_of(CONFIRMED, TrafficKind.RANDOM)
    assert found.power_on_symbols.value == pytest.approx((4 * 4 - 1) / 2 + 4 + 2 * 4, rel=0.02)
    busy = FrameLayout(replace(load_link("marked"), idle_every=None))
    never = sync_figures(busy, Traffic("random words", TrafficKind.RANDOM), seed=1)
    assert (never.never_ratio, never.never_at_once_ratio) == (1, 1)


def test_strobe_brings_sync_with_the_next_frame() -> None:
    for name in ("strobed", "serial"):
        found = figures_of(load_link(name), TrafficKind.RANDOM)
        assert (found.method, found.frames_lost.value, found.never_ratio) == ("exact", 1, 0)


# -- noise


@settings(max_examples=60, suppress_health_check=list(HealthCheck))
@given(links(), st.lists(st.floats(1e-12, 0.5), min_size=2, max_size=6, unique=True))
def test_more_noise_never_keeps_a_receiver_in_sync_for_longer(
    link: Link, rates: list[float]
) -> None:
    layout = FrameLayout(link)
    undetected = count_undetected(layout.syndrome_columns)
    release = 7 if isinstance(link.framing, StrobeFraming) else link.framing.release_frames
    means = [
        mean_frames_in_sync(undetected.detected_probability(rate), release)
        for rate in sorted(rates)
    ]
    for less, more in pairwise(means):
        assert more <= less * (1 + 1e-9)


def test_frames_that_nothing_judges_keep_a_receiver_for_ever() -> None:
    # Differences of large probabilities would leave small ones, and a mean of 1e112 frames.
    link = load_link("marked")
    fields = tuple(replace(one, value=None) for one in link.fields)
    layout = FrameLayout(replace(link, fields=fields))
    undetected = count_undetected(layout.syndrome_columns)
    for rate in (1e-2, 1e-3, 1e-6):
        assert undetected.detected_probability(rate) == 0
        assert rate_figures(layout, undetected, rate).frames_in_sync is None


def test_detected_and_undetected_errors_are_all_damage() -> None:
    for name in ("lean", "guarded", "strobed", "marked"):
        undetected = count_undetected(FrameLayout(load_link(name)).syndrome_columns)
        for rate in (0.3, 1e-2, 1e-5):
            both = undetected.detected_probability(rate) + undetected.undetected_probability(rate)
            assert both == pytest.approx(undetected.damaged_probability(rate), rel=1e-12)


def test_noise_lengthens_the_way_into_sync() -> None:
    layout = FrameLayout(load_link("lean"))
    slots = pattern_of(layout, Traffic("random words", TrafficKind.RANDOM))
    assert slots is not None
    times = [noisy_power_on(layout, slots, rate) for rate in (1e-2, 1e-3, 1e-9, 0.0)]
    assert times == pytest.approx([280.84, 70.08, 61.37, 61.37], abs=0.01)


def test_sync_has_no_end_without_noise_and_little_if_every_frame_is_wrong() -> None:
    assert mean_frames_in_sync(0.0, 7) == float("inf")
    assert mean_frames_in_sync(1.0, 7) == 7
    assert mean_frames_in_sync(1e-60, 7) == float("inf")
    assert mean_frames_in_sync(0.5, 2) == pytest.approx(6)
    # One in a hundred: by a run of 2 of probability 1/2 within 2 frames already.
    assert frames_to_first_losses(0.5, 2) == 2
