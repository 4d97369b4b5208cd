"""What `demo`, `run` and `replay` share: play something to its end, with or without a window."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import click

from busplay.cli.options import GivenSpeed, Snapshot, SnapshotParam, SpeedParam
from busplay.errors import InputError

if TYPE_CHECKING:
    from busplay.description.board import Board
    from busplay.display.display import Display
    from busplay.player.bounded import BoundedPlayable
    from busplay.player.playable import Playable

F = TypeVar("F", bound=Callable[..., object])

PIECE_CYCLES = 200_000
"""A headless run goes in pieces of this, so that output appears and Ctrl-C is heard."""

TICK_S = 0.005

DEFAULT_REFRESH_HZ = 60
"""A single frame in the window is one of these, where the board has no refresh of its own."""

PROGRESS_FROM_CYCLES = 1_500_000
"""Shorter runs show no progress bar: the reference core does about this many in a second."""


@dataclass(frozen=True, slots=True)
class PlayOptions:
    """How to play: with a window or not, how fast, which pictures to take at the end."""

    headless: bool = False
    speed: GivenSpeed | None = None
    snapshots: Sequence[Snapshot] = ()
    scale: int | None = None
    full_screen: bool = False


def play_options(command: F) -> F:
    """Add the options that every playing command has."""
    options = [
        click.option("--headless", is_flag=True, help="Do without a window."),
        click.option(
            "--speed",
            type=SpeedParam(),
            help="1, 2, 1/4, 0.5, or max for as fast as it can. Default: 1; headless: max.",
        ),
        click.option(
            "--snapshot",
            "snapshots",
            type=SnapshotParam(),
            multiple=True,
            help="Write the last picture as PNG; @UNIT picks one unit. May be repeated.",
        ),
        click.option(
            "--scale", type=click.IntRange(1, 16), help="Screen pixels for one pixel of a unit."
        ),
        click.option("--full-screen", is_flag=True, help="Begin in full screen."),
    ]
    for option in reversed(options):
        command = option(command)
    return command


def require_snapshot_units(snapshots: Sequence[Snapshot], displays: Mapping[str, Display]) -> None:
    """Refuse a picture of a unit that is not there before anything runs.

    Raises:
        InputError: the board has no such unit.
    """
    for snapshot in snapshots:
        if snapshot.unit is not None and snapshot.unit not in displays:
            raise InputError(
                place=f"--snapshot {snapshot.path}@{snapshot.unit}",
                found=f"unit {snapshot.unit!r}",
                wanted=f"the units are {', '.join(displays)}",
            )


def write_snapshots(snapshots: Sequence[Snapshot], displays: Mapping[str, Display]) -> None:
    """Write the pictures that were asked for.

    Raises:
        OutputError: a file could not be written.
    """
    if not snapshots:
        return
    from busplay.export.png import compose, write_png

    for snapshot in snapshots:
        chosen = [displays[snapshot.unit]] if snapshot.unit else list(displays.values())
        image = chosen[0].image() if len(chosen) == 1 else compose(chosen)
        write_png(snapshot.path, image)


def play(
    playable: Playable,
    *,
    title: str,
    options: PlayOptions,
    board: Board,
    stop_cycle: int | None,
    after_run: Callable[[], None] = lambda: None,
) -> None:
    """Play until the end, the stop cycle, or until the user closes the window.

    Args:
        playable: session, stream or replay.
        title: what plays: the program's or file's name.
        board: that it plays on.
        options: as the user gave them.
        stop_cycle: play no further than this; None is without end.
        after_run: called after every piece that was run, for output that should appear as it
            comes.
    """
    from busplay.player.bounded import BoundedPlayable
    from busplay.player.speed import NORMAL

    bounded = BoundedPlayable(playable, stop_cycle=stop_cycle, after_run=after_run)
    if options.headless:
        _play_headless(bounded, options)
        return
    from busplay.view.window import open_window

    open_window(
        bounded,
        title=f"{title} on {board.name}",
        scale=options.scale,
        speed=options.speed.speed if options.speed else NORMAL,
        fullscreen=options.full_screen,
        refresh_hz=board.host_port.refresh_hz if board.host_port else DEFAULT_REFRESH_HZ,
        picture_stem=Path(title).stem or "busplay",
        # A stop that was asked for ends the command; a program that ends by itself leaves
        # its last picture to look at.
        close_at_end=stop_cycle is not None,
    )


def _play_headless(playable: BoundedPlayable, options: PlayOptions) -> None:
    from busplay.player.player import Player
    from busplay.player.speed import AS_FAST_AS_IT_CAN

    speed = options.speed.speed if options.speed else AS_FAST_AS_IT_CAN
    length = max(1, (playable.end_cycle or 0) - playable.cycle)
    hidden = length < PROGRESS_FROM_CYCLES or not sys.stderr.isatty()
    if speed is not None:
        player = Player(playable, time.monotonic_ns, speed=speed)
        player.play()
    with click.progressbar(length=length, file=sys.stderr, hidden=hidden) as progress:
        while not playable.ended:
            before = playable.cycle
            if speed is None:
                playable.run(PIECE_CYCLES)
            else:
                player.tick()
                time.sleep(TICK_S)
            progress.update(playable.cycle - before)
