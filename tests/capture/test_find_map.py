"""The map of a capture whose probes nobody labelled."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from busplay.batch import ChangeBatch, FrameBatch, UInt64Column
from busplay.capture.find_map import find_map
from busplay.capture.lane_map import wires_of
from busplay.capture.look_ahead import look_ahead, sample_ps_of
from busplay.capture.synthetic import Analyser
from busplay.description.link import Link
from busplay.errors import InputError
from busplay.link.layout import FrameLayout
from busplay.link.load import load_link, parse_link
from tests.capture.captures import (
    Recorded,
    changes_of,
    edges_per_second,
    frames_on_grid,
    sampled,
)
from tests.receiver.wires import random_words
from tests.strategies import links

RATES = {"guarded": 100_000_000, "lean": 100_000_000, "strobed": 100_000_000}
RATES |= {"marked": 100_000_000, "serial": 400_000_000}


def crossed(
    name: str, channels: tuple[int, ...], inverted: frozenset[str], *, seed: int, extra: int = 0
) -> tuple[ChangeBatch, list[str], FrameLayout]:
    """Sample a link's wires through crossed probes; `extra` channels never change."""
    layout = FrameLayout(load_link(name))
    frames = frames_on_grid(layout, 600, np.random.default_rng(seed))
    source, _, _ = sampled(
        frames, layout, Analyser(RATES[name], channels=channels, inverted=inverted)
    )
    return source.changes, [f"CH{n}" for n in range(len(channels) + extra)], layout


@pytest.mark.parametrize(
    "name", ["guarded", pytest.param("lean", marks=pytest.mark.thorough), "strobed"]
)
@given(st.data())
@settings(max_examples=3, suppress_health_check=[HealthCheck.too_slow])
def test_order_and_inversion_of_lanes_are_found_by_a_check(name: str, data: st.DataObject) -> None:
    wires = wires_of(load_link(name))
    channels = tuple(data.draw(st.permutations(range(len(wires)))))
    lanes = [wire for wire in wires if wire.startswith("lane")]
    inverted = frozenset(data.draw(st.sets(st.sampled_from(lanes), max_size=2)))
    changes, signals, layout = crossed(name, channels, inverted, seed=1, extra=1)
    found = find_map(changes, layout, signals, sample_ps=10_000)
    by_wire = found.best.lane_map.wires
    if name == "strobed":
        # One parity bit does not tell lanes apart; the clock and the strobe are found.
        assert by_wire["clock"].index == channels[0]
        assert by_wire["strobe"].index == channels[-1]
        return
    expected = {
        wire: (channel, wire in inverted) for wire, channel in zip(wires, channels, strict=True)
    }
    assert {wire: (one.index, one.inverted) for wire, one in by_wire.items()} == expected
    assert found.confidence == "certain"
    assert found.dead == (signals[-1],)
    assert found.runner_up is not None
    # Two lanes that carry the same on an idle link are only told apart by frames.
    assert found.runner_up.trial.score[0] * 2 < found.best.trial.score[0]
    for wire in inverted:
        assert f"{signals[expected[wire][0]]} is inverted, on {wire}" in found.remarks


def test_swapped_probes_are_named_by_what_their_labels_say() -> None:
    changes, _, layout = crossed("guarded", (0, 2, 1, 3, 4, 5), frozenset(["lane3"]), seed=2)
    signals = ["clk", "d0", "d1", "d2", "d3", "d4"]
    found = find_map(changes, layout, signals, sample_ps=10_000)
    assert found.remarks == (
        "the probes of lane0 and lane1 are swapped: d1 is on lane0",
        "d3 is inverted, on lane3",
    )


def test_names_that_only_count_channels_say_nothing_of_wires() -> None:
    changes, _, layout = crossed("guarded", (0, 1, 2, 3, 4, 5), frozenset(), seed=2)
    found = find_map(changes, layout, [f"D{n}" for n in range(6)], sample_ps=10_000)
    assert str(found.best.lane_map).startswith("clock=D0,lane0=D1,")
    assert found.remarks == ()


def test_a_held_strobe_is_found_though_no_clock_shows_its_rest() -> None:
    wires = wires_of(load_link("serial"))
    assert wires == ("clock", "lane0", "strobe")
    changes, signals, layout = crossed("serial", (2, 0, 1), frozenset(), seed=3)
    found = find_map(changes, layout, signals, sample_ps=2_500)
    assert str(found.best.lane_map) == "clock=CH2,lane0=CH0,strobe=CH1"
    assert found.confidence in ("certain", "likely")


