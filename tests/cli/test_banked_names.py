"""Commands name stores and instructions in banked memory with their page."""

from __future__ import annotations

import csv
from pathlib import Path

from tests.cli.conftest import Busplay
from tests.road import banked
from tests.road.test_banked_names import CYCLES, STORES


def test_losses_in_reports_and_files_have_pages(busplay: Busplay, tmp_path: Path) -> None:
    banked.write_files(tmp_path)
    words = ("run", tmp_path / "board.toml", tmp_path / "program.bin", "--headless")
    words = (*words, "--cycles", CYCLES, "--ber", 0.4)
    told = busplay(*words, "--losses", tmp_path / "lost.csv")
    assert "          2 1:$8002 clear+2 " in told.out
    with (tmp_path / "lost.csv").open(encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    assert [
        (row["page"], row["address"], row["address_label"], row["pc_page"]) for row in rows
    ] == [
        (str(page), f"0x{address:04X}", label, "" if pc_page is None else str(pc_page))
        for page, address, label, pc_page, _ in STORES
    ]
    losses = busplay(*words, "--json").figures["losses"]
    assert [(one["page"], one["pc_page"]) for one in losses] == [(one[0], one[3]) for one in STORES]


def test_losses_of_a_replay_have_the_pages_of_the_recording(
    busplay: Busplay, tmp_path: Path
) -> None:
    banked.write_files(tmp_path)
    trace, received = tmp_path / "run.trace", tmp_path / "received.trace"
    words = ("run", tmp_path / "board.toml", tmp_path / "program.bin", "--headless")
    assert busplay(*words, "--cycles", CYCLES, "--record", trace).status == 0
    (tmp_path / "program.bin").unlink()
    words = ("replay", trace, "--headless", "--ber", 0.4, "--json")
    losses = busplay(*words).figures["losses"]
    assert [(one["page"], one["address"]) for one in losses] == [one[:2] for one in STORES]
    assert {one["pc_page"] for one in losses} == {None}
    # What arrived of it is named as well.
    replayed = ("replay", trace, "--headless", "--record-received", received)
    assert busplay(*replayed).status == 0
    text = busplay("why", received, "--pixel", "34,0").out
    assert "$11 to 1:$4011, cycle " in text
    rewritten = tmp_path / "rewritten.trace"
    assert busplay("convert", trace, rewritten).status == 0
    assert rewritten.read_bytes() == trace.read_bytes()
