"""`busplay demo`: the main job, on a shipped board and program."""

from __future__ import annotations

import sys
from fractions import Fraction
from pathlib import Path

import click

from busplay.cli.fault_options import FaultRequest, fault_options
from busplay.cli.files import Described, OutFile
from busplay.cli.options import Count, GivenSpeed, Seconds, Snapshot
from busplay.cli.playing import PlayOptions, play_options
from busplay.demo.programs import DEMO_PROGRAMS, find_demo


@click.command("demo", epilog="Example: busplay demo waves --link lean")
@click.argument("name", default="tides", metavar="[NAME]")
@click.option("--list", "list_them", is_flag=True, help="List the shipped programs and stop.")
@click.option(
    "--link",
    "link_source",
    metavar="LINK",
    type=Described(),
    help="Use this link, not the board's.",
)
@click.option("--core", default="compiled", show_default=True, help="Which core runs it.")
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
@click.option("--until-exit", is_flag=True, help="Run until the program ends by itself (fill).")
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
    name: str,
    list_them: bool,
    link_source: str | None,
    core: str,
    record: Path | None,
    record_received: Path | None,
    cycles: int | None,
    seconds: Fraction | None,
    until_exit: bool,
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
    """Run a shipped program (tides, if none is named) on the shipped Dunlin board.

    The board, its programs and the museum that it is for are made up. With --headless the
    demo runs a stated number of cycles and prints what was sent and received.
    """
    if list_them:
        for program in DEMO_PROGRAMS.values():
            click.echo(f"{program.name:8} {program.shows}")
        return 0
    from busplay.cli.running import RunRequest, run_and_report

    program = find_demo(name)
    if headless and cycles is None and seconds is None and not until_exit:
        cycles = program.cycles
    return run_and_report(
        RunRequest(
            board_source="dunlin",
            link_source=link_source,
            program=program.image_path,
            core=core,
            record=record,
            record_received=record_received,
            losses=losses_path,
            cycles=cycles,
            seconds=seconds,
            until_exit=until_exit,
            profile=profile,
            faults=faults,
        ),
        PlayOptions(headless, speed, snapshots, scale, full_screen),
        as_json=as_json,
        console=sys.stderr.buffer if as_json else sys.stdout.buffer,
    )
