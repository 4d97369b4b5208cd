"""`busplay report`: a trace, a capture or a sweep in one HTML page."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Unpack

import click

from busplay.cli.capture_options import capture_options, map_option
from busplay.cli.files import Described, InFile, InProgram, OutFile, enter_recorded_program
from busplay.cli.flash_options import screen_option
from busplay.cli.json_output import print_json
from busplay.cli.options import json_option
from busplay.cli.run_options import labels_option

if TYPE_CHECKING:
    from busplay.formats.capture import ReadOptions

_WORDS = "busplay.report_words"


class _KeepsWords(click.Command):
    """A command that remembers its words, as the page says how it was made."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        ctx.meta[_WORDS] = tuple(args)
        return super().parse_args(ctx, args)


@click.command(
    "report",
    cls=_KeepsWords,
    epilog="Example: busplay report tides.trace -o tides.html",
)
@click.argument("file", metavar="TRACE-or-CAPTURE-or-STATE", type=InFile())
@click.option("--output", "-o", type=OutFile(), required=True, help="Write the page to FILE.")
@click.option(
    "--against",
    metavar="TRACE",
    type=InFile(),
    help="Compare with TRACE, another recording of the same run: what was sent with what arrived.",
)
@click.option(
    "--program",
    type=InProgram(),
    help="Run the recorded program again for its routines.  [default: the one beside the trace that"
    " has its digest]",
)
@labels_option
@screen_option
@click.option(
    "--link",
    "link_source",
    metavar="LINK",
    type=Described(),
    help="Link of a capture: a file, or a shipped link's name.",
)
@click.option(
    "--board",
    "board_source",
    metavar="BOARD",
    type=Described(),
    help="Board of a capture: units and windows, and the link if --link is not given.",
)
@map_option
@capture_options
@json_option
def command(
    file: Path,
    output: Path,
    against: Path | None,
    program: Path | None,
    labels: Path | None,
    screen_px: tuple[int, int],
    link_source: str | None,
    board_source: str | None,
    map_text: str | None,
    as_json: bool,
    **reading: Unpack[ReadOptions],
) -> int:
    """Sum up a recording in one HTML file: it needs no script, and prints well.

    Of a trace: what ran, the screens at the moments that matter, link use, bursts and FIFOs over
    time, errors by lane, address and time, how often each address was written, routines, flashes,
    plan and check in short, the accounts, and how to make it again. Of a capture (VCD, CSV, .sr,
    raw samples): clock, eyes, doubt, damage, and with --board what it shows. Of a file that stress
    --state wrote: the sweeps.

    Needs Matplotlib: pip install 'busplay[analysis]'.

    Exit status: 0; 2 for wrong use or a damaged file; 130 if interrupted, and then nothing is
    written.
    """
    from busplay.cli.decode_progress import decode_progress
    from busplay.cli.notice import tell_of_compiling
    from busplay.cli.progress import steps_bar
    from busplay.cli.style import verdict
    from busplay.errors import printable
    from busplay.reporting.report import report
    from busplay.trace.reader import is_trace

    tell_of_compiling()
    if program is None and file.is_file() and is_trace(file, wanted="give a recording"):
        enter_recorded_program(file)
    words = click.get_current_context().meta[_WORDS]
    with ExitStack() as stack:
        written = report(
            file,
            output,
            against=against,
            program=program,
            labels=labels,
            link=link_source,
            board=board_source,
            lane_map=map_text,
            screen_px=screen_px,
            words=_shown(words),
            watch=decode_progress(stack),
            progress=stack.enter_context(steps_bar()),
            **reading,
        )
    if as_json:
        print_json(written)
        return 0
    click.echo(verdict(printable(f"{written.title}: {written.verdict}"), ok=written.is_fine))
    click.echo(
        f"  report    {printable(output)}, {len(written.sections)} sections,"
        f" {written.figures} figures"
    )
    return 0


def _shown(words: Sequence[str]) -> str:
    """Return the command, with files by their names: a page that is shown around has no folders."""
    named = [
        Path(one).name if Path(one).parent.is_dir() and Path(one).name else one for one in words
    ]
    return shlex.join(["busplay", "report", *named])
