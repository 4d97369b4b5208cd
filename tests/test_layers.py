"""Imports follow DEVELOPERS.md: no stage imports another, and there are no cycles."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

from busplay.cli.main import COMMANDS

PROJECT = Path(__file__).parent.parent
PACKAGE = PROJECT / "busplay"
SOURCES = sorted(PACKAGE.glob("**/*.py"))
# DEVELOPERS.md has a row `folder/` | what is in it | imports; stages import only shared folders.
ROW = re.compile(r"^\| `(\w+)(?:/|\.py)` \| .+ \| (.*?)\|$", re.MULTILINE)
TABLE = {
    name: None if said.strip() == "anything" else set(re.findall(r"`(\w+)`", said))
    for name, said in ROW.findall((PROJECT / "DEVELOPERS.md").read_text(encoding="utf-8"))
}
STAGES = ("core", "sender", "wire", "receiver", "display")
SHARED = {"batch", "description", "errors", "jit", "link", "units", "wording"}
# A program is loaded into the memory map; a picture can be saved.
ALSO = {"core": {"program"}, "display": {"png"}}
# These are the package itself, not a part of it.
ON_TOP = {"__init__", "__main__"}
PYGAME_FOLDERS = {"view"}
HEAVY = {"bincopy", "elftools", "jinja2", "numba", "py65", "pygame", "zstandard"}


def folder_of(module: str) -> str:
    """Return the folder, or the top-level module, to which a module belongs."""
    return [*module.split("."), "__init__"][1]


def module_of(file: Path) -> str:
    parts = file.relative_to(PROJECT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


MODULES = {module_of(file): file for file in SOURCES}


@cache
def tree_of(file: Path) -> ast.Module:
    return ast.parse(file.read_text(encoding="utf-8"))


def imported_modules(file: Path, *, everywhere: bool) -> set[str]:
    """Return our modules that a file imports, in functions too or at the top only."""
    tree = tree_of(file)
    found = set()
    for node in ast.walk(tree) if everywhere else _on_top(tree):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            names = {f"{node.module}.{alias.name}" for alias in node.names}
            found |= names & set(MODULES) or {node.module}
    return found & set(MODULES)


def _on_top(tree: ast.AST) -> Iterator[ast.AST]:
    """Return the statements that run at import, those for type checkers included."""
    for node in ast.iter_child_nodes(tree):
        if isinstance(node, ast.If | ast.Try):
            yield from _on_top(node)
        else:
            yield node


@pytest.mark.parametrize("folder", TABLE)
def test_folder_imports_only_what_its_row_in_developers_md_says(folder: str) -> None:
    allowed = TABLE[folder]
    if allowed is None:
        return
    for module, file in MODULES.items():
        if folder_of(module) == folder:
            found = {folder_of(one) for one in imported_modules(file, everywhere=True)}
            assert found <= allowed | {folder}, module


def test_every_folder_has_a_row_in_developers_md_and_no_other_has() -> None:
    assert set(TABLE) == {folder_of(module) for module in MODULES} - ON_TOP


@pytest.mark.parametrize("stage", STAGES)
def test_stage_may_import_no_other_stage(stage: str) -> None:
    allowed = TABLE[stage]
    assert allowed is not None
    assert allowed <= SHARED | ALSO.get(stage, set())


def test_there_are_no_import_cycles() -> None:
    imports = {module: imported_modules(file, everywhere=False) for module, file in MODULES.items()}
    left = dict(imports)
    # A module that imports none of the remaining ones is in no cycle, so it is removed.
    while ready := {module for module, needs in left.items() if not needs & set(left)}:
        left = {module: needs for module, needs in left.items() if module not in ready}
    circles = {module: sorted(needs & set(left)) for module, needs in left.items()}
    assert not circles


def test_only_view_imports_pygame() -> None:
    for file in SOURCES:
        if file.relative_to(PACKAGE).parts[0] not in PYGAME_FOLDERS:
            assert "import pygame" not in file.read_text(encoding="utf-8"), file


def test_formats_know_nothing_of_links() -> None:
    allowed = TABLE["formats"]
    assert allowed is not None
    assert not allowed & {"link", "sender", "receiver", "display", "trace"}


HELP_OF_ALL = """
import sys
import busplay.cli.main as cli
for words in {words!r}:
    cli.group.main(args=words, standalone_mode=False)
    print("loaded by", *words, *sorted(set(sys.modules) & {heavy!r}), sep="|")
"""


def test_import_and_help_load_no_heavy_module() -> None:
    """One process asks for every help in turn, since what any of them loads stays loaded."""
    words = [["--help"], *([command, "--help"] for command in COMMANDS)]
    code = HELP_OF_ALL.format(words=words, heavy=HEAVY | {"numpy"})
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = [line for line in found.stdout.splitlines() if line.startswith("loaded by|")]
    assert loaded == ["|".join(["loaded by", *one]) for one in words]
