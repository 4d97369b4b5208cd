"""Wires drawn from frames, and what an analyser makes of them."""

from __future__ import annotations

import numpy as np
import pytest

from busplay.batch import FrameBatch
from busplay.capture.synthetic import Analyser, SyntheticCapture
from busplay.capture.wires import WireDrawer, scaled, spelled_stretches
from busplay.link.layout import FrameLayout
from busplay.link.load import load_link
from tests.capture.captures import drawn, edges_per_second, frames_on_grid, joined, sampled
from tests.naive import capture as naive

SHIPPED = ("guarded", "lean", "strobed", "marked", "serial")


@pytest.mark.parametrize("name", SHIPPED)
def test_drawn_wires_carry_the_symbols_at_the_clock_edges(name: str) -> None:
    layout = FrameLayout(load_link(name))
    frames = frames_on_grid(layout, 12, np.random.default_rng(1))
    source = drawn(frames, layout)
    rows = list(zip(source.changes.time_ps.tolist(), source.changes.level.tolist(), strict=True))
    lanes = [(bit + 1, False, 0) for bit in range(len(source.signals) - 1)]
    found = naive.symbols(rows, clock=0, edges=layout.link.edges, lanes=lanes)
    for edge, word in zip(frames.edge.tolist(), frames.word.tolist(), strict=True):
        slot = np.array(found[edge : edge + layout.slot_symbols], layout.symbol_dtype)
        expected = layout.to_symbols(np.array([word], np.uint64))
        assert slot.tolist() == expected.tolist()[: len(slot)]


def test_a_lane_has_half_an_edge_before_the_clock_and_half_behind() -> None:
    layout = FrameLayout(load_link("lean"))
    source = drawn(FrameBatch.empty(), layout)
    changes = source.changes
    clock = np.flatnonzero((changes.level[1:] ^ changes.level[:-1]) & np.uint64(1)) + 1
    lanes = np.flatnonzero((changes.level[1:] ^ changes.level[:-1]) & np.uint64(30)) + 1
    assert set((changes.time_ps[clock] % np.uint64(62_500)).tolist()) == {31_250}
    assert set((changes.time_ps[lanes] % np.uint64(62_500)).tolist()) == {0}


def test_stretches_do_not_depend_on_how_frames_are_cut(monkeypatch: pytest.MonkeyPatch) -> None:
    layout = FrameLayout(load_link("lean"))
    frames = frames_on_grid(layout, 200, np.random.default_rng(2))
    stop = int(frames.edge[-1]) + 100

    def symbols(batches: list[FrameBatch]) -> list[int]:
        stretches = list(spelled_stretches(batches, layout, stop_edge=stop))
        edge = 0
        for stretch in stretches:
            assert stretch.first_edge == edge
            edge = stretch.stop_edge
        return [one for stretch in stretches for one in stretch.symbols.tolist()]

    whole = symbols([frames])
    monkeypatch.setattr("busplay.capture.wires.STRETCH_EDGES", 64)
    assert symbols([frames]) == whole
    one_by_one = [
        FrameBatch(frames.edge[n : n + 1], frames.word[n : n + 1]) for n in range(len(frames))
    ]
    assert symbols(one_by_one) == whole


