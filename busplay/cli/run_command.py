"""`busplay run`: a program, or another emulator's stores, on a board."""

from __future__ import annotations

import sys
from fractions import Fraction
from pathlib import Path

import click

from busplay.cli.fault_options import FaultRequest, fault_options
from busplay.cli.files import Described, InFile, InProgram, OutFile
from busplay.cli.options import Address, Count, GivenSpeed, Seconds, Snapshot
from busplay.cli.playing import PlayOptions, play_options


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
@click.option(
    "--link",
    "link_source",
    metavar="LINK",
    type=Described(),
    help="Use this link, not the board's.",
)
@click.option("--load", "load_address", type=Address(), help="Where a raw program goes.")
@click.option("--core", default="compiled", show_default=True, help="Which core runs it.")
@click.option("--keys", type=InFile(), help="Press keys as a CSV with cycle,code says.")
@click.option(
    "--record",
    type=OutFile(),
    help="Record a trace while it runs.",
)
@click.option(
    "--record-received",
    type=OutFile(),
    help="Record a trace of what arrives, to play, or to compare with what was sent.",
)
@click.option("--cycles", type=Count(), help="Stop after this many processor cycles.")
@click.option("--seconds", type=Seconds(), help="Stop after this much machine time.")
@click.option("--until-exit", is_flag=True, help="Run until the program writes its exit register.")
@click.option(
    "--labels",
    type=InFile(),
    help="The program's labels, for --profile and for stores that get lost; found beside PROGRAM"
    " as NAME.lbl or NAME.labels if not given.",
)
@click.option("--profile", is_flag=True, help="Count cycles and stores of each routine.")
@click.option(
    "--losses",
    "losses_path",
    type=OutFile(),
    help="List every store that was not received right, as CSV.",
)
@click.option("--json", "as_json", is_flag=True, help="Print the figures as JSON.")
@fault_options
@play_options
def command(
    board_source: str,
    program: Path | None,
    stores: Path | None,
    link_source: str | None,
    load_address: int | None,
    core: str,
    keys: Path | None,
    record: Path | None,
    record_received: Path | None,
    cycles: int | None,
    seconds: Fraction | None,
    until_exit: bool,
    labels: Path | None,
    profile: bool,
    losses_path: Path | None,
    as_json: bool,
    headless: bool,
    speed: GivenSpeed | None,
    snapshots: tuple[Snapshot, ...],
    scale: int | None,
    full_screen: bool,
    faults: FaultRequest,
) -> int:
    """Run PROGRAM on BOARD, show what arrives at the far end of its link.

    BOARD is a board file, or the name of a shipped board (dunlin). PROGRAM is a raw binary,
    Intel HEX, S-record or ELF file; without it the board's own ROM images run.

    Exit status: what the program wrote to its exit register; 0 if it did not; 1 if
    --until-exit met --cycles or --seconds first; 2 for wrong use or a processor that cannot
    go on.
    """
    from busplay.cli.running import RunRequest, run_and_report

    if stores is not None and (program is not None or keys or until_exit or profile):
        raise click.UsageError(
            "--stores takes the program's place; PROGRAM, --keys, --until-exit and --profile"
            " do not go with it"
        )
    if headless and stores is None and cycles is None and seconds is None and not until_exit:
        raise click.UsageError(
            "--headless has no window to close; say when to stop:"
            " --cycles N, --seconds S or --until-exit"
        )
    return run_and_report(
        RunRequest(
            board_source=board_source,
            link_source=link_source,
            program=program,
            load_address=load_address,
            stores=stores,
            core=core,
            keys=keys,
            record=record,
            record_received=record_received,
            losses=losses_path,
            cycles=cycles,
            seconds=seconds,
            until_exit=until_exit,
            profile=profile,
            labels=labels,
            faults=faults,
        ),
        PlayOptions(headless, speed, snapshots, scale, full_screen),
        as_json=as_json,
        console=sys.stderr.buffer if as_json else sys.stdout.buffer,
    )
