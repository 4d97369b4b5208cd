"""Every example of README.md and the guides runs and prints the block below it."""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

from busplay.cli.main import COMMANDS
from busplay.guide import FOLDER
from tests.documents import DOCUMENTS, PROJECT, examples, is_output, prepare, run_shell

README = (PROJECT / "README.md").read_text(encoding="utf-8")
SHELL = re.findall(r"^```sh\n(.*?)^```$", README, re.MULTILINE | re.DOTALL)
TEST_COMMAND = SHELL[1].strip()


def test_ci_calls_the_readmes_test_command_word_for_word() -> None:
    assert "pytest" in TEST_COMMAND
    assert TEST_COMMAND in (PROJECT / ".ci" / "run").read_text(encoding="utf-8")
    assert TEST_COMMAND in (PROJECT / "DEVELOPERS.md").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    "path",
    [
        pytest.param(
            path,
            id=path.stem,
            marks=() if path.stem in ("README", "start") else pytest.mark.thorough,
        )
        for path in DOCUMENTS
    ],
)
def test_examples_print_what_the_document_says(path: Path, tmp_path: Path) -> None:
    """To update the outputs: python -m tests.documents."""
    document = path.read_text(encoding="utf-8")
    prepare(document, tmp_path)
    for one in examples(document):
        printed = run_shell(one.shell, tmp_path)
        assert one.output is not None, one.shell
        assert is_output(printed, one.output), f"{one.shell}\n{printed}"


def test_readme_is_short_and_names_every_guide() -> None:
    assert len(README.split()) < 1_500
    for name in [path.stem for path in FOLDER.glob("*.md")] + ["keys", "options", "json"]:
        assert f"`{name}`" in README, name


def test_files_that_developers_md_names_exist() -> None:
    document = (PROJECT / "DEVELOPERS.md").read_text(encoding="utf-8")
    prose = re.sub(r"^\|.*$", "", document, flags=re.MULTILINE)
    named = set(re.findall(r"`([a-z0-9_./]+/[a-z0-9_./]*)`", prose))
    assert len(named) > 30
    missing = [
        name
        for name in named
        if not any((root / name).exists() for root in (PROJECT, PROJECT / "busplay"))
    ]
    assert not missing


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