def test_times_are_exact_where_products_outgrow_64_bits() -> None:
    counts = np.array([0, 1, 10**9, 3 * 10**9 + 7, 10**12], np.int64)
    for rate_hz in (3, 24_000_000, 999_999_937):
        expected = [int(count) * 10**12 // rate_hz for count in counts if count < rate_hz * 10**6]
        assert scaled(counts, rate_hz).tolist()[: len(expected)] == expected


def test_the_same_seed_gives_the_same_samples_and_another_others() -> None:
    layout = FrameLayout(load_link("guarded"))
    frames = frames_on_grid(layout, 50, np.random.default_rng(3))

    def level(seed: int) -> list[int]:
        analyser = Analyser(100_000_000, jitter_ps=3_000, glitch_ppm=100, seed=seed)
        return sampled(frames, layout, analyser)[0].changes.level.tolist()

    assert level(1) == level(1)
    assert level(1) != level(2)


def test_what_is_injected_is_counted() -> None:
    layout = FrameLayout(load_link("guarded"))
    frames = frames_on_grid(layout, 300, np.random.default_rng(4))
    clean, injected, _ = sampled(frames, layout, Analyser(100_000_000))
    assert (injected.glitches, injected.unsettled, injected.samples_lost) == (0, 0, 0)
    noisy, injected, _ = sampled(frames, layout, Analyser(100_000_000, glitch_ppm=200))
    assert injected.glitches == pytest.approx(injected.samples * 6 * 200e-6, rel=0.3)
    assert len(noisy.changes) > len(clean.changes)
    analyser = Analyser(100_000_000, lost_every=20_000, lost_samples=500)
    short, injected, _ = sampled(frames, layout, analyser)
    assert len(injected.loss_places) > 0
    assert injected.samples_lost <= 500 * len(injected.loss_places)
    whole = int(clean.changes.time_ps[-1]) // 10_000
    assert int(short.changes.time_ps[-1]) // 10_000 == pytest.approx(
        whole - injected.samples_lost, abs=20
    )


def test_late_wires_and_slow_edges_show_where_they_should() -> None:
    layout = FrameLayout(load_link("lean"))
    frames = frames_on_grid(layout, 300, np.random.default_rng(5))
    late, _, _ = sampled(frames, layout, Analyser(10**9, skew_ps=(0, 20_000)))
    moved = late.changes.level[1:] ^ late.changes.level[:-1]
    when = late.changes.time_ps[1:]
    for lane, expected in ((0, 0), (1, 20_000)):
        at = when[(moved >> np.uint64(lane + 1) & np.uint64(1)).astype(bool)]
        phase = at.astype(np.int64) % 62_500
        assert np.abs((phase - expected + 31_250) % 62_500 - 31_250).max() <= 1_000
    slow, injected, _ = sampled(frames, layout, Analyser(10**9, settle_ps=5_000))
    assert injected.unsettled > 0
    assert len(slow.changes) > len(late.changes)


@pytest.mark.parametrize("blocks", [7, 1000])
def test_blocks_of_samples_change_nothing(blocks: int, monkeypatch: pytest.MonkeyPatch) -> None:
    layout = FrameLayout(load_link("strobed"))
    frames = frames_on_grid(layout, 20, np.random.default_rng(6))

    def changes() -> list[tuple[int, int]]:
        drawer = WireDrawer(layout, edges_per_second(layout.link))
        capture = SyntheticCapture(drawer, Analyser(40_000_000, phase_ps=3))
        stretches = spelled_stretches([frames], layout, stop_edge=int(frames.edge[-1]) + 50)
        found = joined(capture.changes(stretches))
        return list(zip(found.time_ps.tolist(), found.level.tolist(), strict=True))

    whole = changes()
    monkeypatch.setattr("busplay.capture.synthetic.BLOCK_SAMPLES", blocks)
    monkeypatch.setattr("busplay.capture.wires.STRETCH_EDGES", 40)
    assert changes() == whole


def test_analysers_that_cannot_be_are_refused() -> None:
    drawer = WireDrawer(FrameLayout(load_link("lean")), 16_000_000)
    with pytest.raises(ValueError, match="rate_hz is 0; it must be positive"):
        SyntheticCapture(drawer, Analyser(0))
    with pytest.raises(ValueError, match="channels must be an order of 0 to 4"):
        SyntheticCapture(drawer, Analyser(1, channels=(0, 1, 2, 3, 3)))
    with pytest.raises(ValueError, match=r"no wires named \['lane9'\]"):
        SyntheticCapture(drawer, Analyser(1, inverted=frozenset(["lane9"])))
