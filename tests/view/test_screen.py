from __future__ import annotations

import os
import subprocess
import sys

import pygame
import pytest

from busplay.errors import NoScreenError
from busplay.view import screen


def test_neither_x_nor_wayland_is_no_screen() -> None:
    with pytest.raises(NoScreenError) as caught:
        screen.require_screen({"HOME": "/"}, "linux")
    assert str(caught.value) == (
        "no screen to open a window on (neither DISPLAY nor WAYLAND_DISPLAY is set); "
        "--headless does without"
    )


@pytest.mark.parametrize(
    ("environ", "platform"),
    [
        ({"DISPLAY": ":0"}, "linux"),
        ({"WAYLAND_DISPLAY": "wayland-0"}, "linux"),
        ({"SDL_VIDEODRIVER": "dummy"}, "linux"),
        ({}, "darwin"),
        ({}, "win32"),
    ],
)
def test_there_may_be_a_screen(environ: dict[str, str], platform: str) -> None:
    screen.require_screen(environ, platform)


def test_driver_that_fails_is_no_screen(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SDL_VIDEODRIVER", "no_such_driver")
    with (
        pytest.raises(NoScreenError, match=r"^no screen to open a window on \(.*\); --headless"),
        screen.open_screen(),
    ):
        pass


def test_display_that_is_not_there_is_no_screen() -> None:
    """SDL falls back to drivers that draw to nowhere; a window on these helps nobody."""
    code = (
        "from busplay.errors import NoScreenError\n"
        "from busplay.view import screen\n"
        "try:\n"
        "    with screen.open_screen():\n"
        "        screen.ScreenWindow('x', (100, 100))\n"
        "except NoScreenError as error:\n"
        "    print(error)\n"
    )
    environ = {
        name: value
        for name, value in os.environ.items()
        if name not in {"SDL_VIDEODRIVER", "WAYLAND_DISPLAY", "XDG_RUNTIME_DIR"}
    }
    found = subprocess.run(
        [sys.executable, "-c", code],
        env={**environ, "DISPLAY": ":4711", "PYTHONPATH": os.pathsep.join(sys.path)},
        capture_output=True,
        text=True,
        check=True,
    )
    assert found.stdout.startswith("no screen to open a window on (")
    assert found.stdout.endswith("); --headless does without\n")


def test_screen_is_closed_whatever_happens() -> None:
    seen = []

    def fail() -> None:
        with screen.open_screen():
            window = screen.ScreenWindow("made up", (400, 300))
            seen.append((pygame.display.get_init(), window.title))
            raise KeyError

    with pytest.raises(KeyError):
        fail()
    assert seen == [(True, "made up")]
    assert not pygame.display.get_init()


def test_window_has_a_least_size(opened: None) -> None:
    least = (screen.LEAST_WIDTH_PX, screen.LEAST_HEIGHT_PX)
    window = screen.ScreenWindow("made up", (10, 10))
    assert window.size == least
    window.resize((900, 700))
    assert window.size == (900, 700)
    window.resize((10, 10))
    assert window.size == least


def test_window_that_grows_over_an_edge_moves_to_the_middle(opened: None) -> None:
    desktop = screen.desktop_size()
    window = screen.ScreenWindow("made up", (400, 300))
    window._window.position = desktop[0] - 410, 20
    window.resize((400, 310))
    assert window._window.position == (desktop[0] - 410, 20)
    window.resize((500, 310))
    assert window._window.position == ((desktop[0] - 500) // 2, (desktop[1] - 310) // 2)


def test_greeting_of_pygame_does_not_reach_standard_output() -> None:
    found = subprocess.run(
        [sys.executable, "-c", "import busplay.view.window"],
        env={
            **{k: v for k, v in os.environ.items() if k != "PYGAME_HIDE_SUPPORT_PROMPT"},
            "PYTHONPATH": os.pathsep.join(sys.path),
        },
        capture_output=True,
        text=True,
        check=True,
    )
    assert found.stdout == ""
