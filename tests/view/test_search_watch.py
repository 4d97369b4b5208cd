"""While the program is searched, the window tells how far it is, and Esc ends it."""

from __future__ import annotations

import pygame
import pytest

from busplay.view.instrument.actions import RunTo
from busplay.view.instrument.present import SearchEndedError
from busplay.view.search_watch import TELL_NS, search_watch
from tests.player.fakes import HandClock
from tests.view.conftest import MakeWindow

pytestmark = pytest.mark.usefixtures("opened")


def test_short_search_tells_nothing_and_a_long_one_how_far_it_is() -> None:
    clock = HandClock()
    told: list[str] = []
    watch = search_watch(clock, 8_000_000, told.append)
    watch(8_000_000)
    assert told == []
    clock.pass_ns(TELL_NS)
    watch(10_000_000)
    watch(12_000_000)
    assert told == ["searching at 0:01.250; Esc ends it"]


@pytest.mark.parametrize("kind", [pygame.KEYDOWN, pygame.QUIT])
def test_esc_and_the_close_button_end_it_and_other_keys_do_not(kind: int) -> None:
    clock = HandClock()
    watch = search_watch(clock, 8_000_000, lambda text: None)
    clock.pass_ns(TELL_NS)
    pygame.event.clear()
    pygame.event.post(pygame.event.Event(pygame.KEYDOWN, key=pygame.K_a, mod=0, unicode="a"))
    watch(1)
    clock.pass_ns(TELL_NS)
    pygame.event.post(pygame.event.Event(kind, key=pygame.K_ESCAPE, mod=0, unicode=""))
    with pytest.raises(SearchEndedError):
        watch(2)
    # The window closes on it.
    assert bool(pygame.event.get(pygame.QUIT)) == (kind == pygame.QUIT)


def test_window_shows_the_note_at_once_and_stays_where_it_was(make_window: MakeWindow) -> None:
    window, playable, clock = make_window(can_seek=True, end_cycle=8_000_000)
    inspector = window.instrument.inspector
    assert inspector is not None
    window.paint()

    def run_to(text: str, *, back: bool) -> int | None:
        assert inspector.on_search is not None
        clock.pass_ns(TELL_NS)
        inspector.on_search(4_000_000)
        assert window._scene.note == "searching at 0:00.500; Esc ends it"
        clock.pass_ns(TELL_NS)
        pygame.event.post(
            pygame.event.Event(pygame.KEYDOWN, key=pygame.K_ESCAPE, mod=0, unicode="")
        )
        inspector.on_search(6_000_000)
        raise AssertionError("it goes on searching")

    inspector.run_to = run_to  # type: ignore[method-assign]
    window.instrument.act(RunTo("$C000"))
    assert playable.cycle == 0
    assert inspector.on_search is None
