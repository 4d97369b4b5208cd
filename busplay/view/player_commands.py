"""Commands that are the player's own."""

from __future__ import annotations

from collections.abc import Callable

from busplay.player.player import Player
from busplay.player.speed import NORMAL
from busplay.view.keys import Command

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
