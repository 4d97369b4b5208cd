"""Faults and timing from the command line: injected, accounted for, named."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from busplay.description.shipped_files import shipped_boards
from tests.cli.command import run_busplay

ROMS = Path(__file__).parent.parent.parent / "roms"
FILL = ROMS / "fill.bin"


def figures_of(capsys: pytest.CaptureFixture[str], *words: object) -> dict[str, object]:
    assert run_busplay(*words, "--json") == 0
    found = json.loads(capsys.readouterr().out)
    assert isinstance(found, dict)
    return found


@pytest.fixture
def slow_board(tmp_path: Path) -> Path:
    """A Dunlin whose receiver is too slow while its video side has the memory."""
    text = shipped_boards()["dunlin"].read_text()
    text = text.replace("\nfifo_depth = 64\n", "\nfifo_depth = 8\n")
    text = text.replace(
        "service_ns = 250\n",
        "service_ns = 400\n[[receiver.busy]]\nperiod_ns = 64_000\nlength_ns = 12_000\n",
    )
    board = tmp_path / "slow.toml"
    board.write_text(text)
    return board


def test_clean_run_loses_nothing_and_says_so(capsys: pytest.CaptureFixture[str]) -> None:
    assert run_busplay("run", "dunlin", FILL, "--headless", "--cycles", 400_000) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].endswith("stores received")
    assert lines[4].endswith("nothing lost")
    assert not any("of all losses" in line for line in lines)


def test_overruns_name_store_instruction_and_busy_receiver(
    capsys: pytest.CaptureFixture[str], slow_board: Path
) -> None:
    found = figures_of(capsys, "run", slow_board, FILL, "--headless", "--cycles", 4_000_000)
    accounts = found["accounts"]
    assert isinstance(accounts, dict)
    assert accounts["balanced"] is True
    assert accounts["frames"]["lost_at_receiver"] == found["frames_lost_at_receiver"] > 0
    assert accounts["receiver_fifo"]["frames_held_max"] == 8
    losses = found["losses"]
    assert isinstance(losses, list)
    assert {one["cause"] for one in losses} == {"receiver_fifo"}
    assert {"video"} in [set(one["receiver_busy"]) for one in losses]
    code = FILL.read_bytes()
    for one in losses:
        assert one["cycle_is_exact"] is True
        assert 0x4000 <= one["address"] < 0xA318
        # STA or STX in one of their forms: the low two bits select the register.
        assert code[one["pc"] - 0xC000] & 0xE0 == 0x80
        assert one["label"]


def test_text_shows_where_stores_get_lost(
    capsys: pytest.CaptureFixture[str], slow_board: Path
) -> None:
    assert run_busplay("run", slow_board, FILL, "--headless", "--cycles", 4_000_000) == 0
    out = capsys.readouterr().out
    assert f"{'lost at the full receiver FIFO':34} 100.0% of all losses" in out
    assert "the receiver held 8 frames at most" in out
    assert "stores lost, by instruction (of the first 100):" in out


def test_same_seed_same_faults_on_run_and_replay(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    trace = tmp_path / "fill.trace"
    faults = ("--ber", "1e-4", "--lost-edges", "1e-6", "--seed", 11)
    ran = figures_of(
        capsys,
        "run",
        "dunlin",
        FILL,
        "--headless",
        "--cycles",
        1_000_000,
        "--record",
        trace,
        *faults,
    )
    replayed = figures_of(capsys, "replay", trace, "--headless", *faults)
    other = figures_of(capsys, "replay", trace, "--headless", *faults[:-1], 12)
    assert ran["accounts"] == replayed["accounts"]
    assert ran["accounts"] != other["accounts"]
    edges = [[one["edge"] for one in each["losses"]] for each in (ran, replayed)]
    assert edges[0] == edges[1] != []
    # The recording holds what was sent: the wire's damage is not in it.
    clean = figures_of(capsys, "replay", trace, "--headless")
    assert clean["frames_received"] == clean["frames_sent"] == ran["frames_sent"]
    for one, again in zip(ran["losses"], replayed["losses"], strict=True):  # type: ignore[arg-type,call-overload]
        assert again["cycle_is_exact"] is False
        assert one["cycle"] <= again["cycle"]
        assert again["address"] == one["address"]


def test_faults_file_and_options_add_up(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    faults = tmp_path / "rough.toml"
    faults.write_text("[[extra_edges]]\nat_edges = [5_000]\n")
    found = figures_of(
        capsys,
        "run",
        "dunlin",
        FILL,
        "--headless",
        "--cycles",
        100_000,
        "--faults",
        faults,
        "--stuck",
        "1=0",
    )
    accounts = found["accounts"]
    assert isinstance(accounts, dict)
    assert accounts["faults"]["extra_edges"]["injected"] == 1
    assert accounts["faults"]["stuck_symbols"]["injected"] > 0
    assert accounts["balanced"] is True
