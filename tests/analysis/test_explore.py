"""What the search keeps is what no other beats, and every link that it makes is sound."""

from __future__ import annotations

from fractions import Fraction
from itertools import combinations
from math import comb
from pathlib import Path

import numpy as np
import pytest

from busplay.analysis.explore import Exploration, Limits, LinkCandidate, explore, undetected_shares
from busplay.analysis.explore_links import LinkChoice, Payload, build_link
from busplay.analysis.explore_plot import CLOCK_INCHES, DOTS_PER_INCH, plot_front
from busplay.description.link import Edges, Link
from busplay.description.write_link import link_toml
from busplay.link.layout import FrameLayout
from busplay.link.load import load_link, parse_link
from busplay.link.rules import require_sound

CLOCK_HZ = 8_000_000
PAYLOAD = Payload(2, 2, 16)


@pytest.fixture(scope="module")
def found() -> Exploration:
    return explore(Limits(CLOCK_HZ, max_pins=8, clocks_hz=(12_000_000,)), PAYLOAD)


def beats(one: LinkCandidate, other: LinkCandidate) -> bool:
    """The plain rule: as good in everything, and better in something."""
    no_worse = [
        one.pins <= other.pins,
        one.clock_hz <= other.clock_hz,
        one.slot_ns <= other.slot_ns,
        one.symbol_ns >= other.symbol_ns,
        one.sync_slots <= other.sync_slots,
        one.undetected_ratios <= other.undetected_ratios,
        min(one.sequence_bits, 4) >= min(other.sequence_bits, 4),
    ]
    return all(no_worse) and one.aims() != other.aims()


def test_front_is_what_no_other_beats(found: Exploration) -> None:
    everything = [*found.front, *found.others]
    assert len(found.front) > 10
    assert len(found.others) > 10
    for one in found.front:
        assert not any(beats(other, one) for other in everything), one.name
    for one in found.others:
        twin = any(other.aims() == one.aims() for other in found.front)
        assert twin or any(beats(other, one) for other in found.front), one.name


def test_no_link_is_counted_twice(found: Exploration) -> None:
    """Bits left in the last symbol gave the same link from two choices."""
    names = [one.name for one in (*found.front, *found.others)]
    assert len(names) == len(set(names))


def test_every_link_found_is_sound_and_within_the_limits(found: Exploration) -> None:
    for one in (*found.front, *found.others):
        require_sound(one.description)
        assert one.pins <= 8
        assert one.slot_cycles <= 4


def test_every_link_of_the_front_reads_back_from_its_file(found: Exploration) -> None:
    names = {one.name for one in found.front}
    assert len(names) == len(found.front)
    for one in found.front:
        again = parse_link(link_toml(one.description), file="")
        assert again == one.description


def shape(link: Link) -> tuple[object, ...]:
    fields = tuple((one.name, one.bits, one.value) for one in link.fields)
    check = link.check and (link.check.polynomial, link.check.xor, link.check.covers)
    return link.lanes, fields, link.framing, check


@pytest.mark.parametrize(
    ("name", "choice"),
    [
        ("guarded", LinkChoice(5, "check", "hec_i432", 0)),
        ("lean", LinkChoice(4, "check", "crc4_g704", 0)),
    ],
)
def test_shipped_links_are_among_those_that_are_tried(name: str, choice: LinkChoice) -> None:
    link = build_link(choice, PAYLOAD)
    assert link is not None
    assert shape(link) == shape(load_link(name))


def test_shipped_marked_link_is_built_but_for_its_sequence() -> None:
    link = build_link(LinkChoice(8, "marker", "none", 3), PAYLOAD)
    assert link is not None
    assert shape(link) == shape(load_link("marked"))


@pytest.mark.parametrize(
    "choice",
    [
        LinkChoice(4, "check", "none", 0),
        LinkChoice(4, "check", "parity_odd", 0),
        LinkChoice(4, "marker", "hec_i432", 0),
        LinkChoice(1, "marker", "none", 0),
    ],
)
def test_choices_on_which_frames_cannot_be_found_give_no_link(choice: LinkChoice) -> None:
    assert build_link(choice, PAYLOAD) is None


