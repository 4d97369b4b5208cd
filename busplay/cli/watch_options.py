"""Options of `run` that watch files."""

from __future__ import annotations

from dataclasses import dataclass

import click

from busplay.cli.options import option_group


@dataclass(frozen=True, slots=True)
class WatchOptions:
    """How to watch, as the user gave it."""

    watch: bool = False
    build: str | None = None
    keep_time: bool = False

    def __post_init__(self) -> None:
        for option, is_given in (("--build", self.build), ("--keep-time", self.keep_time)):
            if is_given and not self.watch:
                raise click.UsageError(f"{option} is for --watch; give that too")


watch_options = option_group(
    "watching",
    WatchOptions,
    click.option(
        "--watch",
        is_flag=True,
        help="Run again, in the same window, whenever PROGRAM, board or link has changed on disk.",
    ),
    click.option(
        "--build",
        metavar="COMMAND",
        help="With --watch: run COMMAND in the shell first, and whenever a file in the current"
        " folder or below has changed.",
    ),
    click.option(
        "--keep-time",
        is_flag=True,
        help="With --watch: go on from the same moment, with the same keys, not from the start.",
    ),
)
