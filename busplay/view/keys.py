"""What each key does: the window's own commands, and codes for the host port.

The window takes the function keys, and Control with a key; every other key is the program's. A
replay has no program that reads keys, so there the keys that go with Control work without it.

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
    INSTRUMENT = auto()
    PLAY_BACK = auto()
    STEP_ON = auto()
    STEP_BEFORE = auto()
    STEP_KIND = auto()
    NEXT_STORE = auto()
    LAST_STORE = auto()
    NEXT_ERROR = auto()
    LAST_ERROR = auto()
    NEXT_WRITE = auto()
    LAST_WRITE = auto()
    ZOOM_IN = auto()
    ZOOM_OUT = auto()
    ZOOM_ALL = auto()
    VIEW_BACK = auto()
    VIEW_ON = auto()
    OVERLAY = auto()
    LAST_OVERLAY = auto()
    NEXT_TAB = auto()
    LAST_TAB = auto()
    SEARCH = auto()
    FIND_NEXT = auto()
    FIND_LAST = auto()
    MARK = auto()
    REMOVE_MARK = auto()
    NEXT_MARK = auto()
    LAST_MARK = auto()
    ROW_UP = auto()
    ROW_DOWN = auto()
    ROW_GO = auto()
    PIXEL_LEFT = auto()
    PIXEL_RIGHT = auto()
    PIXEL_UP = auto()
    PIXEL_DOWN = auto()
    UNPIN = auto()
    BREAKPOINT = auto()
    RUN_TO = auto()
    RUN_BACK_TO = auto()
    RUN_TO_RETURN = auto()
    MENU = auto()
    SIDE_NARROWER = auto()
    SIDE_WIDER = auto()
    BELOW_LOWER = auto()
    BELOW_HIGHER = auto()


# A key that is held down repeats these; the others happen once.
REPEATING = frozenset(
    {
        Command.STEP,
        Command.STEP_BACK,
        Command.BACK,
        Command.FORWARD,
        Command.FAR_BACK,
        Command.FAR_FORWARD,
        Command.STEP_ON,
        Command.STEP_BEFORE,
        Command.NEXT_STORE,
        Command.LAST_STORE,
        Command.NEXT_ERROR,
        Command.LAST_ERROR,
        Command.NEXT_WRITE,
        Command.LAST_WRITE,
        Command.ZOOM_IN,
        Command.ZOOM_OUT,
        Command.VIEW_BACK,
        Command.VIEW_ON,
        Command.ROW_UP,
        Command.ROW_DOWN,
        Command.PIXEL_LEFT,
        Command.PIXEL_RIGHT,
        Command.PIXEL_UP,
        Command.PIXEL_DOWN,
        Command.SIDE_NARROWER,
        Command.SIDE_WIDER,
        Command.BELOW_LOWER,
        Command.BELOW_HIGHER,
        Command.RUN_TO,
        Command.RUN_BACK_TO,
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
    pygame.K_F12: Command.INSTRUMENT,
}
_SHIFTED = {
    pygame.K_F3: Command.STEP_BACK,
    pygame.K_F5: Command.NORMAL_SPEED,
    pygame.K_F6: Command.FULL_SPEED,
    pygame.K_F7: Command.FIT,
    pygame.K_F8: Command.FIT,
    pygame.K_F9: Command.WINDOW_PICTURE,
}
_TIME = {
    pygame.K_SPACE: Command.PAUSE,
    pygame.K_PERIOD: Command.STEP_ON,
    pygame.K_COMMA: Command.STEP_BEFORE,
    pygame.K_LEFT: Command.BACK,
    pygame.K_RIGHT: Command.FORWARD,
    pygame.K_PAGEUP: Command.FAR_BACK,
    pygame.K_PAGEDOWN: Command.FAR_FORWARD,
    pygame.K_HOME: Command.TO_BEGIN,
    pygame.K_END: Command.TO_END,
    pygame.K_b: Command.MARK_BEGIN,
    pygame.K_e: Command.MARK_END,
    pygame.K_c: Command.CLEAR_MARKS,
    pygame.K_s: Command.STEP_KIND,
    pygame.K_k: Command.NEXT_STORE,
    pygame.K_j: Command.LAST_STORE,
    pygame.K_n: Command.NEXT_ERROR,
    pygame.K_w: Command.NEXT_WRITE,
    pygame.K_PLUS: Command.ZOOM_IN,
    pygame.K_EQUALS: Command.ZOOM_IN,
    pygame.K_KP_PLUS: Command.ZOOM_IN,
    pygame.K_MINUS: Command.ZOOM_OUT,
    pygame.K_KP_MINUS: Command.ZOOM_OUT,
    pygame.K_z: Command.ZOOM_ALL,
    pygame.K_a: Command.VIEW_BACK,
    pygame.K_d: Command.VIEW_ON,
    pygame.K_o: Command.OVERLAY,
    pygame.K_TAB: Command.NEXT_TAB,
    pygame.K_f: Command.SEARCH,
    pygame.K_g: Command.FIND_NEXT,
    pygame.K_r: Command.BREAKPOINT,
    pygame.K_t: Command.RUN_TO,
    pygame.K_u: Command.RUN_TO_RETURN,
    pygame.K_v: Command.MENU,
    pygame.K_m: Command.MARK,
    pygame.K_x: Command.NEXT_MARK,
    pygame.K_UP: Command.ROW_UP,
    pygame.K_DOWN: Command.ROW_DOWN,
    pygame.K_RETURN: Command.ROW_GO,
    pygame.K_ESCAPE: Command.UNPIN,
    pygame.K_7: Command.BELOW_LOWER,
    pygame.K_8: Command.BELOW_HIGHER,
    pygame.K_9: Command.SIDE_NARROWER,
    pygame.K_0: Command.SIDE_WIDER,
}
_TIME_SHIFTED = {
    pygame.K_SPACE: Command.PLAY_BACK,
    pygame.K_n: Command.LAST_ERROR,
    pygame.K_w: Command.LAST_WRITE,
    pygame.K_o: Command.LAST_OVERLAY,
    pygame.K_TAB: Command.LAST_TAB,
    pygame.K_g: Command.FIND_LAST,
    pygame.K_t: Command.RUN_BACK_TO,
    pygame.K_m: Command.REMOVE_MARK,
    pygame.K_x: Command.LAST_MARK,
    pygame.K_LEFT: Command.PIXEL_LEFT,
    pygame.K_RIGHT: Command.PIXEL_RIGHT,
    pygame.K_UP: Command.PIXEL_UP,
    pygame.K_DOWN: Command.PIXEL_DOWN,
}
TIME_COMMANDS = frozenset((*_TIME.values(), *_TIME_SHIFTED.values())) - frozenset(_PLAIN.values())
"""Commands that need a recording, or the part of a run that is kept."""

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
    HelpRow("F12", "instrument, or the screens alone"),
    HelpRow("Ctrl Q", "close the window"),
)
PROGRAM_HELP = (HelpRow("all others", "go to the program"),)
TIME_HELP = (
    HelpRow("Space", "play, or pause; with Shift backwards"),
    HelpRow(",  .", "a step back, on"),
    HelpRow("S", "choose what a step is"),
    HelpRow("J  K", "a store back, on"),
    HelpRow("N", "next error; with Shift the previous"),
    HelpRow("W", "next write of the pixel; Shift: previous"),
    HelpRow("Left  Right", "a second back, on"),
    HelpRow("Page up  down", "ten seconds back, on"),
    HelpRow("Home  End", "to the beginning, the end"),
    HelpRow("B  E  C", "loop: begins, ends here; no loop"),
    HelpRow("+  -  Z", "time line: nearer, wider, all of it"),
    HelpRow("A  D", "time line: earlier, later"),
    HelpRow("M  X", "mark here with a note; to the next mark"),
    HelpRow("F  G", "find an address, label, value; next"),
    HelpRow("R  T", "set a breakpoint; run to it, with Shift back"),
    HelpRow("U", "run to the return from this routine"),
    HelpRow("O", "show over the screens: next kind"),
    HelpRow("Shift arrows", "pin the pixel beside; Esc unpins"),
    HelpRow("Tab", "next panel"),
    HelpRow("Up  Down  Return", "choose a row, go there"),
    HelpRow("7  8  9  0", "resize the panels"),
    HelpRow("V", "menu of all else"),
)
MOUSE_HELP = (
    HelpRow("click", "pin a pixel; go to a row or moment"),
    HelpRow("wheel", "time line: zoom; screens: larger, smaller"),
    HelpRow("drag", "time line: move; with Shift loop a passage"),
)


def help_rows(*, can_seek: bool, hears_keys: bool) -> list[HelpRow]:
    """Return the keys that do something, as the help shows them.

    Args:
        can_seek: there is a recording to go through.
        hears_keys: a program reads keys, so the window's go with Control.
    """
    rows = list(WINDOW_HELP)
    if hears_keys:
        rows += PROGRAM_HELP
    if can_seek:
        control = "Ctrl " if hears_keys else ""
        rows += [HelpRow(control + row.keys, row.does) for row in TIME_HELP]
        rows += MOUSE_HELP
    return rows


_NAMES = {
    **{key: f"F{key - pygame.K_F1 + 1}" for key in range(pygame.K_F1, pygame.K_F12 + 1)},
    pygame.K_SPACE: "Space",
    pygame.K_LEFT: "Left",
    pygame.K_RIGHT: "Right",
    pygame.K_UP: "Up",
    pygame.K_DOWN: "Down",
    pygame.K_PAGEUP: "Page up",
    pygame.K_PAGEDOWN: "Page down",
    pygame.K_HOME: "Home",
    pygame.K_END: "End",
    pygame.K_TAB: "Tab",
    pygame.K_RETURN: "Return",
    pygame.K_ESCAPE: "Esc",
}

_ARROWS = {pygame.K_UP: 128, pygame.K_DOWN: 129, pygame.K_LEFT: 130, pygame.K_RIGHT: 131}
_NAMED = {
    pygame.K_RETURN: 13,
    pygame.K_KP_ENTER: 13,
    pygame.K_BACKSPACE: 8,
    pygame.K_ESCAPE: 27,
    **_ARROWS,
}


def command_of(key: int, modifiers: int, *, hears_keys: bool) -> Command | None:
    """Return what the window does at a key, or None if the key is not the window's.

    Args:
        key: pygame's code of the key.
        modifiers: pygame's bits of the keys that are held with it.
        hears_keys: a program reads keys, so the window's go with Control.
    """
    if modifiers & (pygame.KMOD_ALT | pygame.KMOD_META | pygame.KMOD_MODE):
        # Alt with a key is the desktop's; and some keyboards type @ as Control, Alt and Q.
        return None
    shifted = bool(modifiers & pygame.KMOD_SHIFT)
    if modifiers & pygame.KMOD_CTRL:
        if key == pygame.K_q:
            return Command.QUIT
    elif shifted and key in _SHIFTED:
        return _SHIFTED[key]
    elif key in _PLAIN:
        return _PLAIN[key]
    elif hears_keys:
        return None
    return _TIME_SHIFTED.get(key) or _TIME.get(key) if shifted else _TIME.get(key)


def keys_of(command: Command, *, hears_keys: bool) -> str:
    """Return the keys of a command, as controls show them; empty if it has none."""
    if command is Command.QUIT:
        return "Ctrl Q"
    for table, shift in (
        (_PLAIN, ""),
        (_SHIFTED, "Shift "),
        (_TIME, ""),
        (_TIME_SHIFTED, "Shift "),
    ):
        for key, does in table.items():
            if does is command:
                control = "Ctrl " if hears_keys and table in (_TIME, _TIME_SHIFTED) else ""
                return f"{control}{shift}{_NAMES.get(key) or chr(key).upper()}"
    return ""


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


_EDIT_KEYS = {
    pygame.K_RETURN: "return",
    pygame.K_KP_ENTER: "return",
    pygame.K_ESCAPE: "escape",
    pygame.K_BACKSPACE: "backspace",
    pygame.K_DELETE: "delete",
    pygame.K_LEFT: "left",
    pygame.K_RIGHT: "right",
    pygame.K_UP: "up",
    pygame.K_DOWN: "down",
}


def edit_key_of(key: int) -> str:
    """Return the name of a key that edits a line or goes through a menu; empty if it is none."""
    return _EDIT_KEYS.get(key, "")