ODD_FRAMES = """
name = "odd"
lanes = 4
edges = "both"
clock = "processor"
fields = [
    {name = "start", bits = 4, value = 1}, {name = "space", bits = 2},
    {name = "unit", bits = 2}, {name = "address", bits = 12}, {name = "data", bits = 8},
    {name = "check", bits = 8},
]
[framing]
method = "marker"
symbols = [2]
rule = "confirm"
[check]
field = "check"
kind = "hec_i432"
"""


def idle_for_the_most_part(
    link: Link, *, seed: int, busy_ratio: float
) -> tuple[Recorded, str, list[str]]:
    """Sample wires that carry a frame now and then; returns the map that is right, too."""
    layout, random = FrameLayout(link), np.random.default_rng(seed)
    words = random_words(layout, 60, random)
    grid = math.lcm(layout.slot_symbols, link.edges_per_cycle)
    slots = 24 + np.cumsum(random.geometric(busy_ratio, len(words)))
    names = wires_of(link)
    channels = tuple(random.permutation(len(names)).tolist())
    inverted = names[1 + int(random.integers(link.lanes))]
    rate_hz = 6 * edges_per_second(link) * (1 if link.edges == "both" else 2)
    source, _, _ = sampled(
        FrameBatch((slots * grid).astype(np.uint64), words),
        layout,
        Analyser(rate_hz, channels=channels, inverted=frozenset([inverted]), seed=seed),
    )
    signals = [f"CH{number}" for number in range(len(names))]
    marks = ["!" if name == inverted else "" for name in names]
    probes = zip(names, marks, channels, strict=True)
    return source, ",".join(f"{wire}={mark}CH{n}" for wire, mark, n in probes), signals


@pytest.mark.thorough
def test_wires_are_found_where_frames_have_an_odd_number_of_both_edges() -> None:
    # The clock stands the other way in every second frame, which made two of each idle one.
    link = parse_link(ODD_FRAMES, file="odd.toml")
    source, expected, signals = idle_for_the_most_part(link, seed=2, busy_ratio=0.05)
    look, _ = look_ahead(source)
    found = find_map(look, FrameLayout(link), signals, sample_ps=10_416)
    assert str(found.best.lane_map) == expected
    assert found.confidence in ("certain", "likely")


@given(st.data())
@settings(max_examples=4, suppress_health_check=[HealthCheck.too_slow])
def test_wires_of_any_link_with_marker_and_check_are_found_though_it_is_mostly_idle(
    data: st.DataObject,
) -> None:
    link = data.draw(links(framings=("marker",), with_check=True, least_check_bits=4))
    assume(1 < link.lanes <= 5)
    seed, busy_ratio = data.draw(st.integers(0, 99)), data.draw(st.sampled_from((0.1, 0.02)))
    source, expected, signals = idle_for_the_most_part(link, seed=seed, busy_ratio=busy_ratio)
    look, _ = look_ahead(source)
    found = find_map(look, FrameLayout(link), signals, sample_ps=sample_ps_of(source.info))
    assert found.best.trial.invalid == 0
    # A check over a few fields may leave lanes that nothing tells apart; then it is said.
    assert str(found.best.lane_map) == expected or found.confidence == "open"


def test_an_idle_capture_is_open_and_keeps_the_labels() -> None:
    layout = FrameLayout(load_link("lean"))
    source, _, _ = sampled(FrameBatch.empty(), layout, Analyser(100_000_000))
    # On an idle `lean` link two lanes never move, so nothing can tell them.
    with pytest.raises(InputError) as failure:
        find_map(source.changes, layout, source.signals, sample_ps=10_000)
    assert failure.value.place == "--find-map"
    assert "never changed" in str(failure.value)


def test_dead_probes_are_named_where_too_few_signals_change() -> None:
    layout = FrameLayout(load_link("lean"))
    rows = [(10 * n, (n & 1) | (n & 2)) for n in range(200)]
    with pytest.raises(InputError) as failure:
        find_map(changes_of(rows), layout, ["clk", "a", "b", "c", "d"], sample_ps=None)
    assert str(failure.value) == (
        "--find-map: found 2 of 5 signals that change; b, c, d never changed; link lean has a"
        " clock, 4 lanes; check for dead probes, or give the wires with --map"
    )


