"""What `demo`, `run` and `replay` share: play something to its end, with or without a window."""

from __future__ import annotations

import time
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from busplay.cli.flash_options import FlashOptions
from busplay.cli.interrupt import uninterrupted
from busplay.cli.options import (
    Count,
    GivenSpeed,
    PictureFile,
    SpeedParam,
    option_group,
    snapshot_option,
)
from busplay.cli.progress import late_bar
from busplay.errors import InputError, printable

if TYPE_CHECKING:
    from busplay.analysis.flashes import FlashReport
    from busplay.cli.shown_flashes import ShownFlashes
    from busplay.description.board import Board
    from busplay.display.display import Display
    from busplay.player.bounded import BoundedPlayable
    from busplay.player.inspector import Inspector
    from busplay.player.marks import Marks
    from busplay.player.playable import Playable
    from busplay.view.window import PlayerWindow

PIECE_S = 0.025
"""A headless run goes in pieces of about this, so that output appears and Ctrl-C is heard."""

FIRST_PIECE_CYCLES = 50_000
PIECE_CYCLES_MAX = 1 << 22

TICK_S = 0.005


@dataclass(frozen=True, slots=True)
class PlayOptions:
    """How to play: with a window or not, how fast, which pictures to take at the end."""

    headless: bool = False
    speed: GivenSpeed | None = None
    snapshots: tuple[PictureFile, ...] = ()
    scale: int | None = None
    full_screen: bool = False
    big: bool = False
    history_mb: int | None = None

    def __post_init__(self) -> None:
        for option, is_given in (
            ("--scale", self.scale),
            ("--full-screen", self.full_screen),
            ("--big", self.big),
            ("--history-mb", self.history_mb),
        ):
            if self.headless and is_given:
                raise click.UsageError(f"{option} is for the window, and --headless opens none")


play_options = option_group(
    "play",
    PlayOptions,
    click.option("--headless", is_flag=True, help="Run without a window."),
    click.option(
        "--speed",
        type=SpeedParam(),
        help="Play at 1, 2, 1/4 or 0.5 times the board's speed, or at max.  [default: 1;"
        " headless: max]",
    ),
    snapshot_option("Write the last picture as PNG, of all units or of one. Repeatable."),
    click.option("--scale", type=click.IntRange(1, 16), help="Screen pixels per pixel of a unit."),
    click.option("--full-screen", is_flag=True, help="Begin in full screen."),
    click.option("--big", is_flag=True, help="Use large letters in the window, for a projector."),
    click.option(
        "--history-mb",
        type=Count(1, 1_000_000),
        help="Keep states of the program to step back from in COUNT MB of memory.  [default: 128]",
    ),
)


@dataclass(frozen=True, slots=True)
class Renewal:
    """What is to play in a window from now on, or what stands over it.

    Attributes:
        message: lines over the last picture; empty: none.
        playable: what to play; None: what plays goes on.
        bench: what the window shows besides its screens.
        stop_cycle: where that ends, or None.
        after_run: as for `play`.
        title: the window's.
        refresh_hz: pictures in a second of the board's time.
    """

    message: str = ""
    playable: Playable | None = None
    bench: Bench | None = None
    stop_cycle: int | None = None
    after_run: Callable[[], None] = lambda: None
    title: str = ""
    refresh_hz: int | None = None


@dataclass(frozen=True, slots=True)
class Bench:
    """What a window shows besides the screens.

    Attributes:
        inspector: answers about the recording; None: nothing is recorded.
        marks: of the recording; None: they are forgotten in the end.
        alone: begin with the screens alone.
        playable: what the window plays in place of what was to be played: the same, and it can go
            back.
    """

    inspector: Inspector | None = None
    marks: Marks | None = None
    alone: bool = False
    playable: Playable | None = None


def require_snapshot_units(snapshots: Sequence[PictureFile], units: Collection[str]) -> None:
    """Refuse a picture of a unit that is not there before anything runs.

    Raises:
        InputError: the board has no such unit.
    """
    for snapshot in snapshots:
        if snapshot.unit is not None and snapshot.unit not in units:
            raise InputError(
                place=f"--snapshot {snapshot.path}@{snapshot.unit}",
                found=f"unit {snapshot.unit!r}",
                wanted=f"the units are {', '.join(units)}",
            )


def write_snapshots(snapshots: Sequence[PictureFile], displays: Mapping[str, Display]) -> None:
    """Write the pictures that were asked for: the pixels of one unit or of all, without borders.

    Raises:
        OutputError: a file could not be written.
    """
    if not snapshots:
        return
    from busplay.display.arrangement import compose
    from busplay.png import write_png

    for snapshot in snapshots:
        chosen = [displays[snapshot.unit]] if snapshot.unit else list(displays.values())
        write_png(snapshot.path, compose(chosen, borders=False))


