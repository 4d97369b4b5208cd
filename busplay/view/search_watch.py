"""What is shown while the program is searched, and the key that ends it."""

from __future__ import annotations

from collections.abc import Callable

import pygame

from busplay.units import NS_PER_S
from busplay.view.instrument.present import SearchEndedError
from busplay.view.status_line import time_text

# A search that takes longer tells so, and as often how far it is.
TELL_NS = NS_PER_S // 5


def search_watch(
    clock: Callable[[], int], clock_hz: int, tell: Callable[[str], None]
) -> Callable[[int], None]:
    """Return what a search calls now and then with its cycle.

    Args:
        clock: returns nanoseconds.
        clock_hz: processor cycles in a second.
        tell: shows a line at once; it must not ask for the program, which is elsewhere meanwhile.

    The function raises `SearchEndedError` when Esc is pressed or the window is closed.
    """
    due_ns = clock() + TELL_NS

    def on_search(cycle: int) -> None:
        nonlocal due_ns
        if clock() < due_ns:
            return
        tell(f"searching at {time_text(cycle, clock_hz)}; Esc ends it")
        due_ns = clock() + TELL_NS
        for event in pygame.event.get((pygame.QUIT, pygame.KEYDOWN)):
            if event.type == pygame.QUIT:
                # The window takes it up.
                pygame.event.post(event)
                raise SearchEndedError
            if event.key == pygame.K_ESCAPE:
                raise SearchEndedError

    return on_search