def test_damage_at_the_beginning_does_not_hide_the_map() -> None:
    changes, signals, layout = crossed("guarded", (3, 0, 5, 2, 4, 1), frozenset(), seed=4)
    random = np.random.default_rng(9)
    level = changes.level.copy()
    place = random.integers(0, len(level), len(level) // 400)
    level[place] ^= np.uint64(1) << random.integers(0, 6, len(place)).astype(np.uint64)
    keep = np.concatenate([[True], level[1:] != level[:-1]])
    damaged = ChangeBatch(changes.time_ps[keep], level[keep], changes.unknown[keep])
    found = find_map(damaged, layout, signals, sample_ps=10_000)
    assert [probe.index for probe in found.best.lane_map.wires.values()] == [3, 0, 5, 2, 4, 1]


def drawing_frames(layout: FrameLayout, count: int) -> FrameBatch:
    """Make frames as a program that draws sends them: bytes to addresses that follow each other."""
    index = np.arange(count, dtype=np.uint64)
    random = np.random.default_rng(7)
    fields: dict[str, int | UInt64Column] = {
        "space": 1,
        "address": (index * np.uint64(3) + np.uint64(0x1A40)) % np.uint64(0x6000),
        "data": random.integers(0, 256, count, dtype=np.uint64),
    }
    if layout.link.field_named("sequence") is not None:
        fields["sequence"] = index % np.uint64(1 << len(layout.bit_places("sequence")))
    slots = np.uint64(30) + index * np.uint64(2)
    return FrameBatch(slots * np.uint64(layout.slot_symbols), layout.pack(**fields))


def test_without_a_check_idle_frames_and_the_sequence_decide() -> None:
    layout = FrameLayout(load_link("marked"))
    channels = (4, 2, 0, 3, 6, 5, 7, 8, 1)
    source, _, _ = sampled(
        drawing_frames(layout, 900),
        layout,
        Analyser(100_000_000, channels=channels, inverted=frozenset(["lane2"])),
    )
    found = find_map(source.changes, layout, [f"CH{n}" for n in range(9)], sample_ps=10_000)
    by_wire = {wire: str(probe) for wire, probe in found.best.lane_map.wires.items()}
    # Lanes 0 to 2 carry the count, lane 7 the constant that differs from the idle frame.
    told = {"clock": "CH4", "lane0": "CH2", "lane1": "CH0", "lane2": "!CH3", "lane7": "CH1"}
    assert {wire: by_wire[wire] for wire in told} == told
    assert found.best.trial.invalid == 0
    # The others carry space and unit, which nothing but the addresses' look can tell.
    assert found.confidence == "open"
    assert found.tied


def test_a_link_that_is_silent_at_first_is_looked_at_where_it_is_not() -> None:
    layout = FrameLayout(load_link("serial"))
    late = drawing_frames(layout, 200)
    late = FrameBatch(late.edge + np.uint64(400_000), late.word)
    source, _, _ = sampled(late, layout, Analyser(200_000_000, channels=(2, 0, 1)))
    parted = Recorded(
        source.changes, ["a", "b", "c"], cuts=range(5_000, len(source.changes), 5_000)
    )
    look, batches = look_ahead(parted)
    assert len(look) < 200_000 < len(source.changes)
    assert sum(len(batch) for batch in batches) == len(source.changes)
    found = find_map(look, layout, parted.signals, sample_ps=5_000)
    assert str(found.best.lane_map) == "clock=c,lane0=a,strobe=b"


@given(st.permutations(range(8)))
@settings(max_examples=5)
def test_the_map_of_a_strobe_link_counts_on_whatever_the_order(channels: list[int]) -> None:
    layout = FrameLayout(load_link("strobed"))
    source, _, _ = sampled(
        drawing_frames(layout, 500), layout, Analyser(100_000_000, channels=tuple(channels))
    )
    found = find_map(source.changes, layout, [f"CH{n}" for n in range(8)], sample_ps=10_000)
    wires = found.best.lane_map.wires
    # The two lanes of the sequence field are told, with the clock and the strobe.
    expected = dict(zip(wires_of(layout.link), channels, strict=True))
    for wire in ("clock", "strobe", "lane1", "lane2"):
        assert wires[wire].index == expected[wire]
    assert found.best.trial.missed == found.best.trial.invalid == 0
