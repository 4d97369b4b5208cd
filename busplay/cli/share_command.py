"""`busplay share`: a trace as one HTML file that replays it in a browser."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from busplay.cli.files import InFile, OutFile, enter_recorded_program
from busplay.cli.flash_options import screen_option
from busplay.cli.options import json_option, trust_option

if TYPE_CHECKING:
    from busplay.export.page.share import PageReport


@click.command("share", epilog="Example: busplay share tides.trace -o tides.html")
@click.argument("trace", metavar="TRACE", type=InFile())
@click.option(
    "-o",
    "--output",
    required=True,
    type=OutFile(),
    help="Page to write; it replays TRACE in any current browser.",
)
@screen_option
@trust_option
@json_option
def command(trace: Path, output: Path, screen_px: tuple[int, int], as_json: bool) -> int:
    """Write TRACE as one HTML file that replays it, with nothing from outside.

    The page has the screens, a time line of link use, changes, errors, keys and marks, playback
    both ways, steps by store and refresh, and pixel look-up; its address names moment, unit and
    pixel. Labels and source lines are in it if the recorded program is beside TRACE. "Save the
    trace" in the page returns TRACE byte for byte.

    Exit status: 0; 2 for wrong use or a damaged trace; 130 if interrupted.
    """
    from busplay.cli.json_output import print_json
    from busplay.cli.notice import tell_of_compiling
    from busplay.cli.progress import shares_bar
    from busplay.export.page.share import share

    tell_of_compiling()
    enter_recorded_program(trace)
    with shares_bar(label="looking") as progress:
        report = share(trace, output, screen_px=screen_px, progress=progress)
    if as_json:
        print_json(report)
    else:
        _print(report)
    return 0


def _print(report: PageReport) -> None:
    from busplay.cli.report import print_flashes
    from busplay.cli.style import verdict, warning
    from busplay.errors import printable
    from busplay.wording import counted

    not_shown = report.frames_not_shown
    lost = f"; {counted(not_shown, 'frame')} did not reach a unit" if not_shown else ""
    click.echo(
        verdict(
            f"{printable(report.file)}: {counted(report.frames, 'frame')},"
            f" {float(report.duration_s):.3f} s{lost}",
            ok=True,
        )
    )
    marks = f", {counted(report.marks, 'mark')}" if report.marks else ""
    click.echo(
        f"  {counted(report.page_bytes, 'byte')}, with the trace of"
        f" {counted(report.trace_bytes, 'byte')}{marks}"
    )
    if report.cut_reason:
        click.echo(warning(f"  the trace is cut: {printable(report.cut_reason)}"))
    if report.origins_unknown:
        click.echo(f"  instructions are not in it: {printable(report.origins_unknown)}")
    print_flashes(report.flashes)
    if not report.flashes.is_below:
        click.echo("  The page starts paused.")
