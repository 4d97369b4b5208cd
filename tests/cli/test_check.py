"""`busplay check` as a user calls it."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.cli.conftest import Outcome
from tests.description.writing import LINK, edited

Call = Callable[..., Outcome]

UNSOUND = edited(LINK, ('kind = "hec_i432"', 'kind = "hec_i432"\nxor = 0'), ("value = 9\n", ""))


def test_shipped_link_is_sound(busplay: Call) -> None:
    outcome = busplay("check", "guarded")
    assert outcome.status == 0
    assert outcome.out.startswith("Link guarded, from guarded.toml\n")
    assert "One frame between idle ones: space 1, address $1234, data $56\n" in outcome.out
    assert outcome.out.endswith("The frame layout is sound: no weaknesses found.\n")
    assert outcome.err == ""


def test_link_with_a_fault_is_read_here_and_makes_the_status_one(
    busplay: Call, tmp_path: Path
) -> None:
    file = tmp_path / "bad.toml"
    file.write_text(UNSOUND)
    outcome = busplay("check", file)
    assert outcome.status == 1
    assert 'framing.method: found "check", but a stream of idle frames also passes' in " ".join(
        outcome.out.split()
    )
    assert "The frame layout is NOT SOUND: 1 fault" in outcome.out
    figures = busplay("check", file, "--json").figures
    soundness = figures["soundness"]
    assert isinstance(soundness, dict)
    assert soundness["is_sound"] is False
    assert soundness["weaknesses"][0]["is_fault"] is True


def test_link_with_a_fault_is_refused_where_it_would_run(busplay: Call, tmp_path: Path) -> None:
    file = tmp_path / "bad.toml"
    file.write_text(UNSOUND)
    outcome = busplay("run", "dunlin", "--link", file, "--headless", "--cycles", 10)
    assert outcome.status == 2
    assert "a stream of idle frames also passes" in outcome.err


def test_board_on_a_link_with_a_fault_is_checked_with_it(busplay: Call, tmp_path: Path) -> None:
    from tests.description.writing import BOARD

    (tmp_path / "bad.toml").write_text(UNSOUND)
    board = tmp_path / "board.toml"
    board.write_text(edited(BOARD, ('link = "guarded"', 'link = "bad.toml"')))
    outcome = busplay("check", board)
    assert outcome.status == 1
    assert "Memory map\n" in outcome.out


def test_description_that_is_impossible_stays_bad_input(busplay: Call, tmp_path: Path) -> None:
    file = tmp_path / "bad.toml"
    file.write_text(edited(LINK, ("lanes = 4", "lanes = 0")))
    outcome = busplay("check", file)
    assert outcome.status == 2
    assert outcome.err == (f"busplay: {file}: lanes: found 0; give a whole number from 1 to 16\n")


def test_board_has_times_of_its_clock(busplay: Call) -> None:
    outcome = busplay("check", "dunlin")
    assert outcome.status == 0
    assert "    Times in symbols of 62.5 ns; a frame has 8. " in outcome.out


def test_bit_error_rates_are_those_asked_for(busplay: Call) -> None:
    outcome = busplay("check", "lean", "--ber", "1e-2", "--ber", "1e-5")
    rows = outcome.out.split("Bit errors, each bit by itself\n")[1].splitlines()[1:3]
    assert [row.split()[:3] for row in rows] == [
        ["0.01", "0.275", "0.00168"],
        ["1e-05", "0.00032", "1.9e-09"],
    ]
    figures = busplay("check", "lean", "--ber", "1e-2", "--json").figures
    soundness = figures["soundness"]
    assert isinstance(soundness, dict)
    assert [one["bit_error_rate"] for one in soundness["rates"]] == [0.01]


@pytest.mark.parametrize("rate", ["0", "0.6", "much"])
def test_bit_error_rate_that_cannot_be_is_refused(busplay: Call, rate: str) -> None:
    outcome = busplay("check", "lean", "--ber", rate)
    assert outcome.status == 2
    assert "--ber" in outcome.err


def test_json_has_the_facts_of_before_and_the_findings(busplay: Call) -> None:
    figures = busplay("check", "lean", "--json").figures
    description = figures["description"]
    assert isinstance(description, dict)
    assert (description["kind"], description["frame_bits"]) == ("link", 32)
    soundness = figures["soundness"]
    assert isinstance(soundness, dict)
    assert soundness["check"]["unseen"]["counts"][2:5] == [19, 338, 2317]
    assert json.dumps(figures, allow_nan=False)


def test_svg_is_written(busplay: Call, tmp_path: Path) -> None:
    file = tmp_path / "lean.svg"
    assert busplay("check", "lean", "--svg", file).status == 0
    assert file.read_text().startswith("<svg xmlns=")
    assert [one.name for one in tmp_path.iterdir()] == ["lean.svg"]


def test_svg_that_cannot_be_written_is_named(busplay: Call, tmp_path: Path) -> None:
    file = tmp_path / "no" / "lean.svg"
    outcome = busplay("check", "lean", "--svg", file)
    assert outcome.status == 2
    assert outcome.err == (f"busplay: --svg: found {file}; make the folder {file.parent} first\n")


def test_same_seed_prints_the_same(busplay: Call) -> None:
    first = busplay("check", "lean", "--seed", 7).out
    assert busplay("check", "lean", "--seed", 7).out == first
    assert busplay("check", "lean", "--seed", 8).out != first
