"""Code beside a board file runs only where the user says so."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.cli.conftest import Busplay
from tests.core.devices.test_bus import board_file


@pytest.fixture
def trace(tmp_path: Path, busplay: Busplay) -> Path:
    """Record a run with a device of somebody's own."""
    board = board_file(tmp_path, more="start = 30\n")
    program = tmp_path / "p.bin"
    # LDA $A802, STA $4000, JMP $C000.
    program.write_bytes(
        bytes.fromhex("AD02A8 8D0040 4C00C0").ljust(0x3FFC, b"\xea") + bytes.fromhex("00C000C0")
    )
    text = board.read_text().replace(
        'link = "guarded"', 'link = "guarded"\nprogram_load_address = 0xC000'
    )
    board.write_text(text)
    words = ["run", board, program, "--headless", "--cycles", 5000]
    found = busplay(*words, "--record", tmp_path / "run.trace")
    assert found.status == 2
    assert "give --trust-board-code" in found.err
    found = busplay(*words, "--record", tmp_path / "run.trace", "--trust-board-code")
    assert found.status == 0, found.err
    return tmp_path / "run.trace"


@pytest.mark.parametrize(
    "words",
    [
        ("why", "--unit", "panel", "--pixel", "0,0", "--program"),
        ("replay", "--headless", "--program"),
        ("profile",),
    ],
)
def test_rerun_of_a_recording_runs_it_only_if_trusted(
    busplay: Busplay, trace: Path, words: tuple[str, ...]
) -> None:
    command, *options = words
    given = [command, trace, *options, *([trace.with_name("p.bin")] if options else [])]
    refused = busplay(*given)
    assert refused.status == 2
    assert refused.err.endswith("look at that file, then give --trust-board-code\n")
    found = busplay(*given, "--trust-board-code")
    assert found.status == 0, found.err


def test_replay_without_its_program_needs_no_trust(busplay: Busplay, trace: Path) -> None:
    found = busplay("replay", trace, "--headless")
    assert found.status == 0, found.err
