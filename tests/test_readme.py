"""What README.md and DEVELOPERS.md say is true: files load, commands run, tables agree."""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys
import time
from pathlib import Path

import pytest

import busplay
from busplay.cli.main import COMMANDS
from busplay.display.registers import markdown_table

PROJECT = Path(__file__).parent.parent
README = (PROJECT / "README.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"^```(\w+)\n(.*?)^```$", README, re.MULTILINE | re.DOTALL)
SHELL = [text for kind, text in BLOCKS if kind == "sh"]
TOML = [text for kind, text in BLOCKS if kind == "toml"]
TEST_COMMAND = SHELL[1].strip()
TOUR = [shlex.split(line, comments=True) for line in SHELL[2].splitlines() if line.strip()]


def test_ci_calls_the_readmes_test_command_word_for_word() -> None:
    assert "pytest" in TEST_COMMAND
    assert TEST_COMMAND in (PROJECT / ".ci" / "run").read_text(encoding="utf-8")
    assert TEST_COMMAND in (PROJECT / "DEVELOPERS.md").read_text(encoding="utf-8")


def test_files_of_the_readme_load_and_run(tmp_path: Path) -> None:
    link, board = TOML
    (tmp_path / "my_link.toml").write_text(link, encoding="utf-8")
    (tmp_path / "my_board.toml").write_text(board, encoding="utf-8")
    loaded = busplay.load_board(tmp_path / "my_board.toml")
    assert loaded.link.frame_bits == 32
    # LDA #$FF, STA $6000, then a loop; 8 KiB at $E000 with the vector at its end.
    code = bytes([0xA9, 0xFF, 0x8D, 0x00, 0x60, 0x4C, 0x05, 0xE0])
    program = tmp_path / "my_program.bin"
    program.write_bytes(code.ljust(0x1FFC, b"\xea") + b"\x00\xe0\x00\xe0")
    session = busplay.Session(loaded, program=program)
    session.run(cycles=1_000)
    assert session.display("screen").image()[0, :9].tolist() == [[255] * 3] * 8 + [[0] * 3]


@pytest.mark.parametrize("words", TOUR, ids=" ".join)
def test_commands_of_the_tour_run(
    words: list[str], tmp_path_factory: pytest.TempPathFactory
) -> None:
    """Word for word and in one folder; those with a window under SDL's dummy driver."""
    folder = tmp_path_factory.getbasetemp() / "tour"
    folder.mkdir(exist_ok=True)
    assert words[0] == "busplay"
    environment = {**os.environ, "SDL_VIDEODRIVER": "dummy", "PYTHONPATH": str(PROJECT)}
    command = [sys.executable, "-m", "busplay", *words[1:]]
    windowed = words[1] in {"demo", "run", "replay"} and not {"--headless", "--list"} & set(words)
    child = subprocess.Popen(
        command, cwd=folder, env=environment, stderr=subprocess.PIPE, text=True
    )
    if windowed:
        time.sleep(3)
        assert child.poll() is None, child.communicate()[1]
        child.terminate()
        child.wait()
        return
    _, err = child.communicate(timeout=300)
    assert child.returncode == 0, err


def test_register_table_is_the_codes() -> None:
    rows = [line for line in markdown_table().splitlines() if line.startswith("|")]
    for row in rows[2:]:
        assert row in README, row


def test_picture_of_the_window_is_there() -> None:
    path = re.search(r"!\[.*?\]\((.*?)\)", README)
    assert path is not None
    assert (PROJECT / path.group(1)).read_bytes().startswith(b"\x89PNG")


@pytest.mark.parametrize("command", list(COMMANDS), ids=lambda name: f"--help of {name}")
def test_example_in_help_is_a_command_that_exists(command: str) -> None:
    shown = subprocess.run(
        [sys.executable, "-m", "busplay", command, "--help"],
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, "PYTHONPATH": str(PROJECT)},
    ).stdout
    example = re.search(r"Example: (busplay .*)", shown)
    assert example is not None
    words = shlex.split(example.group(1))
    assert words[1] == command
