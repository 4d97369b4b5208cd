"""`busplay run`: a program, or another emulator's stores, on a board."""

from __future__ import annotations

from typing import Any

import click

from busplay.cli.fault_options import fault_options
from busplay.cli.files import Described, InFile, InProgram
from busplay.cli.flash_options import flash_options
from busplay.cli.options import json_option, load_option, trust_option
from busplay.cli.playing import play_options
from busplay.cli.run_options import keys_option, labels_option, loss_options, run_options
from busplay.cli.watch_options import WatchOptions, watch_options


@click.command("run", epilog="Example: busplay run dunlin tides.bin --record tides.trace")
@click.argument("board_source", metavar="BOARD", type=Described())
@click.argument("program", metavar="[PROGRAM]", required=False, type=InProgram())
@click.option(
    "--stores",
    metavar="FILE|-",
    type=InFile(dash=True),
    help="Take stores from a file or pipe (CSV with a header, or 16-byte records) instead of"
    " running a program; - is standard input.",
)
@load_option
@trust_option
@keys_option
@labels_option
@run_options
@loss_options
@json_option
@fault_options
@play_options
@flash_options
@watch_options
def command(watching: WatchOptions, **given: Any) -> int:
    """Run PROGRAM on BOARD and show what the displays behind its link receive.

    BOARD is a board file, or the name of a shipped board (dunlin). PROGRAM is a raw binary,
    Intel HEX, S-record or ELF file; without it the board's own ROM images run.

    Cycles count from 0, the first of the 7 cycles of the reset.

    With --watch an error of the build, of the board or of the program stands over the last
    picture until the next change; with --headless each run prints its report.

    Exit status: what the program wrote to its exit register; 0 if it did not; 1 if
    --until-exit met --cycles or --duration first, or with --fail-on-loss if a store was lost;
    2 for wrong use or a processor that cannot go on; 130 if interrupted.
    """
    from busplay.cli.running import RunRequest, run_and_report

    request = RunRequest(**given)
    run, play = request.run, request.play
    if request.stores is not None and (
        request.program is not None or request.keys or run.until_exit or run.profile
    ):
        raise click.UsageError(
            "--stores replaces the program; PROGRAM, --keys, --until-exit and --profile do not"
            " apply to it"
        )
    if play.headless and request.stores is None and not run.has_end:
        raise click.UsageError(
            "--headless has no window to close; say when to stop:"
            " --cycles COUNT, --duration TIME or --until-exit"
        )
    if request.load_address is not None and request.program is None:
        raise click.UsageError("--load is the address of PROGRAM; give that too")
    if not watching.watch:
        return run_and_report(request)
    if request.stores is not None:
        raise click.UsageError("--watch runs a program again; --stores has none")
    if play.headless and watching.keep_time:
        raise click.UsageError("--keep-time is for the window, and --headless opens none")
    from busplay.cli.watched import watch_and_run

    return watch_and_run(request, watching)
