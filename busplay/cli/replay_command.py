"""`busplay replay`: the player for recorded traces."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import click

from busplay.cli.fault_options import FaultRequest, fault_options
from busplay.cli.files import InFile, InProgram, OutFile
from busplay.cli.options import Address, Count, GivenSpeed, Seconds, Snapshot
from busplay.cli.playing import PlayOptions, play_options


@click.command("replay", epilog="Example: busplay replay tides.trace --from 0.5")
@click.argument("trace", metavar="TRACE", type=InFile())
@click.option("--from", "from_seconds", type=Seconds(), help="Begin at this machine time.")
@click.option("--cycles", type=Count(), help="Stop at this processor cycle of the recording.")
@click.option("--seconds", type=Seconds(), help="Stop at this machine time of the recording.")
@click.option(
    "--record-received",
    type=OutFile(),
    help="Record a trace of what arrives, to play, or to compare with TRACE.",
)
@click.option(
    "--losses",
    "losses_path",
    type=OutFile(),
    help="List every frame that was not received right, as CSV.",
)
@click.option(
    "--program",
    type=InProgram(),
    help="Run the recorded program beside its trace, so that what gets lost is named by cycle,"
    " program counter and label.",
)
@click.option("--load", "load_address", type=Address(), help="Where a raw --program goes.")
@click.option(
    "--labels",
    type=InFile(),
    help="The program's labels; found beside --program as NAME.lbl or NAME.labels if not given.",
)
@click.option("--json", "as_json", is_flag=True, help="Print the figures as JSON.")
@fault_options
@play_options
def command(
    trace: Path,
    from_seconds: Fraction | None,
    cycles: int | None,
    seconds: Fraction | None,
    record_received: Path | None,
    losses_path: Path | None,
    program: Path | None,
    load_address: int | None,
    labels: Path | None,
    as_json: bool,
    headless: bool,
    speed: GivenSpeed | None,
    snapshots: tuple[Snapshot, ...],
    scale: int | None,
    full_screen: bool,
    faults: FaultRequest,
) -> int:
    """Play TRACE through the same receiver and displays that the program's run went through.

    In the window: pause, single pictures, jumps, speed; F1 shows the keys. With --record-received,
    --losses or --program a replay goes forward only.
    """
    from busplay.cli.replaying import ReplayRequest, replay_and_report

    goes_forward = record_received or losses_path or program
    if goes_forward and from_seconds is not None:
        raise click.UsageError(
            "--from does not go with --record-received, --losses and --program, which follow"
            " TRACE from its beginning"
        )
    if load_address is not None and program is None:
        raise click.UsageError("--load says where --program goes; give that too")
    return replay_and_report(
        ReplayRequest(
            trace=trace,
            from_seconds=from_seconds,
            cycles=cycles,
            seconds=seconds,
            record_received=record_received,
            losses=losses_path,
            program=program,
            load_address=load_address,
            labels=labels,
            faults=faults,
        ),
        PlayOptions(headless, speed, snapshots, scale, full_screen),
        as_json=as_json,
    )