def test_frames_longer_than_64_bits_give_no_link() -> None:
    assert build_link(LinkChoice(4, "strobe", "hec_i432", 16), Payload(8, 8, 24)) is None


@pytest.mark.parametrize("check", ["none", "parity_odd", "crc4_g704", "hec_i432"])
def test_undetected_shares_are_those_of_trying_every_error(check: str) -> None:
    link = build_link(LinkChoice(5, "strobe", check, 0), Payload(2, 0, 8))
    assert link is not None
    layout = FrameLayout(link)
    word = int(layout.pack(address=0x5A, data=0x3C)[0])
    for weight, share in zip((1, 2, 3), undetected_shares(layout), strict=True):
        errors = [
            sum(1 << one for one in some) for some in combinations(range(layout.frame_bits), weight)
        ]
        damaged = np.array([word ^ error for error in errors], np.uint64)
        passed = int((layout.syndrome(damaged) == 0).sum())
        assert share == Fraction(passed, comb(layout.frame_bits, weight))


@pytest.mark.thorough
@pytest.mark.parametrize("edges", ["rising", "both"])
def test_limits_leave_out_what_is_over_them(edges: Edges) -> None:
    limits = Limits(
        CLOCK_HZ,
        clocks_hz=(2_000_000, 16_000_000, 32_000_000),
        max_wire_hz=16_000_000,
        max_slot_cycles=Fraction(3),
        min_check_bits=4,
        min_frame_hz=3_000_000,
        framings=("strobe", "check"),
        edges=(edges,),
    )
    found = explore(limits, PAYLOAD)
    assert found.front
    for one in (*found.front, *found.others):
        assert one.clock_hz <= 16_000_000
        assert one.slot_cycles <= 3
        assert one.frame_hz >= 3_000_000
        assert one.framing in ("strobe", "check")
        assert one.check in ("crc4_g704", "crc5_usb", "hec_i432")
        assert one.edges == edges


def test_limits_that_nothing_meets_give_an_empty_front() -> None:
    found = explore(Limits(CLOCK_HZ, max_pins=3), PAYLOAD)
    assert (found.front, found.others) == ((), ())
    slow = explore(Limits(CLOCK_HZ, max_wire_hz=1_000), PAYLOAD)
    assert slow.front == ()


def test_search_that_is_stopped_has_the_front_of_the_links_tried() -> None:
    asked = iter([False] * 180)
    found = explore(Limits(CLOCK_HZ, max_pins=8), PAYLOAD, should_stop=lambda: next(asked, True))
    whole = explore(Limits(CLOCK_HZ, max_pins=8), PAYLOAD)
    assert 0 < len(found.front) + len(found.others) < len(whole.front) + len(whole.others)
    for one in found.front:
        assert not any(beats(other, one) for other in (*found.front, *found.others))


def test_progress_goes_up_to_the_number_of_choices() -> None:
    seen: list[tuple[int, int]] = []
    explore(Limits(CLOCK_HZ, max_pins=5), PAYLOAD, progress=lambda *told: seen.append(told))
    assert seen == [(done, len(seen)) for done in range(len(seen))]


@pytest.mark.thorough
@pytest.mark.parametrize(("suffix", "start"), [(".png", b"\x89PNG"), (".svg", b"<?xml")])
def test_same_search_draws_the_same_file(found: Exploration, suffix: str, start: bytes) -> None:
    pytest.importorskip("matplotlib", reason="the extra `analysis` is not installed")
    pictures = [plot_front(found, Path(f"front{suffix}"), title="links") for _ in range(2)]
    assert pictures[0].startswith(start)
    assert pictures[0] == pictures[1]


@pytest.mark.thorough
def test_each_clock_has_a_panel_of_its_own() -> None:
    pytest.importorskip("matplotlib", reason="the extra `analysis` is not installed")
    heights = []
    for clocks_hz in ((), (16_000_000,), (16_000_000, 32_000_000)):
        found = explore(Limits(CLOCK_HZ, clocks_hz=clocks_hz, max_pins=5), PAYLOAD)
        picture = plot_front(found, Path("front.png"), title="links")
        heights.append(int.from_bytes(picture[20:24], "big"))
    assert heights[1] - heights[0] == heights[2] - heights[1] == CLOCK_INCHES * DOTS_PER_INCH
