"""`busplay why`: which store drew a pixel, from which line of the program, as which bits."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Unpack

import click

from busplay.cli.capture_options import capture_options, map_option
from busplay.cli.files import Described, InFile, InProgram
from busplay.cli.json_output import print_json
from busplay.cli.options import Count, Parsed, Time, json_option, load_option, trust_option
from busplay.cli.run_options import labels_option
from busplay.cli.style import verdict

if TYPE_CHECKING:
    from busplay.formats.capture import ReadOptions


class PixelPlace(Parsed[tuple[int, int]]):
    """A pixel as X,Y from the top left."""

    name = "pixel"

    def parse(self, text: str) -> tuple[int, int]:
        """Read the two numbers."""
        x, comma, y = text.partition(",")
        if not comma or not x.strip().isdecimal() or not y.strip().isdecimal():
            raise ValueError(f"{text!r} is no pixel; give X,Y from the top left, such as 120,40")
        return int(x), int(y)


@click.command("why", epilog="Example: busplay why tides.trace --unit panel --pixel 120,40")
@click.argument("source", metavar="TRACE|CAPTURE", type=InFile())
@click.option(
    "--unit",
    metavar="NAME",
    help="Unit that shows the pixel.  [default: the only one that has it]",
)
@click.option(
    "--pixel", required=True, type=PixelPlace(), metavar="X,Y", help="Pixel, from the top left."
)
@click.option(
    "--at",
    "at_ps",
    type=Time(),
    help="Moment, since processor cycle 0 or in the capture's time: 1.5s.  [default: the end]",
)
@click.option(
    "--against",
    type=InFile(),
    help="Trace of what arrived of TRACE: says whether the last store did, and why not.",
)
@click.option(
    "--link", metavar="LINK", type=Described(), help="Link file, or a shipped link's name."
)
@click.option(
    "--board",
    metavar="BOARD",
    type=Described(),
    help="Board file or shipped board: units and windows, and the link if --link is not given.",
)
@map_option
@click.option(
    "--program",
    type=InProgram(),
    help="Program that was recorded.  [default: the file beside TRACE that has its digest]",
)
@load_option
@trust_option
@labels_option
@click.option("--dbgfile", type=InFile(), help="Debug file of ld65, for source lines.")
@click.option("--history", type=Count(), help="List the last COUNT stores to the byte.")
@json_option
@capture_options
def command(
    source: Path,
    unit: str | None,
    pixel: tuple[int, int],
    at_ps: int | None,
    against: Path | None,
    link: str | None,
    board: str | None,
    map_text: str | None,
    program: Path | None,
    load_address: int | None,
    labels: Path | None,
    dbgfile: Path | None,
    history: int | None,
    as_json: bool,
    **reading: Unpack[ReadOptions],
) -> int:
    """Explain why a pixel is so: colour, palette entry, byte, store, instruction, frame, symbols.

    TRACE is a recording; with its program, each store is named by cycle, label, source line and
    registers. CAPTURE is a recording of the wires: give --board, and get the times of the frame's
    edges and how far each wire was from doubt.

    Exit status: 0; 1 if the last store to the byte, the palette or a register behind the colour
    was lost or damaged, or a frame that was not sent so drew the pixel; 2 for wrong use; 130 if
    interrupted.
    """
    from busplay.chain.text import chain_text, verdict_text
    from busplay.chain.why import why
    from busplay.cli.notice import tell_of_compiling
    from busplay.cli.progress import shares_bar

    tell_of_compiling()
    with shares_bar(label="looking") as progress:
        found = why(
            source,
            unit=unit,
            pixel=pixel,
            at_ps=at_ps,
            against=against,
            link=link,
            board=board,
            lane_map=map_text,
            program=program,
            load_address=load_address,
            labels=labels,
            dbgfile=dbgfile,
            history=history or 0,
            progress=progress,
            **reading,
        )
    if as_json:
        print_json(found)
    else:
        click.echo(verdict(verdict_text(found), ok=found.is_as_sent))
        click.echo(chain_text(found))
    return 0 if found.is_as_sent else 1
