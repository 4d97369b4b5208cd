"""The pipeline from a capture: what was drawn and sampled comes back, and damage is counted."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from busplay.batch import FrameBatch
from busplay.capture.lane_map import LaneMap, Probe, wires_of
from busplay.capture.look_ahead import DecodeSettings
from busplay.capture.synthetic import Analyser
from busplay.errors import InputError
from busplay.link.layout import FrameLayout
from busplay.link.load import load_link
from tests.capture.captures import (
    Recorded,
    changes_of,
    decode,
    drawn,
    edges_per_second,
    frames_on_grid,
    sampled,
)
from tests.strategies import links
from tests.trace.cases import pairs_of

SHIPPED = ("guarded", "lean", "strobed", "marked", "serial")


def clock_levels_per_second(layout: FrameLayout) -> int:
    levels = 1 if layout.link.edges == "both" else 2
    return edges_per_second(layout.link) * levels


@given(st.data())
@settings(max_examples=60, suppress_health_check=[HealthCheck.too_slow])
def test_any_link_comes_back_from_any_capture_of_four_samples_an_edge_or_more(
    data: st.DataObject,
) -> None:
    layout = FrameLayout(data.draw(links()))
    random = np.random.default_rng(data.draw(st.integers(0, 2**32 - 1)))
    frames = frames_on_grid(layout, data.draw(st.integers(1, 30)), random)
    samples = data.draw(st.floats(4.1, 12))
    rate_hz = int(clock_levels_per_second(layout) * samples)
    names = wires_of(layout.link)
    channels = tuple(data.draw(st.permutations(range(len(names)))))
    inverted = frozenset(data.draw(st.sets(st.sampled_from(names), max_size=3)))
    source, _, capture = sampled(
        frames,
        layout,
        Analyser(
            rate_hz,
            phase_ps=data.draw(st.integers(0, 10**12 // rate_hz)),
            channels=channels,
            inverted=inverted,
            seed=data.draw(st.integers(0, 99)),
        ),
    )
    probes = [
        Probe(channel, source.signals[channel], name in inverted)
        for channel, name in zip(channels, names, strict=True)
    ]
    lane_map = LaneMap(
        probes[0],
        tuple(probes[1 : layout.lanes + 1]),
        probes[-1] if layout.strobe_mask else None,
    )
    found, report = decode(source, layout, lane_map=lane_map)
    assert found == pairs_of(frames)
    assert report.frames_damaged == 0
    assert report.sampling.symbols_in_doubt == 0 or samples < 5
    assert capture.injected.samples


@pytest.mark.parametrize("name", SHIPPED)
@given(st.data())
@settings(max_examples=8, suppress_health_check=[HealthCheck.too_slow])
def test_shipped_links_come_back_from_a_capture_that_begins_anywhere(
    name: str, data: st.DataObject
) -> None:
    layout = FrameLayout(load_link(name))
    random = np.random.default_rng(data.draw(st.integers(0, 2**32 - 1)))
    frames = frames_on_grid(layout, 60, random)
    source, _, _ = sampled(
        frames,
        layout,
        Analyser(
            clock_levels_per_second(layout) * data.draw(st.integers(5, 9)),
            first_edge=data.draw(st.integers(0, 4 * layout.slot_symbols)),
            phase_ps=data.draw(st.integers(0, 5000)),
        ),
    )
    found, report = decode(source, layout)
    assert [word for _, word in found] == frames.word.tolist()
    assert np.array_equal(np.diff([edge for edge, _ in found]), np.diff(frames.edge.astype(int)))
    assert report.is_clean


@pytest.mark.parametrize(
    "samples_ppm",
    [
        1_500_000,
        1_500_050,
        pytest.param(1_499_900, marks=pytest.mark.thorough),
        1_730_000,
        1_250_000,
    ],
)
@pytest.mark.parametrize("name", ["guarded", "lean"])
def test_links_of_both_edges_come_back_at_few_samples_an_edge(name: str, samples_ppm: int) -> None:
    layout = FrameLayout(load_link(name))
    frames = frames_on_grid(layout, 4000, np.random.default_rng(5))
    rate_hz = 16_000_000 * samples_ppm // 1_000_000
    skew_ps = (0, 900, -1200, 300, 0)[: layout.lanes]
    source, _, _ = sampled(
        frames, layout, Analyser(rate_hz, jitter_ps=400, skew_ps=skew_ps, phase_ps=777)
    )
    found, report = decode(source, layout)
    assert found == pairs_of(frames)
    assert report.sampling.clock_recovery == "steady"
    assert report.sampling.samples_per_edge == pytest.approx(samples_ppm / 1e6, rel=1e-3)
    # It says that this is too few for certainty, with figures.
    assert 0 < report.sampling.symbols_in_doubt < report.sampling.symbols


def test_an_exact_ratio_of_rate_and_clock_is_read_in_every_phase() -> None:
    layout = FrameLayout(load_link("guarded"))
    frames = frames_on_grid(layout, 800, np.random.default_rng(6))
    for phase_ps in range(0, 41_000, 5_111):
        source, _, _ = sampled(frames, layout, Analyser(24_000_000, phase_ps=phase_ps))
        found, _ = decode(source, layout)
        assert found == pairs_of(frames), phase_ps


@given(st.data())
@settings(max_examples=15, suppress_health_check=[HealthCheck.too_slow])
def test_each_damaged_frame_is_counted_with_its_lane_and_its_time(data: st.DataObject) -> None:
    layout = FrameLayout(load_link("guarded"))
    random = np.random.default_rng(data.draw(st.integers(0, 2**32 - 1)))
    frames = frames_on_grid(layout, 200, random)
    damaged = sorted(
        data.draw(st.sets(st.integers(0, 99).map(lambda n: 2 * n), min_size=1, max_size=30))
    )
    damaged = [place for place in damaged if place < len(frames)]
    words = frames.word.copy()
    lanes = []
    for place in damaged:
        bit = data.draw(st.integers(0, 39))
        words[place] ^= np.uint64(1 << 39 - bit)
        lanes.append(4 - bit % 5)
    rate_hz = data.draw(st.sampled_from((24_000_000, 100_000_000)))
    source, _, _ = sampled(FrameBatch(frames.edge, words), layout, Analyser(rate_hz))
    found, report = decode(source, layout)
    expected = [pair for n, pair in enumerate(pairs_of(frames)) if n not in damaged]
    assert found == expected
    assert report.receiver.checks_failed == len(damaged)
    assert report.receiver.syncs_lost == 0
    assert report.health.lane_errors == tuple(lanes.count(lane) for lane in range(5))
    assert [row.lanes for row in report.health.damaged] == [(lane,) for lane in lanes]
    assert [row.word for row in report.health.damaged] == words[damaged].tolist()
    assert not report.is_clean
    for row, place in zip(report.health.damaged, damaged, strict=True):
        true_ps = (2 * int(frames.edge[place]) + 1) * 31_250
        # Seen within a sample after it happened; a steady clock knows it better.
        assert abs(row.time_ps - true_ps) <= 10**12 // rate_hz


def test_correction_corrects_a_wrong_bit_and_counts_it() -> None:
    layout = FrameLayout(load_link("guarded"))
    frames = frames_on_grid(layout, 50, np.random.default_rng(1))
    words = frames.word.copy()
    words[10] ^= np.uint64(1 << 20)
    source, _, _ = sampled(FrameBatch(frames.edge, words), layout, Analyser(100_000_000))
    found, report = decode(source, layout, settings=DecodeSettings(correct=True))
    assert found == pairs_of(frames)
    assert report.receiver.frames_corrected == 1
    assert [row.kind for row in report.health.damaged] == ["corrected"]
    assert not report.is_clean


def test_a_lost_step_is_reported_with_place_and_length() -> None:
    layout = FrameLayout(load_link("guarded"))
    frames = frames_on_grid(layout, 400, np.random.default_rng(2))
    source, _, _ = sampled(frames, layout, Analyser(100_000_000))
    changes = source.changes
    # A millisecond in, 23 edges vanish: the later ones come so much earlier.
    cut_ps, gone_ps = 60_000_000, 23 * 62_500
    first = int(np.searchsorted(changes.time_ps, cut_ps))
    stop = int(np.searchsorted(changes.time_ps, cut_ps + gone_ps))
    rows = [
        *zip(changes.time_ps[:first].tolist(), changes.level[:first].tolist(), strict=True),
        *zip(
            (changes.time_ps[stop:] - np.uint64(gone_ps)).tolist(),
            changes.level[stop:].tolist(),
            strict=True,
        ),
    ]
    damaged = Recorded(changes_of(rows), source.signals, rate_hz=100_000_000)
    found, report = decode(damaged, layout)
    assert report.receiver.syncs_lost == 1
    assert report.receiver.syncs_gained == 2
    lost = report.health.outages[1]
    assert abs(lost.first_ps - cut_ps) <= 2 * 8 * 62_500
    assert lost.stop_ps is not None
    # Seven bad frames to let go, up to a frame to find the place, seven to be sure.
    assert 13 * 8 <= lost.symbols <= 24 * 8
    assert lost.stop_ps - lost.first_ps == pytest.approx(lost.symbols * 62_500, rel=0.02)
    assert len(found) > 300
    assert all(edge % 8 == 0 for edge, _ in found)


def test_a_stretch_with_no_clock_is_a_gap_and_keeps_time() -> None:
    layout = FrameLayout(load_link("strobed"))
    frames = frames_on_grid(layout, 100, np.random.default_rng(3))
    source, _, _ = sampled(frames, layout, Analyser(100_000_000))
    changes = source.changes
    quiet_ps = 50_000_000
    place = int(np.searchsorted(changes.time_ps, 30_000_000))
    moved = changes.time_ps.copy()
    moved[place:] += np.uint64(quiet_ps)
    rows = zip(moved.tolist(), changes.level.tolist(), strict=True)
    found, report = decode(Recorded(changes_of(rows), source.signals, rate_hz=100_000_000), layout)
    assert report.health.gap_count == 1
    gap = report.health.gaps[0]
    assert gap.stop_ps - gap.first_ps == pytest.approx(quiet_ps + 125_000, abs=20_000)
    assert gap.edges == 400
    late = [edge for edge, _ in found[-10:]]
    expected = frames.edge[-10:].astype(int) + 400
    assert np.array_equal(np.diff(late), np.diff(expected))
    assert abs(late[-1] - int(expected[-1])) <= layout.slot_symbols


def test_a_glitch_on_the_clock_is_counted_and_does_no_harm() -> None:
    layout = FrameLayout(load_link("guarded"))
    frames = frames_on_grid(layout, 300, np.random.default_rng(4))
    source = drawn(frames, layout)
    rows = list(zip(source.changes.time_ps.tolist(), source.changes.level.tolist(), strict=True))
    place = len(rows) // 2
    when, level = rows[place]
    rows[place + 1 : place + 1] = [(when + 2_000, level ^ 1), (when + 4_000, level)]
    found, report = decode(Recorded(changes_of(rows), source.signals), layout)
    assert found == pairs_of(frames)
    assert report.clock.glitches == 1
    whole, report = decode(
        Recorded(changes_of(rows), source.signals),
        layout,
        settings=DecodeSettings(glitch_filter_ps=0),
    )
    assert report.clock.glitches == 0
    assert whole != pairs_of(frames)


def test_sample_at_sets_the_moment_of_every_lane() -> None:
    layout = FrameLayout(load_link("guarded"))
    frames = frames_on_grid(layout, 100, np.random.default_rng(7))
    source, _, _ = sampled(frames, layout, Analyser(200_000_000))
    found, report = decode(source, layout, settings=DecodeSettings(sample_at_ps=20_000))
    assert {eye.sample_at_ps for eye in report.lanes} == {20_000}
    assert found == pairs_of(frames)
    # Later than half a symbol the next one is read: every frame is a symbol early.
    moved, _ = decode(source, layout, settings=DecodeSettings(sample_at_ps=40_000))
    assert [word for _, word in moved] == [word for _, word in found]


def test_lanes_that_are_late_by_different_times_get_moments_of_their_own() -> None:
    layout = FrameLayout(load_link("guarded"))
    frames = frames_on_grid(layout, 600, np.random.default_rng(8))
    skew_ps = (0, 22_000, -23_000, 9_000, 0)
    source, _, _ = sampled(frames, layout, Analyser(200_000_000, skew_ps=skew_ps))
    found, report = decode(source, layout)
    assert found == pairs_of(frames)
    offsets = [eye.sample_at_ps for eye in report.lanes]
    assert offsets[1] - offsets[2] == pytest.approx(45_000, abs=6_000)


def test_a_clock_that_never_moves_is_refused_by_name() -> None:
    layout = FrameLayout(load_link("lean"))
    source = Recorded(changes_of([(0, 0), (10, 2), (20, 0)]), ["clk", "d0", "d1", "d2", "d3"])
    with pytest.raises(InputError) as failure:
        decode(source, layout)
    assert str(failure.value) == (
        "made.raw: signal clk: found 0 changes in the first 2 of the capture; that is no clock; "
        "name another (--map clock=SIGNAL), or let --find-map try"
    )


@given(st.data())
@settings(max_examples=20, suppress_health_check=[HealthCheck.too_slow])
def test_each_glitch_that_is_put_in_is_counted_on_its_wire_and_no_other(
    data: st.DataObject,
) -> None:
    layout = FrameLayout(load_link(data.draw(st.sampled_from(("guarded", "strobed")))))
    frames = frames_on_grid(layout, 40, np.random.default_rng(8))
    source = drawn(frames, layout)
    clean = source.changes
    wires = len(source.signals)
    # Half a step before each clock edge the lanes rest; a pulse of 2 ns there harms nobody.
    spots = data.draw(
        st.dictionaries(
            st.integers(40, len(clean) - 40), st.integers(0, wires - 1), min_size=1, max_size=25
        )
    )
    rows = list(zip(clean.time_ps.tolist(), clean.level.tolist(), strict=True))
    for place, wire in spots.items():
        when, level = rows[place]
        rows += [(when + 12_000, level ^ 1 << wire), (when + 14_000, level)]
    found, report = decode(
        Recorded(changes_of(sorted(rows)), source.signals),
        layout,
        settings=DecodeSettings(glitch_filter_ps=5_000, sample_at_ps=0),
    )
    assert found == pairs_of(frames)
    assert report.is_clean
    planted = list(spots.values())
    assert report.clock.glitches == planted.count(0)
    assert [eye.glitches for eye in report.lanes] == [
        planted.count(wire) for wire in range(1, wires)
    ]


@given(
    st.lists(st.tuples(st.integers(20, 120), st.integers(2, 400)), min_size=1, max_size=4),
    st.sampled_from(("strobed", "guarded")),
)
@settings(max_examples=20, suppress_health_check=[HealthCheck.too_slow])
def test_each_silence_of_the_clock_is_a_gap_of_its_length(
    silences: list[tuple[int, int]], name: str
) -> None:
    layout = FrameLayout(load_link(name))
    frames = frames_on_grid(layout, 200, np.random.default_rng(4))
    source = drawn(frames, layout)
    period_ps = 10**12 // edges_per_second(layout.link)
    times = source.changes.time_ps.astype(np.int64)
    clock = source.changes.level & np.uint64(1)
    rises = np.flatnonzero(clock[1:] > clock[:-1]) + 1
    moved = times.copy()
    planted: dict[int, int] = {}
    for slot, edges in silences:
        row = int(rises[8 * slot])
        planted[row] = planted.get(row, 0) + edges
        moved[row:] += edges * period_ps
    rows = zip(moved.tolist(), source.changes.level.tolist(), strict=True)
    found, report = decode(Recorded(changes_of(rows), source.signals), layout)
    assert [word for _, word in found] == frames.word.tolist()
    assert report.health.gap_count == len(planted)
    assert [gap.edges for gap in report.health.gaps] == [planted[row] for row in sorted(planted)]
    assert [gap.stop_ps for gap in report.health.gaps] == moved[sorted(planted)].tolist()
