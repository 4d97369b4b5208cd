"""The window: events in, commands done, a picture sixty times a second.

How to think about it. One loop, one thread: take the events, let the player run what is owed,
paint, wait until the next picture is due. The player ends its tick in time, so keys and the
close button never wait long, however slow the core is.

Time comes from the clock that is passed in, and waiting goes through a function that is passed
in too: a test moves both by hand.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import numpy as np

from busplay.display.arrangement import compose
from busplay.errors import OutputError
from busplay.player.playable import Playable
from busplay.player.player import Player
from busplay.player.speed import NORMAL, Speed, speed_text
from busplay.png import write_numbered_png
from busplay.units import NS_PER_S
from busplay.view import screen
from busplay.view.draw import Drawn, Painter, Scene
from busplay.view.keys import REPEATING, Command, code_of, command_of
from busplay.view.status_line import status_cells, time_text

import pygame  # isort: skip - `screen` sets its greeting off first

PICTURES_HZ = 60
# Numbers that change with every picture cannot be read.
STATUS_NS = NS_PER_S // 5
NOTE_NS = 4 * NS_PER_S
KEY_REPEAT_MS = (350, 40)
JUMP_S = 1
FAR_JUMP_S = 10
DESKTOP_PERCENT = 85
GREETING = "F1: keys. Caution: programs may flash"

Reason = Literal["closed", "ended", "pictures"]


@dataclass(frozen=True, slots=True)
class WindowReport:
    """How a window went.

    Attributes:
        pictures: that were shown.
        cycle: of the playable, in the end.
        reason: it was closed, the playable ended, or as many pictures as asked for were shown.
    """

    pictures: int
    cycle: int
    reason: Reason


def open_window(
    playable: Playable,
    *,
    title: str,
    scale: int | None = None,
    speed: Speed = NORMAL,
    fullscreen: bool = False,
    clock: Callable[[], int] | None = None,
    wait_ns: Callable[[int], None] | None = None,
    refresh_hz: int = 60,
    paused: bool = False,
    stacked: bool = False,
    close_at_end: bool = False,
    stop_after_pictures: int | None = None,
    picture_folder: Path | None = None,
    picture_stem: str = "busplay",
) -> WindowReport:
    """Show a playable in a window until it is closed.

    Args:
        playable: what to run and show.
        title: the window's.
        scale: side of a pixel's square; None: as large as fits the window.
        speed: at first.
        fullscreen: at first.
        clock: returns nanoseconds; the machine's by default.
        wait_ns: lets that many nanoseconds of the clock pass; sleeps by default.
        refresh_hz: pictures in a second of the board's time; one is a single step.
        paused: wait for the key that runs it.
        stacked: units one below the other at first.
        close_at_end: close when the playable ends.
        stop_after_pictures: close after this many pictures.
        picture_folder: where saved pictures go; the current folder by default.
        picture_stem: what their names begin with.

    Raises:
        NoScreenError: there is no screen to open a window on.
        BusplayError: what the playable raises; the window is closed first.
    """
    with screen.open_screen():
        player = Player(
            playable,
            clock or time.monotonic_ns,
            refresh_hz=refresh_hz,
            speed=speed,
            whole_pictures=True,
        )
        window = PlayerWindow(
            player,
            title=title,
            clock=clock or time.monotonic_ns,
            scale=scale,
            stacked=stacked,
            fullscreen=fullscreen,
            picture_folder=picture_folder or Path.cwd(),
            picture_stem=picture_stem,
        )
        if not paused:
            player.play()
        return window.loop(
            wait_ns=wait_ns or _sleep_ns,
            close_at_end=close_at_end,
            stop_after_pictures=stop_after_pictures,
        )


def _sleep_ns(span_ns: int) -> None:
    time.sleep(span_ns / NS_PER_S)


class PlayerWindow:
    """The open window of one player; the screen must be open (`screen.open_screen`)."""

    def __init__(
        self,
        player: Player,
        *,
        title: str,
        clock: Callable[[], int],
        scale: int | None,
        stacked: bool,
        fullscreen: bool,
        picture_folder: Path,
        picture_stem: str,
    ) -> None:
        self._player = player
        self._playable = player.playable
        self._clock = clock
        self._scene = Scene(player, scale=scale, stacked=stacked)
        self._painter = Painter()
        self._folder = picture_folder
        self._stem = picture_stem
        self._held: set[int] = set()
        self._dragging = False
        self._closed = False
        self._status_due_ns = 0
        self._status_key: tuple[object, ...] = ()
        self._note_until_ns = 0
        self._drawn = Drawn(scale or 1, None)
        self._window = screen.ScreenWindow(title, self._first_size())
        if fullscreen:
            self._window.toggle_full_screen()
        pygame.key.set_repeat(*KEY_REPEAT_MS)
        self._note(GREETING)

    def _first_size(self) -> tuple[int, int]:
        """Fit the window to the units, as large as the desktop has room for with some to spare."""
        desktop = screen.desktop_size()
        most = desktop[0] * DESKTOP_PERCENT // 100, desktop[1] * DESKTOP_PERCENT // 100
        scene = self._scene
        scene.cells = status_cells(self._player, self._playable.status())
        scale = scene.scale or 1
        size = self._painter.window_size_for(scene, scale, most)
        while scene.scale is None and scene.units:
            larger = self._painter.window_size_for(scene, scale + 1, most)
            if larger[0] > most[0] or larger[1] > most[1]:
                break
            size, scale = larger, scale + 1
        width = max(size[0], min(most[0], self._painter.status_width_for(scene, size)))
        return min(width, desktop[0]), min(size[1], desktop[1])

    # -- the loop

    def loop(
        self,
        *,
        wait_ns: Callable[[int], None],
        close_at_end: bool = False,
        stop_after_pictures: int | None = None,
    ) -> WindowReport:
        """Go on until the window is closed, or one of the two conditions holds."""
        pictures = 0
        began_ns = self._clock()
        due = 0  # which picture since `began_ns` comes next
        while True:
            self.handle_events()
            if self._closed:
                return self._report(pictures, "closed")
            self.advance()
            self.paint()
            self._window.show()
            pictures += 1
            if stop_after_pictures is not None and pictures >= stop_after_pictures:
                return self._report(pictures, "pictures")
            if close_at_end and self._playable.ended:
                return self._report(pictures, "ended")
            due += 1
            ahead_ns = began_ns + due * NS_PER_S // PICTURES_HZ - self._clock()
            if ahead_ns > 0:
                wait_ns(ahead_ns)
            elif ahead_ns < -NS_PER_S // PICTURES_HZ:
                # Too late for the picture after it as well: pictures are left out, not made up.
                began_ns, due = self._clock(), 0

    def advance(self) -> None:
        """Run the player for what is owed; while the help is open, time does not count."""
        if self._scene.help_open:
            self._player.rest()
        else:
            self._player.tick()

    def paint(self) -> None:
        """Draw one picture of the window; `ScreenWindow.show` shows it."""
        now_ns = self._clock()
        self._update_status(now_ns)
        if self._scene.note and now_ns >= self._note_until_ns:
            self._scene.note = ""
        surface = self._window.surface
        if surface.get_bytesize() == 4:
            self._drawn = self._painter.paint(surface, self._scene)
            return
        # A screen of fewer bits a pixel: draw beside it and let pygame convert.
        beside = pygame.Surface(surface.get_size(), depth=32)
        self._drawn = self._painter.paint(beside, self._scene)
        surface.blit(beside, (0, 0))

    def _update_status(self, now_ns: int) -> None:
        player = self._player
        cycle = 0 if player.playing else self._playable.cycle
        key = (player.playing, player.stepping, player.speed, cycle, self._scene.help_open)
        if key == self._status_key and now_ns < self._status_due_ns:
            return
        self._status_key = key
        self._status_due_ns = now_ns + STATUS_NS
        self._scene.cells = status_cells(
            player, self._playable.status(), held=self._scene.help_open
        )

    def _report(self, pictures: int, reason: Reason) -> WindowReport:
        return WindowReport(pictures, self._playable.cycle, reason)

    def _note(self, text: str) -> None:
        self._scene.note = text
        self._note_until_ns = self._clock() + NOTE_NS

    # -- events

    def handle_events(self) -> None:
        """Do what the waiting events ask for."""
        for event in pygame.event.get():
            if event.type == pygame.QUIT:
                self._closed = True
            elif event.type == pygame.KEYDOWN:
                self._key_down(event.key, event.mod, event.unicode)
            elif event.type == pygame.KEYUP:
                self._held.discard(event.key)
            elif event.type == pygame.WINDOWFOCUSLOST:
                # Keys that go up elsewhere are never reported.
                self._held.clear()
                self._dragging = False
            elif event.type == pygame.MOUSEBUTTONDOWN and event.button == pygame.BUTTON_LEFT:
                self._mouse_down(event.pos)
            elif event.type == pygame.MOUSEBUTTONUP and event.button == pygame.BUTTON_LEFT:
                self._dragging = False
            elif event.type == pygame.MOUSEMOTION and self._dragging:
                self._seek_to_column(event.pos[0])

    def _key_down(self, key: int, modifiers: int, text: str) -> None:
        repeated = key in self._held
        self._held.add(key)
        command = command_of(key, modifiers, replay=self._playable.can_seek)
        if self._scene.help_open and command is not Command.QUIT:
            if not repeated:
                self._scene.help_open = False
            return
        if command is not None:
            if not repeated or command in REPEATING:
                self.do(command)
            return
        code = code_of(key, text, modifiers)
        if code is not None:
            self._playable.press(code)

    def _mouse_down(self, position: tuple[int, int]) -> None:
        if self._scene.help_open:
            self._scene.help_open = False
            return
        bar = self._drawn.position_bar
        if bar is not None and bar.contains(*position):
            self._dragging = True
            self._seek_to_column(position[0])

    def _seek_to_column(self, x: int) -> None:
        bar = self._drawn.position_bar
        if bar is not None:
            self._player.seek_to(bar.cycle_at(x))

    # -- commands

    def do(self, command: Command) -> None:
        """Do a command of the window."""
        if command in _PLAYER_COMMANDS:
            _PLAYER_COMMANDS[command](self._player)
            self._note_player(command)
        elif command is Command.HELP:
            self._scene.help_open = True
        elif command is Command.QUIT:
            self._closed = True
        elif command is Command.SMALLER:
            self._set_scale(self._drawn.scale - 1)
        elif command is Command.LARGER:
            self._set_scale(self._drawn.scale + 1)
        elif command is Command.FIT:
            self._scene.scale = None
            self._note("pixels as large as fits")
        elif command is Command.ARRANGE:
            self._scene.stacked = not self._scene.stacked
            self._note("units stacked" if self._scene.stacked else "units side by side")
        elif command is Command.FULL_SCREEN:
            self._window.toggle_full_screen()
        elif command is Command.PICTURE:
            displays = self._playable.displays.values()
            self._save(compose(displays, stacked=self._scene.stacked))
        elif command is Command.WINDOW_PICTURE:
            self._save(self._window_picture())

    def _note_player(self, command: Command) -> None:
        player = self._player
        if command in {
            Command.SLOWER,
            Command.FASTER,
            Command.NORMAL_SPEED,
            Command.FULL_SPEED,
        }:
            self._note(f"speed: {speed_text(player.speed)}")
        elif command is Command.RESET:
            self._note("reset")
        elif command is Command.PAUSE and self._playable.ended and not player.playing:
            self._note("it has ended; F4 resets")
        elif command in {Command.MARK_BEGIN, Command.MARK_END, Command.CLEAR_MARKS}:
            self._note(self._loop_text())

    def _loop_text(self) -> str:
        begin, end = self._player.begin_mark, self._player.end_mark
        clock_hz = self._playable.clock_hz
        if begin is None and end is None:
            return "no loop"
        first = time_text(begin or 0, clock_hz)
        return f"loops from {first} to {'the end' if end is None else time_text(end, clock_hz)}"

    def _set_scale(self, scale: int) -> None:
        if scale < 1:
            self._note("pixels cannot be smaller")
            return
        now = self._window.size
        needed = self._painter.window_size_for(self._scene, scale, now)
        most = now if self._window.full_screen else screen.desktop_size()
        if scale > self._drawn.scale and (needed[0] > most[0] or needed[1] > most[1]):
            self._note(f"no room for scale {scale}")
            return
        self._scene.scale = scale
        self._note(f"scale {scale}")
        larger = max(now[0], needed[0]), max(now[1], needed[1])
        if not self._window.full_screen and larger != now:
            self._window.resize(larger)

    def _window_picture(self) -> np.ndarray[tuple[int, ...], np.dtype[np.uint8]]:
        # The line may be a fifth of a second old; a picture that stays should agree with itself.
        self._status_due_ns = 0
        self._update_status(self._clock())
        surface = pygame.Surface(self._window.size, depth=32)
        # What was said for a moment, such as the name of the picture before, does not belong in it.
        self._painter.paint(surface, replace(self._scene, note=""))
        return np.ascontiguousarray(pygame.surfarray.array3d(surface).swapaxes(0, 1))

    def _save(self, image: np.ndarray[tuple[int, ...], np.dtype[np.uint8]]) -> None:
        try:
            path = write_numbered_png(self._folder, self._stem, image)
        except OutputError as error:
            self._note(str(error))
            return
        self._note(f"saved {path.name}")


_PLAYER_COMMANDS: dict[Command, Callable[[Player], None]] = {
    Command.PAUSE: Player.toggle,
    Command.STEP: Player.step,
    Command.STEP_BACK: lambda player: player.step(-1),
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
