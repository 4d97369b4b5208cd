"""Commands that are the player's own, and what is noted when they are done."""

from __future__ import annotations

from collections.abc import Callable

from busplay.player.player import Player
from busplay.player.speed import NORMAL, speed_text
from busplay.view.keys import Command
from busplay.view.status_line import time_text

JUMP_S = 1
FAR_JUMP_S = 10

PLAYER_COMMANDS: dict[Command, Callable[[Player], None]] = {
    Command.PAUSE: Player.toggle,
    Command.STEP: Player.step,
    Command.STEP_BACK: lambda player: player.step(-1),
    Command.PLAY_BACK: Player.toggle_back,
    Command.RESET: Player.reset,
    Command.SLOWER: Player.slower,
    Command.FASTER: Player.faster,
    Command.NORMAL_SPEED: lambda player: player.set_speed(NORMAL),
    Command.FULL_SPEED: lambda player: player.set_speed(None),
    Command.BACK: lambda player: player.seek_by(-JUMP_S * player.playable.clock_hz),
    Command.FORWARD: lambda player: player.seek_by(JUMP_S * player.playable.clock_hz),
    Command.FAR_BACK: lambda player: player.seek_by(-FAR_JUMP_S * player.playable.clock_hz),
    Command.FAR_FORWARD: lambda player: player.seek_by(FAR_JUMP_S * player.playable.clock_hz),
    Command.TO_BEGIN: lambda player: player.seek_to(0),
    Command.TO_END: lambda player: player.seek_to(player.playable.end_cycle or 0),
    Command.MARK_BEGIN: Player.mark_begin,
    Command.MARK_END: Player.mark_end,
    Command.CLEAR_MARKS: Player.clear_marks,
}

_SPEED_COMMANDS = frozenset(
    {Command.SLOWER, Command.FASTER, Command.NORMAL_SPEED, Command.FULL_SPEED}
)
_LOOP_COMMANDS = frozenset({Command.MARK_BEGIN, Command.MARK_END, Command.CLEAR_MARKS})


def note_of(command: Command, player: Player) -> str:
    """Return what to note after a command of the player; empty: nothing."""
    if command in _SPEED_COMMANDS:
        return f"speed: {speed_text(player.speed)}"
    if command in _LOOP_COMMANDS:
        return _loop_text(player)
    if command is Command.RESET:
        return "reset"
    if command is Command.PAUSE and player.playable.ended and not player.playing:
        return "it has ended; F4 resets"
    return ""


def _loop_text(player: Player) -> str:
    begin, end = player.begin_mark, player.end_mark
    clock_hz = player.playable.clock_hz
    if begin is None and end is None:
        return "no loop"
    first = time_text(begin or 0, clock_hz)
    return f"loops from {first} to {'the end' if end is None else time_text(end, clock_hz)}"
