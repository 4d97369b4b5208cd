"""A real window on a real X server, looked at from outside."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from PIL import Image

from busplay.demo.programs import find_demo
from busplay.link.load import load_board
from busplay.run.session import Session

PROJECT = Path(__file__).parent.parent.parent
TOOLS = [tool for tool in ("Xvfb", "import") if shutil.which(tool) is None]

pytestmark = pytest.mark.skipif(
    bool(TOOLS), reason=f"needs {' and '.join(TOOLS)} (Debian: xvfb, imagemagick)"
)


@pytest.fixture
def display() -> Iterator[str]:
    """An X server of our own, on a number that it finds itself."""
    read, write = os.pipe()
    server = subprocess.Popen(
        ["Xvfb", "-displayfd", str(write), "-screen", "0", "1280x900x24"],
        pass_fds=[write],
        stderr=subprocess.DEVNULL,
    )
    os.close(write)
    with os.fdopen(read) as number:
        name = f":{number.readline().strip()}"
    yield name
    server.terminate()
    server.wait()


def test_demo_shows_both_units_in_a_real_window(display: str, tmp_path: Path) -> None:
    environment = {
        key: value for key, value in os.environ.items() if not key.startswith("SDL_VIDEO")
    }
    environment |= {"DISPLAY": display, "PYTHONPATH": str(PROJECT)}
    child = subprocess.Popen(
        [sys.executable, "-m", "busplay", "demo", "tides"], cwd=tmp_path, env=environment
    )
    picture = tmp_path / "screen.png"
    colours: set[tuple[int, ...]] = set()
    session = Session(load_board("dunlin"), program=find_demo("tides").image_path)
    session.run(cycles=900_000)
    wanted = {
        tuple(pixel)
        for display in session.displays.values()
        for pixel in display.image().reshape(-1, 3).tolist()
    }
    assert len(wanted) > 10
    deadline = time.monotonic() + 60
    try:
        while not wanted <= colours and time.monotonic() < deadline:
            assert child.poll() is None
            time.sleep(0.5)
            subprocess.run(
                ["import", "-display", display, "-window", "root", str(picture)], check=True
            )
            found = Image.open(picture).convert("RGB").getcolors(1 << 20) or []
            colours = {colour for _, colour in found}
    finally:
        child.terminate()
        child.wait()
    assert wanted <= colours
