"""Files whose names a terminal should not see as they are."""

from __future__ import annotations

import os
import re
import sys
from pathlib import Path

import pytest

from busplay.demo.programs import find_demo
from tests.cli.conftest import Busplay

TIDES = find_demo("tides").image_path.read_bytes()
NAMES = [b"a\nb", b"\x1b[31mred", b"\xff\xfe", "r\u202el".encode(), b"100%", b"back\\slash"]
RUN = ("--headless", "--cycles", 50_000)


@pytest.mark.skipif(sys.platform != "linux", reason="other file systems take no such names")
@pytest.mark.parametrize("raw", NAMES)
def test_any_name_goes_from_the_program_to_the_replay(
    busplay: Busplay, tmp_path: Path, raw: bytes
) -> None:
    program = tmp_path / os.fsdecode(raw + b".bin")
    program.write_bytes(TIDES)
    trace = program.with_suffix(".trace")
    ran = busplay("run", "dunlin", program, *RUN, "--record", trace, "--json")
    assert ran.status == 0
    assert ran.figures["program"] == program.name
    for words in (
        ("run", "dunlin", program, *RUN, "--record", trace),
        ("replay", trace, "--headless", "--record-received", program.with_suffix(".2")),
        ("info", trace),
        ("compare", trace, program.with_suffix(".2")),
        ("run", "dunlin", program.with_suffix(".no"), *RUN),
        ("run", "dunlin", program, f"--{program.name}"),
    ):
        said = busplay(*words)
        assert said.status == (2 if words[0] == "run" and "--record" not in words else 0), said
        assert not re.search("[\x00-\x09\x0b-\x1f\u202e\ufffd]", said.out + said.err)
        if raw == b"a\nb":
            assert "a\nb" not in said.out + said.err


def test_board_that_runs_its_own_rom_is_recorded(busplay: Busplay, tmp_path: Path) -> None:
    """The header of its trace named a program without a name."""
    shipped = Path(__file__).parents[2] / "busplay/description/shipped/dunlin.toml"
    text = re.sub('kind = "rom".*', 'kind = "rom"\nimage = "rom.bin"', shipped.read_text())
    (tmp_path / "board.toml").write_text(text)
    (tmp_path / "rom.bin").write_bytes(TIDES)
    trace = tmp_path / "rom.trace"
    found = busplay("run", tmp_path / "board.toml", *RUN, "--record", trace, "--json")
    assert found.status == 0
    assert found.figures["program"] is None
    assert busplay("replay", trace, "--headless").status == 0
