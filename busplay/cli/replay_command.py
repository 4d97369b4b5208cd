"""`busplay replay`: the player for recorded traces."""

from __future__ import annotations

from typing import Any

import click

from busplay.cli.fault_options import fault_options
from busplay.cli.files import InFile, InProgram, enter_recorded_program
from busplay.cli.flash_options import flash_options
from busplay.cli.options import Count, Time, json_option, load_option, trust_option
from busplay.cli.playing import play_options
from busplay.cli.renamed import renamed
from busplay.cli.run_options import labels_option, loss_options


@click.command("replay", epilog="Example: busplay replay tides.trace --from 0.5s")
@click.argument("trace", metavar="TRACE", type=InFile())
@click.option("--from", "from_ps", type=Time(), help="Leave out what is earlier: 1.5ms.")
@click.option("--to", "to_ps", type=Time(), help="Leave out what is later.")
@renamed("--seconds", "--to")
@click.option("--cycles", type=Count(), help="Stop at processor cycle COUNT of the recording.")
@click.option(
    "--program",
    type=InProgram(),
    help="Run the recorded program beside its trace, so that what gets lost is named by cycle,"
    " program counter and label, and the window steps through it.",
)
@load_option
@trust_option
@labels_option
@click.option(
    "--against",
    metavar="TRACE",
    type=InFile(),
    help="Show TRACE as the actual beside the expected one, with the differences of compare.",
)
@loss_options
@json_option
@fault_options
@play_options
@flash_options
def command(**given: Any) -> int:
    """Play TRACE through the same receiver and displays that the program's run went through.

    The window has a time line, lists, pixel look-up and the program, which is found by its digest
    beside the trace; F1 shows the keys. With --record-received, with --losses, and with --program
    and --headless, a replay goes forward only.

    Exit status: 0; with --fail-on-loss 1 if a store was not received as sent; 2 for wrong use or a
    damaged trace; 130 if interrupted.
    """
    from busplay.cli.replaying import ReplayRequest, replay_and_report

    request = ReplayRequest(**given)
    losses = request.losses
    follows = losses.record_received or losses.losses_path or request.program
    if request.from_ps is not None and follows:
        raise click.UsageError(
            "--from does not go with --record-received, --losses and --program, which follow"
            " TRACE from its beginning"
        )
    for option, value in (("--load", request.load_address), ("--labels", request.labels)):
        if value is not None and request.program is None:
            raise click.UsageError(f"{option} belongs to --program; give that too")
    if request.against is not None and request.play.headless:
        raise click.UsageError("--against is for the window; compare does without")
    if request.program is None and not request.play.headless:
        enter_recorded_program(request.trace)
    return replay_and_report(request)
