"""Faults made in code: their short forms, and what a link cannot have."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from busplay.description.faults import (
    BitFlips,
    EarlyLane,
    ExtraEdges,
    Faults,
    LateLane,
    LostEdges,
    Span,
    Stalls,
    StuckLane,
)
from busplay.description.read_faults import as_faults, parse_faults
from busplay.errors import DescriptionError
from tests.boards import GUARDED


def test_short_forms_make_what_a_file_makes() -> None:
    made = Faults(
        ber=1e-4,
        burst_edges=3,
        lost_edges=1e-6,
        extra_edges=1e-7,
        stuck={2: 1},
        late={0: 0.5, 1: 1.0},
        early={3: 0.25},
        stalls=[(200, 20_000)],
        seed=9,
    )
    text = """
        seed = 9
        bit_flips = [{ratio = 1e-4, burst_edges = 3}]
        stuck_lanes = [{lane = 2, level = 1}]
        late_lanes = [{lane = 0, ratio = 0.5}, {lane = 1}]
        early_lanes = [{lane = 3, ratio = 0.25}]
        lost_edges = [{ratio = 1e-6}]
        extra_edges = [{ratio = 1e-7}]
        stalls = [{period_ns = 20_000, length_ns = 200}]
    """
    assert replace(parse_faults(text, GUARDED, file="f"), file="") == made
    assert as_faults(made, GUARDED) is made


def test_rates_by_lane_stand_behind_the_whole_faults() -> None:
    late = BitFlips(1e-3, span=Span(first_ns=5))
    made = Faults(bit_flips=[late], ber={1: 1e-5, 4: 1e-6}, late_lanes=[LateLane(2)], late={3: 0.5})
    assert made.bit_flips == (late, BitFlips(1e-5, (1,)), BitFlips(1e-6, (4,)))
    assert made.late_lanes == (LateLane(2), LateLane(3, 0.5))
    assert replace(made, seed=4).bit_flips == made.bit_flips


def test_lanes_that_are_named_twice_or_in_another_order_are_the_same() -> None:
    # A lane that was named twice was hit twice as often.
    assert BitFlips(1e-3, (3, 0, 3)) == BitFlips(1e-3, (0, 3))


def test_nothing_asked_for_is_nothing() -> None:
    assert not Faults()
    assert Faults() == Faults(seed=1)
    assert Faults(ber=0.0)
    assert as_faults(None, GUARDED) is None


def test_bursts_of_nothing_are_refused() -> None:
    with pytest.raises(
        ValueError, match=r"^burst_edges is the length of the bursts of ber; give b"
    ):
        Faults(burst_edges=3)


def test_faults_do_not_change() -> None:
    with pytest.raises(AttributeError):
        Faults().seed = 2  # type: ignore[misc]


@pytest.mark.parametrize(
    ("faults", "message"),
    [
        (
            Faults(ber=2.0),
            "faults.bit_flips[0].ratio: found 2.0; give a probability: 0, 1, or between 1e-12 and"
            " 1, such as 1e-4",
        ),
        (
            Faults(ber={5: 1e-3}),
            "faults.bit_flips[0].lanes[0]: found lane 5; link guarded has 5 wires, 0 to 4",
        ),
        (
            Faults(stuck={1: 0, 7: 1}),
            "faults.stuck_lanes[1].lane: found lane 7; link guarded has 5 wires, 0 to 4",
        ),
        (Faults(stuck={1: 3}), "faults.stuck_lanes[0].level: found 3; give 0 to 1"),
        (
            Faults(early_lanes=[EarlyLane(0, -0.5)]),
            "faults.early_lanes[0].ratio: found -0.5; give a probability: 0, 1, or between 1e-12"
            " and 1, such as 1e-4",
        ),
        (
            Faults(stalls=[(20, 20)]),
            "faults.stalls[0].length_ns: found 20; give 1 to 19 (less than period_ns = 20)",
        ),
        (
            Faults(stalls=[Stalls(period_ns=1, length_ns=1)]),
            "faults.stalls[0].period_ns: found 1; give 2 to 1,000,000,000",
        ),
        (Faults(seed=-1), "faults.seed: found -1; give 0 to 9,223,372,036,854,775,807"),
        (
            Faults(lost_edges=[LostEdges(at_edges=(3, -4))]),
            "faults.lost_edges[0].at_edges[1]: found -4; give 0 to 72,057,594,037,927,936",
        ),
        (
            Faults(extra_edges=[ExtraEdges(1e-3, span=Span(-1))]),
            "faults.extra_edges[0].span.first_ns: found -1; give 0 to 1,152,921,504,606,846,976",
        ),
        (
            Faults(stuck_lanes=[StuckLane(0, 1, Span(5, 5))]),
            "faults.stuck_lanes[0].span.stop_ns: found 5; give more than first_ns = 5",
        ),
    ],
)
def test_what_the_link_cannot_have_is_refused(faults: Faults, message: str) -> None:
    with pytest.raises(DescriptionError) as caught:
        as_faults(faults, GUARDED)
    assert str(caught.value) == message


def test_file_is_read(tmp_path: Path) -> None:
    path = tmp_path / "noise.toml"
    path.write_text("bit_flips = [{ratio = 1e-4}]\n")
    for given in (path, str(path)):
        assert as_faults(given, GUARDED) == Faults(ber=1e-4, file=str(path))
