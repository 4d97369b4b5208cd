"""`busplay check`: is a link or board file right, and what does it mean."""

from __future__ import annotations

import json

import click


@click.command("check", epilog="Example: busplay check guarded")
@click.argument("source", metavar="FILE")
@click.option("--json", "as_json", is_flag=True, help="Print the facts as JSON.")
def command(source: str, as_json: bool) -> int:
    """Read a link or board file and say what is wrong, or print what it means.

    FILE is a TOML file, or the name of a shipped link (guarded, lean, strobed, marked, serial)
    or board (dunlin). For a link: the frame's fields by symbol and lane, slot time, check,
    framing. For a board also the memory map, windows, units and both ends.
    """
    from busplay.description.board import Board
    from busplay.description.explain import board_facts, board_text, link_facts, link_text
    from busplay.description.load_either import load_link_or_board

    described = load_link_or_board(source)
    if as_json:
        facts = board_facts(described) if isinstance(described, Board) else link_facts(described)
        click.echo(json.dumps(facts, indent=2))
    else:
        text = board_text(described) if isinstance(described, Board) else link_text(described)
        click.echo(text)
    return 0
