from __future__ import annotations

from pathlib import Path

import pytest

from busplay.conversion.capture_map import map_capture
from busplay.errors import InputError
from busplay.formats.capture import open_capture
from busplay.link.load import load_link

LINK = load_link("lean")  # a clock and four lanes


@pytest.fixture
def dump(tmp_path: Path) -> Path:
    """A simulator's dump: ninety wires of something else, then the link, with aliases."""
    lines = ["$timescale 1ns $end $scope module soc $end"]
    lines += [f"$var wire 1 o{n} other{n} $end" for n in range(90)]
    lines += ["$upscope $end $scope module link $end $var wire 1 c clock $end"]
    lines += ["$var wire 4 d lanes [3:0] $end $upscope $end"]
    lines += ["$scope module dut $end $var wire 1 c phi2 $end $upscope $end $enddefinitions $end"]
    path = tmp_path / "dump.vcd"
    path.write_text("\n".join([*lines, "#0 0c b0 d", "#5 1c b1010 d", "#9"]))
    return path


def test_wires_far_back_in_a_dump_are_found_by_map(dump: Path) -> None:
    text = "clock=clock,lane0=lanes[0],lane1=lanes[1],lane2=!lanes[2],lane3=lanes[3]"
    with open_capture(dump) as capture:
        found = map_capture(capture, LINK, text)
        assert str(found) == (
            "clock=link.clock,lane0=link.lanes[0],lane1=link.lanes[1],lane2=!link.lanes[2],"
            "lane3=link.lanes[3]"
        )
        assert [capture.signals[probe.index] for probe in found.wires.values()] == [
            probe.signal for probe in found.wires.values()
        ]
        levels = [int(level) for batch in capture.batches() for level in batch.level]
        assert levels == [0, 1 << found.clock.index | 1 << found.lanes[1].index
                          | 1 << found.lanes[3].index]  # fmt: skip


def test_alias_of_a_wire_is_taken_and_the_rest_by_their_names(dump: Path) -> None:
    lanes = ",".join(f"lane{n}=link.lanes[{n}]" for n in range(4))
    with open_capture(dump) as capture:
        assert map_capture(capture, LINK, f"clock=dut.phi2,{lanes}").clock.signal == "dut.phi2"


def test_name_that_is_not_in_the_capture_is_refused_with_those_that_are(dump: Path) -> None:
    with open_capture(dump) as capture, pytest.raises(InputError) as failure:
        map_capture(capture, LINK, "clock=nope")
    message = str(failure.value)
    assert message.startswith(f"{dump}: --map: found no signal named 'nope'; the capture has the")
    assert message.endswith("soc.other19 and 75 more; give a full name")
