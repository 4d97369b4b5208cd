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


def environment_of(display: str) -> dict[str, str]:
    kept = {key: value for key, value in os.environ.items() if not key.startswith("SDL_VIDEO")}
    return {**kept, "DISPLAY": display, "PYTHONPATH": str(PROJECT)}


def screenshot(display: str, path: Path) -> Image.Image:
    subprocess.run(["import", "-display", display, "-window", "root", str(path)], check=True)
    return Image.open(path).convert("RGB")


WHITE_WINDOW = """
import pygame
from busplay.view import screen

with screen.open_screen():
    window = screen.ScreenWindow("made up", (600, 400))
    while True:
        for _ in range(20):
            pygame.event.get()
            window.surface.fill("white")
            window.show()
            pygame.time.wait(10)
        print(*window.size, flush=True)
        if input() == "close":
            break
        window.toggle_full_screen()
"""


@pytest.mark.thorough
def test_full_screen_fills_the_screen_and_leaves_no_trace(display: str, tmp_path: Path) -> None:
    """The window stayed as large as the screen, and a warning stood on the terminal."""
    child = subprocess.Popen(
        [sys.executable, "-Walways", "-c", WHITE_WINDOW],
        env=environment_of(display),
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert child.stdin is not None
    assert child.stdout is not None
    whites = []
    sizes = []
    for answer in ("toggle", "toggle", "toggle", "toggle", "close"):
        sizes.append(child.stdout.readline().split())
        whites.append(screenshot(display, tmp_path / "screen.png").getbbox())
        print(answer, file=child.stdin, flush=True)
    _, errors = child.communicate(timeout=30)
    assert errors == ""
    assert sizes == [["600", "400"], ["1280", "900"]] * 2 + [["600", "400"]]
    left, top, right, bottom = whites[0] or (0, 0, 0, 0)
    assert (right - left, bottom - top) == (600, 400)
    assert whites == [whites[0], (0, 0, 1280, 900)] * 2 + [whites[0]]


def test_demo_shows_both_units_in_a_real_window(display: str, tmp_path: Path) -> None:
    child = subprocess.Popen(
        [sys.executable, "-m", "busplay", "demo", "tides"],
        cwd=tmp_path,
        env=environment_of(display),
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
            found = screenshot(display, picture).getcolors(1 << 20) or []
            colours = {colour for _, colour in found}
    finally:
        child.terminate()
        child.wait()
    assert wanted <= colours
