"""`busplay check` as a user calls it."""

from __future__ import annotations

import json
from collections.abc import Callable
from importlib.resources import files
from pathlib import Path

import pytest

from tests.cli.conftest import Outcome
from tests.description.writing import LINK, edited

Call = Callable[..., Outcome]
SCREEN_LINES = 24

UNSOUND = edited(LINK, ('kind = "hec_i432"', 'kind = "hec_i432"\nxor = 0'), ("value = 9\n", ""))


def test_verdict_comes_first_and_all_tables_with_full(busplay: Call) -> None:
    outcome = busplay("check", "guarded")
    assert outcome.status == 0
    lines = outcome.out.splitlines()
    assert lines[0] == "Link guarded is sound: no weaknesses found"
    assert lines[-1] == "Print all tables and the changed link files with --full."
    assert len(lines) <= SCREEN_LINES
    assert max(map(len, lines)) <= 80
    assert outcome.err == ""
    full = busplay("check", "guarded", "--full").out
    assert full.startswith("Link guarded is sound: no weaknesses found\n")
    assert "\nLink guarded, from guarded.toml\n" in full
    assert "One frame between idle ones: space 1, address $1234, data $56\n" in full


@pytest.mark.thorough
def test_link_that_one_units_memory_imitates_is_not_sound(busplay: Call, tmp_path: Path) -> None:
    lean = busplay("check", "lean").out
    assert lean.startswith("Link lean is sound: 4 weaknesses\n")
    file = tmp_path / "other.toml"
    shipped = files("busplay.description") / "shipped" / "lean.toml"
    file.write_text(edited(shipped.read_text(), ("xor = 5", "xor = 10")))
    outcome = busplay("check", file)
    assert outcome.status == 1
    lines = outcome.out.splitlines()
    assert lines[0] == "Link lean is NOT SOUND: 1 fault, 3 weaknesses"
    assert lines[1].startswith("  FAULT     unit 0's memory, random data: a receiver that lost")


@pytest.mark.thorough
def test_advised_link_file_does_what_was_said_of_it(busplay: Call, tmp_path: Path) -> None:
    soundness = busplay("check", "lean", "--json").figures["soundness"]
    assert isinstance(soundness, dict)
    advice = next(one for one in soundness["advice"] if one["weakness"] == "slow_sync")
    assert advice["link_toml"] in busplay("check", "lean", "--full").out + "\n"
    file = tmp_path / "better.toml"
    file.write_text(advice["link_toml"])
    again = busplay("check", file, "--json").figures["soundness"]
    assert isinstance(again, dict)
    assert advice["removes"] is True
    assert "slow_sync" not in [one["name"] for one in again["weaknesses"]]
    worst = next(one for one in again["sync"] if one["traffic"] == again["worst_traffic"])
    assert worst["frames_lost"]["value"] == advice["after"] < 20


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
    assert " is NOT SOUND: 1 fault" in outcome.out.splitlines()[0]
    assert outcome.out.splitlines()[1].startswith("  FAULT ")
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
    assert "Memory map\n" in busplay("check", board, "--full").out


def test_description_that_is_impossible_stays_bad_input(busplay: Call, tmp_path: Path) -> None:
    file = tmp_path / "bad.toml"
    file.write_text(edited(LINK, ("lanes = 4", "lanes = 0")))
    outcome = busplay("check", file)
    assert outcome.status == 2
    assert outcome.err == (f"busplay: {file}: lanes: found 0; give a whole number from 1 to 16\n")


def test_board_says_in_its_first_lines_what_answers_where(busplay: Call) -> None:
    outcome = busplay("check", "dunlin")
    assert outcome.status == 0
    lines = outcome.out.splitlines()
    assert lines[0] == "Link guarded on board Dunlin is sound: no weaknesses found"
    assert "  $4000-$9FFF  24,576  RAM           RAM and panel memory $0000-$5FFF" in lines[:30]
    assert "  $A310-$A317       8  -             sign registers $0000-$0007" in lines[:30]
    assert len(lines) <= 30
    full = busplay("check", "dunlin", "--full").out
    assert "    Times in symbols of 62.5 ns; a frame has 8. " in full


@pytest.mark.thorough
def test_bit_error_rates_are_those_asked_for(busplay: Call) -> None:
    outcome = busplay("check", "lean", "--ber", "1e-2", "--ber", "1e-5", "--full")
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


def test_json_has_the_description_and_the_report(busplay: Call) -> None:
    figures = busplay("check", "lean", "--json").figures
    description, soundness = figures["description"], figures["soundness"]
    assert isinstance(description, dict)
    assert isinstance(soundness, dict)
    assert description["kind"] == "link"
    assert description["frame_bits"] == 32
    errors = soundness["detection"]["errors"]
    assert [one["undetected"] for one in errors[:4]] == [0, 19, 338, 2317]
    assert soundness["worst_traffic"].startswith("unit 0's memory, rising addresses")
    assert json.dumps(figures, allow_nan=False)


def test_svg_is_written(busplay: Call, tmp_path: Path) -> None:
    file = tmp_path / "strobed.svg"
    assert busplay("check", "strobed", "--svg", file).status == 0
    assert file.read_text().startswith("<svg xmlns=")
    assert [one.name for one in tmp_path.iterdir()] == ["strobed.svg"]


def test_svg_that_cannot_be_written_is_named(busplay: Call, tmp_path: Path) -> None:
    file = tmp_path / "no" / "lean.svg"
    outcome = busplay("check", "lean", "--svg", file)
    assert outcome.status == 2
    assert outcome.err == (f"busplay: --svg: found {file}; make the folder {file.parent} first\n")


@pytest.mark.thorough
def test_same_seed_prints_the_same(busplay: Call) -> None:
    first = busplay("check", "guarded", "--seed", 7, "--full").out
    assert busplay("check", "guarded", "--seed", 7, "--full").out == first
    assert busplay("check", "guarded", "--seed", 8, "--full").out != first
