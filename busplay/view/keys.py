"""What each key does: the window's own commands, and codes for the host port.

The window takes the function keys, and Control with a letter; every other key is the
program's. A replay has no program that reads keys, so there some plain keys move about in it.

Codes of the host port: ASCII for printable keys, 13 return, 8 backspace, 27 escape, 128 up,
129 down, 130 left, 131 right.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum, auto

import pygame


class Command(Enum):
    """Something that the window does."""

    HELP = auto()
    PAUSE = auto()
    STEP = auto()
    STEP_BACK = auto()
    RESET = auto()
    SLOWER = auto()
    FASTER = auto()
    NORMAL_SPEED = auto()
    FULL_SPEED = auto()
    SMALLER = auto()
    LARGER = auto()
    FIT = auto()
    PICTURE = auto()
    WINDOW_PICTURE = auto()
    ARRANGE = auto()
    FULL_SCREEN = auto()
    QUIT = auto()
    BACK = auto()
    FORWARD = auto()
    FAR_BACK = auto()
    FAR_FORWARD = auto()
    TO_BEGIN = auto()
    TO_END = auto()
    MARK_BEGIN = auto()
    MARK_END = auto()
    CLEAR_MARKS = auto()


# A key that is held down repeats these; the others happen once.
REPEATING = frozenset(
    {
        Command.STEP,
        Command.STEP_BACK,
        Command.BACK,
        Command.FORWARD,
        Command.FAR_BACK,
        Command.FAR_FORWARD,
    }
)


@dataclass(frozen=True, slots=True)
class HelpRow:
    """Keys that belong together, as the help shows them."""

    keys: str
    does: str


_PLAIN = {
    pygame.K_F1: Command.HELP,
    pygame.K_F2: Command.PAUSE,
    pygame.K_F3: Command.STEP,
    pygame.K_F4: Command.RESET,
    pygame.K_F5: Command.SLOWER,
    pygame.K_F6: Command.FASTER,
    pygame.K_F7: Command.SMALLER,
    pygame.K_F8: Command.LARGER,
    pygame.K_F9: Command.PICTURE,
    pygame.K_F10: Command.ARRANGE,
    pygame.K_F11: Command.FULL_SCREEN,
}
_SHIFTED = {
    pygame.K_F3: Command.STEP_BACK,
    pygame.K_F5: Command.NORMAL_SPEED,
    pygame.K_F6: Command.FULL_SPEED,
    pygame.K_F7: Command.FIT,
    pygame.K_F8: Command.FIT,
    pygame.K_F9: Command.WINDOW_PICTURE,
}
_REPLAY = {
    pygame.K_SPACE: Command.PAUSE,
    pygame.K_PERIOD: Command.STEP,
    pygame.K_COMMA: Command.STEP_BACK,
    pygame.K_LEFT: Command.BACK,
    pygame.K_RIGHT: Command.FORWARD,
    pygame.K_PAGEUP: Command.FAR_BACK,
    pygame.K_PAGEDOWN: Command.FAR_FORWARD,
    pygame.K_HOME: Command.TO_BEGIN,
    pygame.K_END: Command.TO_END,
    pygame.K_b: Command.MARK_BEGIN,
    pygame.K_e: Command.MARK_END,
    pygame.K_c: Command.CLEAR_MARKS,
}
# Function keys stay the window's even where they do nothing, so that no program relies on one.
_FUNCTION_KEYS = frozenset(range(pygame.K_F1, pygame.K_F12 + 1))

WINDOW_HELP = (
    HelpRow("F1", "this help"),
    HelpRow("F2", "pause, or go on"),
    HelpRow("F3", "one picture"),
    HelpRow("F4", "reset"),
    HelpRow("F5  F6", "slower, faster"),
    HelpRow("Shift F5  F6", "normal speed, as fast as possible"),
    HelpRow("F7  F8", "smaller, larger pixels"),
    HelpRow("Shift F7", "pixels as large as the window allows"),
    HelpRow("F9", "save the picture as PNG"),
    HelpRow("Shift F9", "save the whole window as PNG"),
    HelpRow("F10", "units side by side, or stacked"),
    HelpRow("F11", "full screen"),
    HelpRow("Ctrl Q", "close the window"),
)
PROGRAM_HELP = (HelpRow("all others", "go to the program"),)
REPLAY_HELP = (
    HelpRow("Space", "pause, or go on"),
    HelpRow(",  .", "one picture back, on"),
    HelpRow("Left  Right", "a second back, on"),
    HelpRow("Page up  down", "ten seconds back, on"),
    HelpRow("Home  End", "to the beginning, the end"),
    HelpRow("B  E", "loop: begins, ends here"),
    HelpRow("C", "no loop"),
    HelpRow("click the bar", "go there"),
)

_ARROWS = {pygame.K_UP: 128, pygame.K_DOWN: 129, pygame.K_LEFT: 130, pygame.K_RIGHT: 131}
_NAMED = {
    pygame.K_RETURN: 13,
    pygame.K_KP_ENTER: 13,
    pygame.K_BACKSPACE: 8,
    pygame.K_ESCAPE: 27,
    **_ARROWS,
}


def command_of(key: int, modifiers: int, *, replay: bool) -> Command | None:
    """Return what the window does at a key, or None if the key is not the window's.

    Args:
        key: pygame's code of the key.
        modifiers: pygame's bits of the keys that are held with it.
        replay: no program reads keys.
    """
    if modifiers & (pygame.KMOD_ALT | pygame.KMOD_META | pygame.KMOD_MODE):
        # Alt with a key is the desktop's; and some keyboards type @ as Control, Alt and Q.
        return None
    if modifiers & pygame.KMOD_CTRL:
        return Command.QUIT if key == pygame.K_q else None
    if modifiers & pygame.KMOD_SHIFT and key in _SHIFTED:
        return _SHIFTED[key]
    if key in _PLAIN:
        return _PLAIN[key]
    return _REPLAY.get(key) if replay else None


def code_of(key: int, text: str, modifiers: int) -> int | None:
    """Return the host port's code of a key, or None if it has none.

    Args:
        key: pygame's code of the key.
        text: what it types, in the keyboard's own layout.
        modifiers: pygame's bits of the keys that are held with it.
    """
    if key in _FUNCTION_KEYS or modifiers & pygame.KMOD_META:
        return None
    if key in _NAMED:
        return _NAMED[key]
    if len(text) == 1 and 32 <= ord(text) < 127:
        return ord(text)
    return None
