"""The wheel stands alone: demos run from it in an empty folder, outside the checkout."""

from __future__ import annotations

import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from busplay.demo.programs import DEMO_PROGRAMS
from busplay.guide.man_pages import man_pages
from busplay.starter.new import FILES

PROJECT = Path(__file__).parent.parent.parent


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("wheel")
    subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(folder)],
        cwd=PROJECT,
        check=True,
        capture_output=True,
    )
    (built,) = folder.glob("busplay-*.whl")
    return built


def test_wheel_holds_programs_and_traces_and_no_caches(wheel: Path) -> None:
    names = set(zipfile.ZipFile(wheel).namelist())
    for name in DEMO_PROGRAMS:
        assert f"busplay/demo/roms/{name}.bin" in names
        assert f"busplay/demo/roms/{name}.lbl" in names
        assert f"busplay/demo/traces/{name}.trace" in names
    assert "busplay/description/shipped/dunlin.toml" in names
    assert "busplay/guide/start.md" in names
    assert "busplay/py.typed" in names
    assert not [name for name in names if "__pycache__" in name or name.startswith("tests/")]


def test_wheel_brings_a_current_manual_page_of_every_command(wheel: Path) -> None:
    archive = zipfile.ZipFile(wheel)
    found = {
        Path(name).name: archive.read(name).decode()
        for name in archive.namelist()
        if ".data/data/share/man/man1/" in name
    }
    assert found == dict(man_pages())


def test_wheel_holds_the_files_of_a_starter_folder(wheel: Path) -> None:
    names = set(zipfile.ZipFile(wheel).namelist())
    templates = {str(one.relative_to(PROJECT)) for one in FILES.rglob("*.in")}
    assert len(templates) > 15
    assert templates <= names


def test_demo_runs_from_the_wheel_in_an_empty_folder(wheel: Path, tmp_path: Path) -> None:
    installed, empty = tmp_path / "installed", tmp_path / "empty"
    zipfile.ZipFile(wheel).extractall(installed)
    empty.mkdir()
    environment = {**os.environ, "PYTHONPATH": str(installed)}
    code = "import busplay; print(busplay.__file__)"
    home = subprocess.run(
        [sys.executable, "-c", code], cwd=empty, env=environment, capture_output=True, check=True
    ).stdout.decode()
    assert home.startswith(str(installed))
    done = subprocess.run(
        [sys.executable, "-m", "busplay", "demo", "--headless", "--cycles", "200000"],
        cwd=empty,
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert "nothing lost" in done.stdout
    assert not list(empty.iterdir())
