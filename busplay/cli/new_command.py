"""`busplay new`: a folder to begin with."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

import click

from busplay.cli.files import Described, OutFolder
from busplay.cli.options import PixelSize
from busplay.errors import printable


@click.command("new", epilog="Example: busplay new my_board --size 320x200")
@click.argument("folder", metavar="FOLDER", type=OutFolder())
@click.option(
    "--processor",
    type=click.Choice(["6502", "65c02"]),
    default="65c02",
    show_default=True,
    help="The board's processor.",
)
@click.option(
    "--link",
    metavar="LINK",
    type=Described(),
    default="guarded",
    show_default=True,
    help="Copy this link file or shipped link.",
)
@click.option(
    "--size",
    type=PixelSize(),
    default="256x192",
    show_default=True,
    help="Size of the screen in pixels.",
)
@click.option(
    "--bits-per-pixel",
    type=click.Choice(["1", "2", "4", "8"]),
    default="4",
    show_default=True,
    help="Bits of a pixel.",
)
def command(
    folder: Path, processor: str, link: str, size: tuple[int, int], bits_per_pixel: str
) -> None:
    """Lay out FOLDER: a board, a link, two programs, their tests, and a Makefile.

    One program is in assembly, one in C; make builds them with cc65. Both draw on the board's
    screen at once, and the tests hold them to it. Nothing is asked, and no file is written over.
    """
    from busplay.starter.new import new

    made = new(
        folder,
        processor="6502" if processor == "6502" else "65c02",
        link=link,
        width_px=size[0],
        height_px=size[1],
        bits_per_pixel=int(bits_per_pixel),
    )
    board, unit = made.board, made.board.units[0]
    click.echo(f"{printable(folder)}: {len(made.files)} files")
    click.echo(f"  board   {board.name}, made up: {board.processor} at 2 MHz")
    click.echo(f"  screen  {unit.width_px} x {unit.height_px}, {1 << unit.bits_per_pixel} colours")
    click.echo(f"  link    {printable(board.link.name)}, in link.toml")
    click.echo("  next    make, make test and make run there; README.md says more")
    if shutil.which("ca65") is None:
        click.echo("  needed  cc65, which is not found here (Debian: apt install cc65 make)")
    if not _is_usual_python():
        click.echo(f"  needed  make PYTHON={printable(sys.executable)}, as python3 is another")


def _is_usual_python() -> bool:
    """Return whether `python3` is the Python that runs this."""
    usual = shutil.which("python3")
    return usual is not None and Path(usual).parent == Path(sys.executable).parent
