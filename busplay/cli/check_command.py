"""`busplay check`: is a link or board file right, what does it mean, is the frame layout sound."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from busplay.cli.files import Described, OutFile
from busplay.cli.json_output import print_json

if TYPE_CHECKING:
    from busplay.analysis.soundness.report import Soundness
    from busplay.description.link import Link


@click.command("check", epilog="Example: busplay check lean --ber 1e-3 --svg lean.svg")
@click.argument("source", metavar="FILE", type=Described())
@click.option(
    "--ber",
    "bit_error_rates",
    metavar="RATE",
    type=click.FloatRange(0, 0.5, min_open=True),
    multiple=True,
    help="Look at this bit error rate; may be repeated.  [default: 1e-2, 1e-3, 1e-4, 1e-6, 1e-9]",
)
@click.option(
    "--svg",
    "svg_path",
    type=OutFile(".svg"),
    help="Write a picture of the frame and a timing diagram.",
)
@click.option(
    "--seed",
    metavar="N",
    type=click.IntRange(0, 2**63 - 1),
    default=1,
    show_default=True,
    help="Of what is simulated or sampled.",
)
@click.option("--json", "as_json", is_flag=True, help="Print everything as JSON.")
def command(
    source: str,
    bit_error_rates: tuple[float, ...],
    svg_path: Path | None,
    seed: int,
    as_json: bool,
) -> int:
    """Say what a link or board file means, and whether its frames can be found and trusted.

    FILE is a TOML file, or the name of a shipped link (guarded, lean, strobed, marked, serial)
    or board (dunlin). For a link: the frame's fields by symbol and lane, slot time, check,
    framing; then where a receiver could be misled, which damage goes unseen, how long a receiver
    takes to come into step and keeps it, and what would be better. For a board also the memory
    map, windows, units and both ends.

    Exit status is 1 if the layout has a fault that no receiver can live with; such a link can be
    read here and nowhere else.
    """
    from busplay.analysis.pictures.timing_text import timing_text
    from busplay.analysis.soundness.report import BIT_ERROR_RATES
    from busplay.analysis.soundness.text import soundness_text
    from busplay.description.board import Board
    from busplay.explain import board_facts, board_text, link_facts, link_text
    from busplay.link.load import load_link_or_board

    described = load_link_or_board(source, must_be_sound=False)
    link = described.link if isinstance(described, Board) else described
    if svg_path is not None:
        from busplay.analysis.pictures.frame_svg import frame_svg
        from busplay.whole_file import write_whole_file

        write_whole_file(svg_path, frame_svg(link).encode())
    found = _analyse(link, bit_error_rates or BIT_ERROR_RATES, seed)
    if as_json:
        facts = board_facts(described) if isinstance(described, Board) else link_facts(described)
        print_json({"description": facts, "soundness": found.to_plain()})
    else:
        clock_hz = described.clock_hz
        if isinstance(described, Board):
            text = board_text(described)
            clock_hz = link.clock_hz or described.clock_hz
        else:
            text = link_text(described)
        symbol_ns = 1e9 / (clock_hz * link.edges_per_cycle) if clock_hz else None
        click.echo(f"{text}\n\n{timing_text(link)}\n\n{soundness_text(found, symbol_ns=symbol_ns)}")
    return 0 if found.is_sound else 1


def _analyse(link: Link, bit_error_rates: tuple[float, ...], seed: int) -> Soundness:
    """Work everything out, with a progress bar on a terminal."""
    from busplay.analysis.soundness.report import steps

    found = None
    work = list(steps(link, bit_error_rates=bit_error_rates, seed=seed))
    with click.progressbar(
        length=len(work),
        label=f"checking {link.name}",
        file=sys.stderr,
        hidden=not sys.stderr.isatty(),
    ) as bar:
        for _, step in work:
            found = step()
            bar.update(1)
    if found is None:
        raise AssertionError("the last step gives the findings")
    return found