def play(
    playable: Playable,
    *,
    title: str,
    options: PlayOptions,
    flashes: FlashOptions,
    board: Board,
    stop_cycle: int | None,
    after_run: Callable[[], None] = lambda: None,
    bench: Callable[[], Bench] = Bench,
    renew: Callable[[], Renewal | None] | None = None,
) -> tuple[bool, FlashReport | None]:
    """Play until the end, the stop cycle, or until the user closes the window or presses Ctrl-C.

    Args:
        playable: session, stream or replay.
        title: what plays: the program's or file's name.
        board: that it plays on.
        options, flashes: as the user gave them.
        stop_cycle: play no further than this; None is without end.
        after_run: called after every piece that was run, for output that should appear as it
            comes.
        bench: called for a window only; returns what it shows besides the screens.
        renew: called before each picture of a window, which then does not close at the end of
            what plays; None: the window shows one thing.

    Returns:
        Whether Ctrl-C ended it, which is heard between two pieces, so that all sums agree; and
        the flashes in what was shown, at the refreshes or in the window; None: there is no unit.
    """
    from busplay.analysis.flash_watch import FlashWatch
    from busplay.core.devices.interface import DeviceError
    from busplay.player.bounded import BoundedPlayable

    class WholePieces(BoundedPlayable):
        """Hears Ctrl-C only between two pieces; ends where a device fails, if another run follows.

        Attributes:
            failure: what failed, until the window shows it.
        """

        failure = ""
        _has_failed = False

        @property
        def ended(self) -> bool:
            return self._has_failed or super().ended

        def run(self, cycles: int) -> int:
            if self._has_failed:
                return 0
            try:
                with uninterrupted():
                    return super().run(cycles)
            except DeviceError as error:
                if renew is None:
                    raise
                self.failure, self._has_failed = str(error), True
                return 0

        def seek(self, cycle: int) -> None:
            self._has_failed = False
            with uninterrupted():
                super().seek(cycle)

        def reset(self) -> None:
            self._has_failed = False
            super().reset()

    if options.headless and flashes.calm:
        raise click.UsageError("--calm is for the window, and --headless opens none")
    shown = None if options.headless else bench()
    played = playable if shown is None else shown.playable or playable
    watch: FlashWatch | ShownFlashes | None = None
    look = None
    if shown is None and board.units:
        watch = FlashWatch(
            playable.displays.values(),
            rate_hz=board.refresh_hz,
            first_refresh=playable.cycle * board.refresh_hz // board.clock_hz,
            screen_px=flashes.screen_px,
        )
        look = watch.look
    bounded = WholePieces(
        played,
        stop_cycle=stop_cycle,
        after_run=after_run,
        at_refresh=look,
        refresh_hz=board.refresh_hz,
    )

    def look_again(
        watch: ShownFlashes, renew: Callable[[], Renewal | None], window: PlayerWindow
    ) -> None:
        nonlocal bounded
        found = renew()
        if found is None:
            if bounded.failure:
                window.show_message(f"It cannot go on\n{bounded.failure}")
                bounded.failure = ""
            return
        window.show_message(found.message)
        if found.playable is not None:
            bench = found.bench or Bench()
            bounded = WholePieces(
                bench.playable or found.playable,
                stop_cycle=found.stop_cycle,
                after_run=found.after_run,
            )
            watch.begin_again(bounded)
            window.replace(
                bounded,
                inspector=bench.inspector,
                marks=bench.marks,
                title=printable(found.title),
                refresh_hz=found.refresh_hz,
            )

    interrupted = False
    try:
        if shown is None:
            _play_headless(bounded, options)
        else:
            from busplay.cli.shown_flashes import ShownFlashes

            watch = ShownFlashes(bounded, screen_px=flashes.screen_px)
            _play_in_window(
                bounded,
                title,
                options,
                board,
                shown,
                watch,
                calm=flashes.calm,
                ends=stop_cycle is not None and renew is None,
                on_picture=None if renew is None else partial(look_again, watch, renew),
            )
    except KeyboardInterrupt:
        interrupted = True
    return interrupted, watch.report() if watch is not None and board.units else None


def _play_in_window(
    playable: BoundedPlayable,
    title: str,
    options: PlayOptions,
    board: Board,
    bench: Bench,
    watch: ShownFlashes,
    *,
    calm: bool,
    ends: bool,
    on_picture: Callable[[PlayerWindow], None] | None,
) -> None:
    from busplay.player.flash_guard import FlashGuard
    from busplay.player.speed import NORMAL
    from busplay.view.kept import usual_layout_file
    from busplay.view.window import PICTURES_HZ, open_window

    open_window(
        playable,
        title=printable(f"{title} on {board.name}"),
        scale=options.scale,
        speed=options.speed.speed if options.speed else NORMAL,
        fullscreen=options.full_screen,
        refresh_hz=board.refresh_hz,
        picture_stem=Path(title).stem or "busplay",
        # A stop that was asked for ends the command; a program that ends by itself leaves
        # its last picture to look at.
        close_at_end=ends,
        inspector=bench.inspector,
        marks=bench.marks,
        alone=bench.alone,
        big=options.big,
        layout_file=usual_layout_file(),
        flashes=FlashGuard(watch.make_meter, calm=calm, pictures_hz=PICTURES_HZ),
        on_picture=on_picture,
    )


def _play_headless(playable: BoundedPlayable, options: PlayOptions) -> None:
    from busplay.player.player import Player
    from busplay.player.speed import AS_FAST_AS_IT_CAN

    speed = options.speed.speed if options.speed else AS_FAST_AS_IT_CAN
    first, end = playable.cycle, playable.end_cycle
    if speed is not None:
        player = Player(playable, time.monotonic_ns, speed=speed)
        player.play()
    piece_cycles = FIRST_PIECE_CYCLES

    def text() -> str:
        return f"{(playable.cycle - first) / playable.clock_hz:.1f} s of the board's time"

    with late_bar(None if end is None else end - first, label="running", text=text) as move_to:
        while not playable.ended:
            begun = time.monotonic()
            if speed is None:
                playable.run(piece_cycles)
                took_s = time.monotonic() - begun
                if took_s < PIECE_S / 2:
                    piece_cycles = min(2 * piece_cycles, PIECE_CYCLES_MAX)
                elif took_s > PIECE_S and piece_cycles > FIRST_PIECE_CYCLES // 8:
                    piece_cycles //= 2
            else:
                player.tick()
                time.sleep(TICK_S)
            move_to(playable.cycle - first)
