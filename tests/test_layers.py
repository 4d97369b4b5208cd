"""The way of the data, read from the imports: no stage knows its neighbour."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

from busplay.cli.main import COMMANDS

PACKAGE = Path(__file__).parent.parent / "busplay"
SHARED = {"batch", "description", "errors", "jit", "link", "units", "wording"}
STAGES = ["core", "display", "receiver", "sender", "wire"]
# Extra folders that a stage may know, with the reason.
ALSO = {
    # A program's bytes are put into the memory map.
    "core": {"program"},
}
HEAVY = {"bincopy", "numba", "py65", "pygame", "zstandard"}


def imported_folders(file: Path) -> set[str]:
    folders = set()
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module:
            names = [node.module]
        elif isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        else:
            continue
        folders |= {name.split(".")[1] for name in names if name.startswith("busplay.")}
    return folders


@pytest.mark.parametrize("stage", STAGES)
def test_stage_imports_nothing_of_another_stage(stage: str) -> None:
    allowed = SHARED | ALSO.get(stage, set()) | {stage}
    for file in (PACKAGE / stage).glob("**/*.py"):
        extra = imported_folders(file) - allowed
        assert not extra, f"{file.relative_to(PACKAGE)} imports {sorted(extra)}"


def test_only_view_and_export_import_pygame() -> None:
    for file in PACKAGE.glob("**/*.py"):
        if file.relative_to(PACKAGE).parts[0] in {"view", "export"}:
            continue
        assert "import pygame" not in file.read_text(encoding="utf-8"), file


def test_formats_know_nothing_of_links() -> None:
    for file in (PACKAGE / "formats").glob("**/*.py"):
        extra = imported_folders(file) & {"link", "sender", "receiver", "display"}
        assert not extra, f"{file.relative_to(PACKAGE)} imports {sorted(extra)}"


@pytest.mark.parametrize("command", ["", *COMMANDS])
def test_import_and_help_load_no_heavy_module(command: str) -> None:
    words = [word for word in (command, "--help") if word]
    code = (
        "import sys, busplay.cli.main as cli;"
        f"cli.group.main(args={words!r}, standalone_mode=False);"
        f"heavy = sorted(set(sys.modules) & {HEAVY | {'numpy'}!r}); print(*heavy)"
    )
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert found.stdout.splitlines()[-1].strip() == ""
