from __future__ import annotations

import string

import pygame
import pytest

from busplay.view import keys
from busplay.view.keys import Command, code_of, command_of

FUNCTION_KEYS = range(pygame.K_F1, pygame.K_F12 + 1)


@pytest.mark.parametrize(
    ("key", "modifiers", "command"),
    [
        (pygame.K_F1, 0, Command.HELP),
        (pygame.K_F2, 0, Command.PAUSE),
        (pygame.K_F3, 0, Command.STEP),
        (pygame.K_F3, pygame.KMOD_LSHIFT, Command.STEP_BACK),
        (pygame.K_F4, 0, Command.RESET),
        (pygame.K_F4, pygame.KMOD_RSHIFT, Command.RESET),
        (pygame.K_F5, 0, Command.SLOWER),
        (pygame.K_F6, 0, Command.FASTER),
        (pygame.K_F5, pygame.KMOD_SHIFT, Command.NORMAL_SPEED),
        (pygame.K_F6, pygame.KMOD_SHIFT, Command.FULL_SPEED),
        (pygame.K_F7, 0, Command.SMALLER),
        (pygame.K_F8, 0, Command.LARGER),
        (pygame.K_F7, pygame.KMOD_SHIFT, Command.FIT),
        (pygame.K_F9, 0, Command.PICTURE),
        (pygame.K_F9, pygame.KMOD_SHIFT, Command.WINDOW_PICTURE),
        (pygame.K_F10, 0, Command.ARRANGE),
        (pygame.K_F11, 0, Command.FULL_SCREEN),
        (pygame.K_q, pygame.KMOD_LCTRL, Command.QUIT),
    ],
)
@pytest.mark.parametrize("replay", [False, True])
def test_window_s_keys(key: int, modifiers: int, command: Command, replay: bool) -> None:
    assert command_of(key, modifiers, hears_keys=not replay) is command
    assert command_of(key, modifiers | pygame.KMOD_NUM, hears_keys=not replay) is command


@pytest.mark.parametrize(
    ("key", "command"),
    [
        (pygame.K_SPACE, Command.PAUSE),
        (pygame.K_COMMA, Command.STEP_BEFORE),
        (pygame.K_PERIOD, Command.STEP_ON),
        (pygame.K_LEFT, Command.BACK),
        (pygame.K_RIGHT, Command.FORWARD),
        (pygame.K_PAGEUP, Command.FAR_BACK),
        (pygame.K_PAGEDOWN, Command.FAR_FORWARD),
        (pygame.K_HOME, Command.TO_BEGIN),
        (pygame.K_END, Command.TO_END),
        (pygame.K_b, Command.MARK_BEGIN),
        (pygame.K_e, Command.MARK_END),
        (pygame.K_c, Command.CLEAR_MARKS),
    ],
)
def test_plain_keys_are_the_window_s_unless_a_program_hears_them(
    key: int, command: Command
) -> None:
    assert command_of(key, 0, hears_keys=False) is command
    assert command_of(key, 0, hears_keys=True) is None
    assert command_of(key, pygame.KMOD_LCTRL, hears_keys=True) is command
    assert command_of(key, pygame.KMOD_LCTRL, hears_keys=False) is command


def test_alt_with_a_key_is_nobody_s_command() -> None:
    assert command_of(pygame.K_F4, pygame.KMOD_LALT, hears_keys=True) is None
    # Some keyboards type @ like this.
    assert command_of(pygame.K_q, pygame.KMOD_LCTRL | pygame.KMOD_RALT, hears_keys=True) is None
    assert code_of(pygame.K_q, "@", pygame.KMOD_LCTRL | pygame.KMOD_RALT) == ord("@")


@pytest.mark.parametrize("text", [*sorted(set(string.printable) - set(string.whitespace)), " "])
def test_printable_key_gives_its_ascii_code(text: str) -> None:
    assert code_of(ord(text.lower()), text, 0) == ord(text)


@pytest.mark.parametrize(
    ("key", "text", "code"),
    [
        (pygame.K_RETURN, "\r", 13),
        (pygame.K_KP_ENTER, "\r", 13),
        (pygame.K_BACKSPACE, "\b", 8),
        (pygame.K_ESCAPE, "\x1b", 27),
        (pygame.K_UP, "", 128),
        (pygame.K_DOWN, "", 129),
        (pygame.K_LEFT, "", 130),
        (pygame.K_RIGHT, "", 131),
        (pygame.K_TAB, "\t", None),
        (pygame.K_DELETE, "\x7f", None),
        (pygame.K_c, "\x03", None),
        (pygame.K_LSHIFT, "", None),
        (pygame.K_a, "ä", None),
        (pygame.K_e, "é", None),
        (pygame.K_F12, "", None),
    ],
)
def test_other_keys_give_the_host_port_s_codes_or_none(key: int, text: str, code: int) -> None:
    assert code_of(key, text, 0) == code


def test_no_key_is_both_the_window_s_and_the_program_s() -> None:
    for key in [*FUNCTION_KEYS, *range(32, 127)]:
        for modifiers in (0, pygame.KMOD_SHIFT):
            if command_of(key, modifiers, hears_keys=True) is not None:
                assert code_of(key, "", modifiers) is None
    assert all(code_of(key, "", 0) is None for key in FUNCTION_KEYS)


def test_help_names_every_key_of_the_window() -> None:
    for hears_keys in (False, True):
        rows = keys.help_rows(can_seek=True, hears_keys=hears_keys)
        named = " ".join(f"{row.keys} {row.does}" for row in rows)
        for command in Command:
            shown = keys.keys_of(command, hears_keys=hears_keys)
            for word in shown.removeprefix("Ctrl ").removeprefix("Shift ").split():
                assert word.lower() in named.lower(), command


def test_every_command_has_keys_and_controls_show_them() -> None:
    assert all(keys.keys_of(command, hears_keys=False) for command in set(Command) - {Command.QUIT})
    assert keys.keys_of(Command.PAUSE, hears_keys=False) == "F2"
    assert keys.keys_of(Command.PLAY_BACK, hears_keys=False) == "Shift Space"
    assert keys.keys_of(Command.MARK, hears_keys=True) == "Ctrl M"
    assert keys.keys_of(Command.LAST_ERROR, hears_keys=True) == "Ctrl Shift N"
