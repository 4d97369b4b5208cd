"""Another playable in an open window, and messages over its picture."""

from __future__ import annotations

import pygame
import pytest

from busplay.display.display import Display
from busplay.units import NS_PER_S, Ratio
from busplay.view.instrument.state import Overlay, Pixel, Step, Tab
from busplay.view.window import PlayerWindow, open_window
from tests.display.cases import unit_with
from tests.player.fake_inspector import FakeInspector
from tests.player.fakes import FakePlayable, HandClock
from tests.view.conftest import MakeWindow, two_displays

HZ = 60


def picture(window: PlayerWindow, clock: HandClock) -> bytes:
    clock.pass_ns(NS_PER_S // HZ)
    window.advance()
    window.paint()
    return pygame.image.tobytes(window._window.surface, "RGB")


def test_another_playable_is_shown_and_runs_as_the_one_before(make_window: MakeWindow) -> None:
    window, first, clock = make_window(can_seek=True)
    window._player.set_speed(Ratio.of(2, 1))
    window._player.play()
    picture(window, clock)
    second = FakePlayable(clock, displays=two_displays(), can_seek=True)
    window.replace(second, inspector=FakeInspector(second), title="another")
    ran = first.cycle
    for _ in range(60):
        picture(window, clock)
    assert first.cycle == ran
    assert second.cycle == pytest.approx(2 * second.clock_hz, abs=2)
    assert window._window.title == "another"
    assert window.loop(wait_ns=clock.pass_ns, stop_after_pictures=1).cycle == second.cycle


def test_paused_stays_paused(make_window: MakeWindow) -> None:
    window, _, clock = make_window(can_seek=True)
    picture(window, clock)
    second = FakePlayable(clock, displays=two_displays(), can_seek=True)
    window.replace(second, inspector=FakeInspector(second))
    picture(window, clock)
    assert second.cycle == 0


def test_what_has_ended_plays_again(make_window: MakeWindow) -> None:
    window, first, clock = make_window(end_cycle=10)
    window._player.play()
    picture(window, clock)
    assert first.ended
    second = FakePlayable(clock, displays=two_displays())
    window.replace(second)
    picture(window, clock)
    assert second.cycle > 0


def test_what_was_chosen_stays_and_where_one_was_does_not(make_window: MakeWindow) -> None:
    window, _, clock = make_window(can_seek=True)
    picture(window, clock)
    state = window.instrument.state
    state.kept.tab, state.step, state.overlay = Tab.ERRORS, Step.STORE, Overlay.AGE
    state.pinned = Pixel("panel", 3, 4)
    state.first_rows[Tab.ERRORS] = 7
    second = FakePlayable(clock, displays=two_displays(), can_seek=True)
    window.replace(second, inspector=FakeInspector(second))
    picture(window, clock)
    now = window.instrument.state
    assert (now.kept.tab, now.step, now.overlay) == (Tab.ERRORS, Step.STORE, Overlay.AGE)
    assert now.pinned == Pixel("panel", 3, 4)
    assert Tab.ERRORS not in now.first_rows


def test_a_pixel_that_is_not_there_any_more_is_unpinned(make_window: MakeWindow) -> None:
    window, _, clock = make_window(can_seek=True)
    window.instrument.state.pinned = Pixel("panel", 60, 40)
    small = {"panel": Display(unit_with(name="panel", width_px=32, height_px=16))}
    second = FakePlayable(clock, displays=small, can_seek=True)
    window.replace(second, inspector=FakeInspector(second))
    picture(window, clock)
    assert window.instrument.state.pinned is None


def test_a_message_stands_over_the_old_picture_while_nothing_runs(make_window: MakeWindow) -> None:
    window, playable, clock = make_window(can_seek=True)
    window._player.play()
    before = picture(window, clock)
    cycle = playable.cycle
    window.show_message("board.toml cannot be read\nunits.panel.width_px: found 0")
    with_message = picture(window, clock)
    assert with_message != before
    assert playable.cycle == cycle
    window.show_message("board.toml cannot be read\nunits.panel.width_px: found -1")
    assert picture(window, clock) != with_message
    window.clear_message()
    picture(window, clock)
    assert playable.cycle > cycle


def test_replacing_takes_the_message_away(make_window: MakeWindow) -> None:
    window, _, clock = make_window()
    window.show_message("it does not build")
    second = FakePlayable(clock, displays=two_displays())
    window.replace(second)
    assert not window._scene.message


def test_the_window_calls_before_each_picture(opened: None) -> None:
    clock = HandClock()
    first = FakePlayable(clock, displays=two_displays())
    second = FakePlayable(clock, displays=two_displays())
    calls = []

    def on_picture(window: PlayerWindow) -> None:
        calls.append(window)
        if len(calls) == 10:
            window.replace(second)

    report = open_window(
        first,
        title="made up",
        clock=clock,
        wait_ns=clock.pass_ns,
        stop_after_pictures=20,
        on_picture=on_picture,
    )
    assert len(calls) == report.pictures == 20
    assert 0 < first.cycle < first.clock_hz // 5
    assert report.cycle == second.cycle > 0


def test_lists_are_whole_while_a_message_holds_what_plays(
    make_window: MakeWindow, monkeypatch: pytest.MonkeyPatch
) -> None:
    window, _, clock = make_window(can_seek=True)
    window.instrument.state.kept.is_open = True
    asked: list[bool] = []
    monkeypatch.setattr(
        window.instrument.inspector, "refresh", lambda now_ns, *, playing: asked.append(playing)
    )
    window._player.play()
    picture(window, clock)
    window.show_message("it does not build")
    picture(window, clock)
    assert asked == [True, False]
