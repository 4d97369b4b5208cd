"""What the window says and does while pictures flash."""

from __future__ import annotations

import pygame
import pytest

from busplay.player.flash_guard import FlashGuard, FlashWarning
from busplay.units import NS_PER_S
from busplay.view.cautions import flash_text
from busplay.view.window import PlayerWindow
from tests.player.fakes import HandClock
from tests.player.flashing import ALL_BLACK, HZ, fill, make_meter, one_unit, strobe
from tests.view.conftest import MakeWindow

WARNING = FlashWarning(7, False, 0.345, ("panel",), 10, 20, 30, 40)


@pytest.mark.parametrize(
    ("warning", "is_held", "text"),
    [
        (None, False, ""),
        (None, True, "Held by --calm"),
        (
            WARNING,
            False,
            "Caution: 7 flashes a second, 34% of a field of 10°, panel from 10, 20 to 39, 59",
        ),
        (
            FlashWarning(12, True, 1.0, ("panel", "sign"), 0, 0, 8, 8),
            True,
            "Held by --calm: 12 red flashes a second, 100% of a field of 10°, panel and sign",
        ),
    ],
)
def test_words_for_what_flashes(warning: FlashWarning | None, is_held: bool, text: str) -> None:
    assert flash_text(warning, is_held=is_held) == text


def flash(
    window: PlayerWindow, clock: HandClock, pictures: range, data: int | None = None
) -> list[bytes]:
    """Show pictures that flash, or are of one grey; return the pixels of the screen's middle."""
    seen = []
    for number in pictures:
        fill(window._playable.displays["panel"], strobe(number) if data is None else data)
        clock.pass_ns(NS_PER_S // HZ)
        window.advance()
        window.paint()
        seen.append(bytes(window._window.surface.get_at(middle(window))[:3]))
    return seen


def middle(window: PlayerWindow) -> tuple[int, int]:
    assert window._drawn is not None
    (box,) = window._drawn.screens.boxes_of("panel", 8, 4)
    return box.left, box.top


@pytest.mark.parametrize("is_open", [False, pytest.param(True, marks=pytest.mark.thorough)])
def test_calm_holds_the_picture_and_says_so(make_window: MakeWindow, is_open: bool) -> None:
    guard = FlashGuard(make_meter, calm=True, pictures_hz=HZ)
    window, _, clock = make_window(displays=one_unit(), flashes=guard, can_seek=True)
    window.instrument.state.kept.is_open = is_open
    window._player.play()
    seen = flash(window, clock, range(60))
    changes = [number for number in range(1, 60) if seen[number] != seen[number - 1]]
    assert len(changes) == 7
    assert window._scene.caution.startswith("Held by --calm: ")
    flash(window, clock, range(120), ALL_BLACK)
    assert window._scene.caution == ""
    assert window._scene.held is None


def test_without_calm_the_window_warns_and_shows_what_flashes(make_window: MakeWindow) -> None:
    guard = FlashGuard(make_meter, calm=False, pictures_hz=HZ)
    window, _, clock = make_window(displays=one_unit(), flashes=guard, can_seek=True)
    window._player.play()
    seen = flash(window, clock, range(60))
    assert sum(seen[number] != seen[number - 1] for number in range(1, 60)) == 19
    assert window._scene.caution.startswith("Caution: ")


def test_a_caution_and_a_note_stand_one_above_the_other(make_window: MakeWindow) -> None:
    guard = FlashGuard(make_meter, calm=False, pictures_hz=HZ)
    window, _, clock = make_window(displays=one_unit(), flashes=guard, can_seek=True)
    window._player.play()
    pictures = []
    for note in ("", "a note"):
        window._scene.note, window._note_until_ns = note, clock() + NS_PER_S * 9
        for caution in ("", "a caution"):
            window._scene.caution = caution
            surface = pygame.Surface((800, 600), depth=32)
            window._painter.forget()
            window._painter.paint(surface, window._scene)
            pictures.append(pygame.image.tobytes(surface, "RGB"))
    assert len(set(pictures)) == 4
