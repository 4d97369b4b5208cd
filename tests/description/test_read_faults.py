"""Faults files: what they say, and what is refused with its remedy."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

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
from busplay.description.read_faults import load_faults, parse_faults
from busplay.errors import DescriptionError
from busplay.link.load import load_link
from tests.boards import GUARDED
from tests.wire.plans import faults_file, plans

EVERYTHING = """
seed = 7

[[bit_flips]]
ratio = 1e-4
lanes = [3, 0, 3]
burst_edges = 4
burst_ratio = 0.25

[[stuck_lanes]]
lane = 2
level = 1
first_ns = 1_000
stop_ns = 2_000

[[late_lanes]]
lane = 4
ratio = 0.5

[[late_lanes]]
lane = 1

[[early_lanes]]
lane = 3
ratio = 0.25

[[lost_edges]]
ratio = 1e-6
count = 3
at_edges = [40, 800]

[[extra_edges]]
at_edges = [16]

[[stalls]]
period_ns = 1_000_000
length_ns = 20_000
"""


def test_every_key_arrives() -> None:
    assert parse_faults(EVERYTHING, GUARDED, file="rough.toml") == Faults(
        seed=7,
        bit_flips=(BitFlips(1e-4, (0, 3), 4, 0.25),),
        stuck_lanes=(StuckLane(2, 1, Span(1000, 2000)),),
        late_lanes=(LateLane(4, 0.5), LateLane(1)),
        early_lanes=(EarlyLane(3, 0.25),),
        lost_edges=(LostEdges(1e-6, 3, (40, 800)),),
        extra_edges=(ExtraEdges(0.0, (16,)),),
        stalls=(Stalls(1_000_000, 20_000),),
        file="rough.toml",
    )


def test_strobe_is_a_wire_behind_the_lanes() -> None:
    strobed = load_link("strobed")
    text = f"[[stuck_lanes]]\nlane = {strobed.lanes}\nlevel = 0"
    assert parse_faults(text, strobed, file="f").stuck_lanes[0].lane == strobed.lanes


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            "",
            "f.toml: found no faults; give at least one table, such as [[bit_flips]] with"
            " ratio = 1e-4",
        ),
        (
            "[[bit_flips]]\nratio = 2",
            "f.toml: bit_flips[0].ratio: found 2; give a probability: 0, 1, or between 1e-12 and 1,"
            " such as 1e-4",
        ),
        (
            '[[bit_flips]]\nratio = "much"',
            'f.toml: bit_flips[0].ratio: found "much", a string; give a probability: 0, 1, or '
            "between 1e-12 and 1, such as 1e-4",
        ),
        (
            "[[bit_flips]]\nlanes = [0]",
            "f.toml: bit_flips[0].ratio: found nothing; give a probability: 0, 1, or between "
            "1e-12 and 1, such as 1e-4",
        ),
        (
            "[[stuck_lanes]]\nlane = 5\nlevel = 0",
            "f.toml: stuck_lanes[0].lane: found lane 5; link guarded has 5 wires, 0 to 4",
        ),
        (
            "[[late_lanes]]\nlane = 0\nfirst_ns = 5\nstop_ns = 5",
            "f.toml: late_lanes[0].stop_ns: found 5; give more than first_ns = 5",
        ),
        (
            "[[stalls]]\nperiod_ns = 10\nlength_ns = 10",
            "f.toml: stalls[0].length_ns: found 10; give 1 to 9 (less than period_ns = 10)",
        ),
        (
            "[[bit_flip]]\nratio = 1",
            "f.toml: bit_flip: found a key that is not known here; did you mean bit_flips?",
        ),
    ],
)
def test_mistake_is_refused_with_its_remedy(text: str, message: str) -> None:
    with pytest.raises(DescriptionError) as caught:
        parse_faults(text, GUARDED, file="f.toml")
    assert str(caught.value) == message


@given(st.data())
def test_written_plan_is_read_as_it_was(data: st.DataObject) -> None:
    plan = data.draw(plans(GUARDED))
    plan = replace(plan, stalls=data.draw(st.sampled_from(((), (Stalls(1_000, 999),)))))
    if not plan:
        return
    assert parse_faults(faults_file(plan), GUARDED, file="") == plan


def test_file_is_read(tmp_path: Path) -> None:
    file = tmp_path / "rough.toml"
    file.write_text(EVERYTHING)
    assert load_faults(file, GUARDED).seed == 7
    with pytest.raises(DescriptionError) as caught:
        load_faults(tmp_path / "none.toml", GUARDED)
    assert str(caught.value) == (
        f"{tmp_path / 'none.toml'}: found no such file; give the path of a file"
    )
