"""`busplay check`: is a link or board file right, what does it mean, is the frame layout sound."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from busplay.cli.files import Described, OutFile
from busplay.cli.json_output import print_json
from busplay.cli.options import full_option, json_option, seed_option

if TYPE_CHECKING:
    from busplay.analysis.soundness.report import CheckReport
    from busplay.description.board import Board
    from busplay.description.link import Link


@click.command("check", epilog="Example: busplay check lean --ber 1e-3 --svg lean.svg")
@click.argument("source", metavar="LINK-or-BOARD", type=Described())
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
@seed_option(default=1)
@full_option
@json_option
def command(
    source: str,
    bit_error_rates: tuple[float, ...],
    svg_path: Path | None,
    seed: int,
    full: bool,
    as_json: bool,
) -> int:
    """Explain a link or board file; check that its frames can be found and trusted.

    LINK-or-BOARD is a TOML file, or the name of a shipped link (guarded, lean, strobed, marked,
    serial) or board (dunlin). The verdict comes first: how many frames a lost edge costs under the
    worst traffic, which errors go undetected, what to change. For a board it is judged with the
    board's units, behind its memory map. --full adds the frame's fields by symbol and lane, all
    figures, and the changed link files.

    Exit status is 1 if the link is not sound.
    """
    from busplay.explain import board_facts, link_facts
    from busplay.link.load import as_link_and_board

    link, board = as_link_and_board(source, must_be_sound=False)
    if svg_path is not None:
        from busplay.analysis.pictures.frame_svg import frame_svg
        from busplay.whole_file import write_whole_file

        write_whole_file(svg_path, frame_svg(link).encode())
    try:
        found = _check(board or link, bit_error_rates, seed, name=link.name)
    except KeyboardInterrupt:
        # What the file means needs no computing, so it is whole.
        if not as_json:
            click.echo(_explained(link, board))
        raise
    if as_json:
        facts = board_facts(board) if board else link_facts(link)
        print_json({"description": facts, "soundness": found})
    else:
        click.echo(_text(found, link, board, full=full))
    return 0 if found.is_sound else 1


def _check(
    described: Link | Board, bit_error_rates: tuple[float, ...], seed: int, *, name: str
) -> CheckReport:
    """Work everything out, with a progress bar on a terminal."""
    from busplay.analysis.soundness.report import BIT_ERROR_RATES, check
    from busplay.cli.progress import late_bar

    with late_bar(100, label=f"checking {name}") as move_to:
        return check(
            described,
            bit_error_rates=bit_error_rates or BIT_ERROR_RATES,
            seed=seed,
            progress=lambda done, parts: move_to(100 * done // parts),
        )


def _explained(link: Link, board: Board | None) -> str:
    from busplay.explain import board_text, link_text

    return board_text(board) if board is not None else link_text(link)


def _text(found: CheckReport, link: Link, board: Board | None, *, full: bool) -> str:
    from busplay.analysis.pictures.timing_text import timing_text
    from busplay.analysis.soundness.text import full_text, summary_lines, verdict_text
    from busplay.cli import style
    from busplay.explain import board_summary

    clock_hz = link.clock_hz or (board.clock_hz if board else None)
    symbol_ns = 1e9 / (clock_hz * link.edges_per_cycle) if clock_hz else None
    lines = [style.verdict(verdict_text(found), ok=found.is_sound)]
    if board is not None:
        lines += [board_summary(board), ""]
    lines += summary_lines(found, symbol_ns=symbol_ns)
    if not full:
        lines += ["", "Print all tables and the changed link files with --full."]
        return "\n".join(lines)
    tables = full_text(found, symbol_ns=symbol_ns)
    return "\n".join([*lines, "", _explained(link, board), "", timing_text(link), "", tables])
