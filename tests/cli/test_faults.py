"""Faults and timing from the command line: injected, accounted for, named."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from tests.cli.conftest import Busplay

FILL = Path(__file__).parent.parent.parent / "roms" / "fill.bin"


def figures_of(busplay: Busplay, *words: object) -> dict[str, Any]:
    found = busplay(*words, "--headless", "--json")
    assert found.status == 0
    return found.figures


def test_clean_run_loses_nothing_and_says_so(busplay: Busplay) -> None:
    found = busplay("run", "dunlin", FILL, "--headless", "--cycles", 400_000)
    assert found.status == 0
    lines = found.out.splitlines()
    assert lines[0].endswith("stores received")
    assert lines[4].endswith("nothing lost")
    assert not any("of all losses" in line for line in lines)


def test_overruns_name_store_instruction_and_busy_receiver(
    busplay: Busplay, slow_board: Path
) -> None:
    found = figures_of(busplay, "run", slow_board, FILL, "--cycles", 4_000_000)
    accounts = found["accounts"]
    assert accounts["balanced"] is True
    assert accounts["frames"]["lost_at_receiver"] == found["frames_lost_at_receiver"] > 0
    assert accounts["receiver_fifo"]["frames_held_max"] == 8
    losses = found["losses"]
    assert {one["cause"] for one in losses} == {"receiver_fifo"}
    assert {"video"} in [set(one["receiver_busy"]) for one in losses]
    code = FILL.read_bytes()
    for one in losses:
        assert one["cycle_is_exact"] is True
        assert 0x4000 <= one["address"] < 0xA318
        # STA or STX in one of their forms: the low two bits select the register.
        assert code[one["pc"] - 0xC000] & 0xE0 == 0x80
        assert one["label"]


def test_text_shows_where_stores_get_lost(busplay: Busplay, slow_board: Path) -> None:
    found = busplay("run", slow_board, FILL, "--headless", "--cycles", 4_000_000)
    assert found.status == 0
    assert f"{'lost at the full receiver FIFO':34} 100.0% of all losses" in found.out
    assert "the receiver held 8 frames at most" in found.out
    assert "stores lost, by instruction (of the first 100):" in found.out


def test_same_seed_same_faults_on_run_and_replay(busplay: Busplay, tmp_path: Path) -> None:
    trace = tmp_path / "fill.trace"
    faults = ("--ber", "1e-4", "--lost-edges", "1e-6", "--seed", 11)
    words = ("run", "dunlin", FILL, "--cycles", 1_000_000, "--record", trace)
    ran = figures_of(busplay, *words, *faults)
    replayed = figures_of(busplay, "replay", trace, *faults)
    other = figures_of(busplay, "replay", trace, *faults[:-1], 12)
    assert ran["accounts"] == replayed["accounts"]
    assert ran["accounts"] != other["accounts"]
    edges = [[one["edge"] for one in each["losses"]] for each in (ran, replayed)]
    assert edges[0] == edges[1] != []
    # The recording holds what was sent: the wire's damage is not in it.
    clean = figures_of(busplay, "replay", trace)
    assert clean["frames_received"] == clean["frames_sent"] == ran["frames_sent"]
    for one, again in zip(ran["losses"], replayed["losses"], strict=True):
        assert again["cycle_is_exact"] is False
        assert one["cycle"] <= again["cycle"]
        assert again["address"] == one["address"]


def test_faults_file_and_options_add_up(busplay: Busplay, tmp_path: Path) -> None:
    faults = tmp_path / "rough.toml"
    faults.write_text("[[extra_edges]]\nat_edges = [5_000]\n")
    words = ("run", "dunlin", FILL, "--cycles", 100_000, "--faults", faults, "--stuck", "1=0")
    accounts = figures_of(busplay, *words)["accounts"]
    assert accounts["faults"]["extra_edges"]["injected"] == 1
    assert accounts["faults"]["stuck_symbols"]["injected"] > 0
    assert accounts["balanced"] is True
