"""`busplay demo`: the main job, on a shipped board and program."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import click

from busplay.cli.fault_options import fault_options
from busplay.cli.flash_options import flash_options
from busplay.cli.options import json_option
from busplay.cli.playing import play_options
from busplay.cli.run_options import RunOptions, loss_options, run_options
from busplay.demo.programs import DEMO_PROGRAMS, find_demo


@click.command("demo", epilog="Example: busplay demo waves --link lean")
@click.argument(
    "name",
    default="tides",
    metavar="[NAME]",
    shell_complete=lambda ctx, param, incomplete: [
        name for name in DEMO_PROGRAMS if name.startswith(incomplete)
    ],
)
@click.option("--list", "list_them", is_flag=True, help="List the shipped programs and stop.")
@run_options
@loss_options
@json_option
@fault_options
@play_options
@flash_options
def command(name: str, list_them: bool, run: RunOptions, **given: Any) -> int:
    """Run a shipped program (tides, if none is named) on its shipped board.

    The board, its programs and the museum that it is for are made up. With --headless the
    demo runs a stated number of cycles and prints what was sent and received.
    """
    if list_them:
        for program in DEMO_PROGRAMS.values():
            click.echo(f"{program.name:8} {program.shows}")
        return 0
    from busplay.cli.running import RunRequest, run_and_report

    program = find_demo(name)
    request = RunRequest(
        board_source=program.board, program=program.image_path, run=run, alone=True, **given
    )
    if request.play.headless and not run.has_end:
        request = replace(request, run=replace(run, cycles=program.cycles))
    return run_and_report(request)
