"""A screen that draws to nowhere, and a window on it whose time is moved by hand."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from busplay.display.display import Display
from busplay.player.flash_guard import FlashGuard
from busplay.player.marks import Marks
from busplay.player.player import Player
from busplay.view import screen
from busplay.view.instrument.state import Kept
from busplay.view.window import PlayerWindow
from tests.display.cases import unit_with
from tests.player.fake_inspector import FakeInspector
from tests.player.fakes import FakePlayable, HandClock

MakeWindow = Callable[..., tuple[PlayerWindow, FakePlayable, HandClock]]


@pytest.fixture
def opened() -> Iterator[None]:
    with screen.open_screen():
        yield


def two_displays() -> dict[str, Display]:
    panel = unit_with(name="panel", width_px=64, height_px=48, border_px=2, border_index=9)
    sign = unit_with(name="sign", width_px=32, height_px=8, bits_per_pixel=1)
    displays = {unit.name: Display(unit) for unit in (panel, sign)}
    displays["panel"].write_memory(range(64 * 24), [i * 7 % 256 for i in range(64 * 24)])
    displays["sign"].write_memory(range(32), [i * 5 % 256 for i in range(32)])
    return displays


@pytest.fixture
def make_window(opened: None, tmp_path: Path) -> MakeWindow:
    def make(
        *,
        scale: int | None = None,
        fullscreen: bool = False,
        kept: Kept | None = None,
        flashes: FlashGuard | None = None,
        marks: Marks | None = None,
        **options,
    ):
        clock = HandClock()
        options.setdefault("displays", two_displays())
        playable = FakePlayable(clock, **options)
        window = PlayerWindow(
            Player(playable, clock),
            title="made up",
            clock=clock,
            scale=scale,
            stacked=False,
            fullscreen=fullscreen,
            picture_folder=tmp_path,
            picture_stem="tide",
            inspector=FakeInspector(playable) if playable.can_seek else None,
            kept=kept,
            flashes=flashes,
            marks=marks,
        )
        return window, playable, clock

    return make
