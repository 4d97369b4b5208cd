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
from busplay.player.flash_guard import FlashGuard
from busplay.player.inspector import Inspector
from busplay.player.marks import Marks
from busplay.player.playable import Playable
from busplay.player.player import Player
from busplay.player.speed import NORMAL, Speed
from busplay.png import write_numbered_png
from busplay.units import NS_PER_S
from busplay.view import screen
from busplay.view.cautions import flash_text
from busplay.view.draw import Drawn, Painter, Scene
from busplay.view.instrument.instrument import Instrument
from busplay.view.instrument.state import InstrumentState, Kept, Pixel
from busplay.view.kept import read_layout, write_layout
from busplay.view.keys import REPEATING, Command, code_of, command_of, edit_key_of
from busplay.view.layers import Layers
from busplay.view.player_commands import PLAYER_COMMANDS, note_of
from busplay.view.search_watch import search_watch
from busplay.view.sizing import first_size, make_room, set_scale
from busplay.view.status_line import status_cells

import pygame  # isort: skip - `screen` sets its greeting off first

PICTURES_HZ = 60
# Numbers that change with every picture cannot be read.
STATUS_NS = NS_PER_S // 5
NOTE_NS = 4 * NS_PER_S
KEY_REPEAT_MS = (350, 40)
HELP_SCROLL_PX = 24
HELP_SCROLL_KEYS = {
    pygame.K_UP: -1,
    pygame.K_DOWN: 1,
    pygame.K_PAGEUP: -5,
    pygame.K_PAGEDOWN: 5,
}
GREETING = "F1: keys. Caution: programs may flash"
GREETING_ALONE = "F1: keys, F12: instrument. Caution: programs may flash"
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
    inspector: Inspector | None = None,
    marks: Marks | None = None,
    alone: bool = False,
    big: bool = False,
    layout_file: Path | None = None,
    flashes: FlashGuard | None = None,
    on_picture: Callable[[PlayerWindow], None] | None = None,
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
        inspector: answers about the recording; None: nothing is recorded.
        marks: of the recording; None: forgotten in the end.
        alone: begin with the screens alone, without the instrument's panels.
        big: letters for a projector.
        layout_file: where the layout is kept between starts; None: nowhere.
        flashes: looks at the pictures; None: nothing does.
        on_picture: called before each picture; may replace what plays, or show a message.

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
            inspector=inspector,
            marks=marks,
            kept=read_layout(layout_file),
            alone=alone,
            big=big,
            flashes=flashes,
        )
        if not paused:
            player.play()
        try:
            return window.loop(
                wait_ns=wait_ns or _sleep_ns,
                close_at_end=close_at_end,
                stop_after_pictures=stop_after_pictures,
                on_picture=on_picture,
            )
        finally:
            write_layout(layout_file, window.kept_layout())


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
        inspector: Inspector | None = None,
        marks: Marks | None = None,
        kept: Kept | None = None,
        alone: bool = False,
        big: bool = False,
        flashes: FlashGuard | None = None,
    ) -> None:
        self._player = player
        self._playable = player.playable
        self._clock = clock
        state = InstrumentState(kept=kept or Kept(is_open=False))
        self._kept_open = state.kept.is_open
        # The screens alone show one recording, so two begin with the panels.
        is_against = inspector is not None and inspector.beside() is not None
        self._begins_its_own_way = alone or is_against
        if self._begins_its_own_way:
            state.kept.is_open = is_against
        self.instrument = self._new_instrument(inspector, marks, state)
        self._scene = Scene(self.instrument, scale=scale, stacked=stacked, big=big)
        self._layers = Layers(self.instrument)
        self._flashes = flashes
        self._painter = Painter()
        self._folder = picture_folder
        self._stem = picture_stem
        self._held: set[int] = set()
        self._closed = False
        self._status_due_ns = 0
        self._status_key: tuple[object, ...] = ()
        self._note_until_ns = 0
        self._drawn: Drawn | None = None
        alone_now = not self.instrument.is_open
        self._scene.cells = status_cells(player, self._playable.status(), alone=alone_now)
        desktop = screen.desktop_size()
        size = first_size(self._scene, self._painter, desktop)
        self._window = screen.ScreenWindow(title, size)
        if self._window.density != 1:
            self._scene.density = self._window.density
            desktop = self._window.desktop_size
            self._window.resize(first_size(self._scene, self._painter, desktop))
        if fullscreen:
            self._window.toggle_full_screen()
        pygame.key.set_repeat(*KEY_REPEAT_MS)
        self._note(GREETING_ALONE if alone else GREETING)

    def _new_instrument(
        self, inspector: Inspector | None, marks: Marks | None, state: InstrumentState
    ) -> Instrument:
        self._player.stores = inspector
        # No marks yet are marks all the same: they have a file to go to.
        marks = Marks() if marks is None else marks
        instrument = Instrument(self._player, inspector, marks, state, self._note)
        instrument.on_command = self.do
        instrument.begin_search = lambda: search_watch(
            self._clock, self._playable.clock_hz, self._tell_at_once
        )
        return instrument

    def replace(
        self,
        playable: Playable,
        *,
        inspector: Inspector | None = None,
        marks: Marks | None = None,
        title: str | None = None,
        refresh_hz: int | None = None,
    ) -> None:
        """Show another playable in place of the present one; it goes on as that did.

        Args:
            playable: what to run and show.
            inspector: answers about its recording; None: nothing is recorded.
            marks: of the recording; None: forgotten in the end.
            title: the window's; None: as it is.
            refresh_hz: pictures in a second of the board's time; None: as before.
        """
        self._player = self._player.for_another(playable, refresh_hz=refresh_hz)
        self._playable = playable
        state = self.instrument.state.for_another(playable.displays)
        self.instrument = self._scene.instrument = self._new_instrument(inspector, marks, state)
        self._layers = Layers(self.instrument)
        self._drawn = None
        self._painter.forget()
        self._status_due_ns = 0
        self.clear_message()
        if title is not None:
            self._window.title = title

    def show_message(self, text: str) -> None:
        """Show lines over the picture, the first as a heading; meanwhile nothing runs."""
        self._scene.message = text

    def clear_message(self) -> None:
        """Take the message away."""
        self._scene.message = ""

    def kept_layout(self) -> Kept:
        """Return the layout for the next start; what a command begins with is not a choice."""
        kept = replace(self.instrument.state.kept)
        if self._begins_its_own_way:
            kept.is_open = self._kept_open
        elif kept.is_open and not self._window.full_screen:
            width, height = self._window.size
            kept.width_px = round(width / self._scene.density)
            kept.height_px = round(height / self._scene.density)
        return kept

    # -- the loop

    def loop(
        self,
        *,
        wait_ns: Callable[[int], None],
        close_at_end: bool = False,
        stop_after_pictures: int | None = None,
        on_picture: Callable[[PlayerWindow], None] | None = None,
    ) -> WindowReport:
        """Go on until the window is closed, or one of the two conditions holds."""
        pictures = 0
        began_ns = self._clock()
        due = 0  # which picture since `began_ns` comes next
        while True:
            self.handle_events()
            if self._closed:
                return self._report(pictures, "closed")
            if on_picture is not None:
                on_picture(self)
            self.advance()
            if self.paint():
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
        """Run the player for what is owed; while help or a message is open, time stands still."""
        if self._is_held:
            self._player.rest()
        else:
            self._player.tick()

    @property
    def _is_held(self) -> bool:
        """Whether time stands still, whatever is played."""
        scene = self._scene
        typing = self.instrument.state.typing is not None
        return scene.help_open or bool(scene.message) or typing

    def paint(self) -> bool:
        """Draw one picture of the window, which `ScreenWindow.show` shows, if it is a new one."""
        now_ns = self._clock()
        self._update_status(now_ns)
        if self._scene.note and now_ns >= self._note_until_ns:
            self._scene.note = ""
        self.instrument.is_held = self._is_held
        self._layers.update(self._scene, now_ns)
        self._look_for_flashes(now_ns)
        surface = self._window.surface
        if surface.get_bytesize() == 4:
            self._drawn = self._painter.paint(surface, self._scene, now_ns)
            return self._drawn.is_new
        # A screen of fewer bits a pixel: draw beside it and let pygame convert.
        beside = pygame.Surface(surface.get_size(), depth=32)
        self._painter.forget()
        self._drawn = self._painter.paint(beside, self._scene, now_ns)
        surface.blit(beside, (0, 0))
        return True

    def _look_for_flashes(self, now_ns: int) -> None:
        guard, instrument = self._flashes, self.instrument
        if guard is None:
            return
        actual = instrument.beside()
        displays = self._playable.displays
        shown = [displays] if actual is None else [displays, actual]
        guard.look(shown, now_ns, key=instrument.screens_key)
        self._scene.held = guard.held
        self._scene.caution = flash_text(guard.warning, is_held=guard.held is not None)

    def _update_status(self, now_ns: int) -> None:
        player = self._player
        cycle = 0 if player.playing else self._playable.cycle
        held = self._is_held
        alone = not self.instrument.is_open
        key = (player.playing, player.stepping, player.speed, cycle, held, alone)
        if key == self._status_key and now_ns < self._status_due_ns:
            return
        self._status_key = key
        self._status_due_ns = now_ns + STATUS_NS
        status = self._playable.status()
        self._scene.cells = status_cells(player, status, held=held, alone=alone)

    def _report(self, pictures: int, reason: Reason) -> WindowReport:
        return WindowReport(pictures, self._playable.cycle, reason)

    def _note(self, text: str) -> None:
        self._scene.note = text
        self._note_until_ns = self._clock() + NOTE_NS

    def _tell_at_once(self, text: str) -> None:
        """Show a note over the last picture, as no other is painted for a while."""
        self._note(text)
        self._painter.draw_note(self._window.surface, self._scene)
        self._window.show()

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
                self.instrument.leave()
            elif event.type == pygame.WINDOWLEAVE:
                self.instrument.leave()
            elif event.type == pygame.WINDOWDISPLAYCHANGED:
                self._window.find_density()
                self._scene.density = self._window.density
            elif event.type in (pygame.WINDOWEXPOSED, pygame.WINDOWSHOWN, pygame.WINDOWRESTORED):
                self._painter.forget()
            else:
                self._mouse_event(event)

    def _mouse_event(self, event: pygame.event.Event) -> None:
        instrument = self.instrument
        if event.type == pygame.MOUSEBUTTONDOWN and event.button == pygame.BUTTON_LEFT:
            if self._scene.help_open:
                self._scene.help_open = False
                return
            marks = bool(pygame.key.get_mods() & pygame.KMOD_SHIFT)
            x, y = self._window.place_of(event.pos)
            instrument.press(x, y, self._pixel_at((x, y)), adds=marks)
        elif event.type == pygame.MOUSEBUTTONUP and event.button == pygame.BUTTON_LEFT:
            instrument.release(*self._window.place_of(event.pos))
        elif event.type == pygame.MOUSEMOTION:
            x, y = self._window.place_of(event.pos)
            instrument.hover(x, y, self._pixel_at((x, y)))
            screen.set_cursor(instrument.cursor)
        elif event.type == pygame.MOUSEWHEEL and self._scene.help_open:
            self._scene.help_scroll_px -= HELP_SCROLL_PX * event.y
        elif event.type == pygame.MOUSEWHEEL:
            instrument.wheel(*self._window.place_of(pygame.mouse.get_pos()), event.y)

    def _pixel_at(self, position: tuple[int, int]) -> Pixel | None:
        if self._drawn is None or self._scene.help_open:
            return None
        found = self._drawn.screens.pixel_at(*position)
        return None if found is None else Pixel(*found)

    def _key_down(self, key: int, modifiers: int, text: str) -> None:
        repeated = key in self._held
        self._held.add(key)
        if not self._scene.help_open and self.instrument.type_key(edit_key_of(key), text):
            return
        if self._scene.help_open and key in HELP_SCROLL_KEYS:
            self._scene.help_scroll_px += HELP_SCROLL_KEYS[key] * HELP_SCROLL_PX
            return
        command = command_of(key, modifiers, hears_keys=self._playable.hears_keys)
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

    # -- commands

    def do(self, command: Command) -> None:
        """Do a command of the window."""
        if command in PLAYER_COMMANDS:
            PLAYER_COMMANDS[command](self._player)
            note = note_of(command, self._player)
            if note:
                self._note(note)
        elif self.instrument.do(command):
            if command is Command.INSTRUMENT and self.instrument.is_open:
                make_room(self._window, self._scene)
        elif command is Command.HELP:
            self._scene.help_open = True
            self._scene.help_scroll_px = 0
        elif command is Command.QUIT:
            self._closed = True
        elif command is Command.SMALLER:
            self._set_scale(-1)
        elif command is Command.LARGER:
            self._set_scale(1)
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

    def _set_scale(self, change: int) -> None:
        now = 1 if self._drawn is None else self._drawn.scale
        scene, painter = self._scene, self._painter
        self._note(set_scale(now + change, self._window, scene, painter, self._drawn))

    def _window_picture(self) -> np.ndarray[tuple[int, ...], np.dtype[np.uint8]]:
        # The line may be a fifth of a second old; a picture that stays should agree with itself.
        self._status_due_ns = 0
        self._update_status(self._clock())
        surface = pygame.Surface(self._window.size, depth=32)
        # What was said for a moment, such as the name of the picture before, does not belong in it.
        self._painter.forget()
        self._painter.paint(surface, replace(self._scene, note=""), self._clock())
        self._painter.forget()
        return np.ascontiguousarray(pygame.surfarray.array3d(surface).swapaxes(0, 1))

    def _save(self, image: np.ndarray[tuple[int, ...], np.dtype[np.uint8]]) -> None:
        try:
            path = write_numbered_png(self._folder, self._stem, image)
        except OutputError as error:
            self._note(str(error))
            return
        self._note(f"saved {path.name}")
