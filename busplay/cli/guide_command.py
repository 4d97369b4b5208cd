"""`busplay guide`: the guides and the references, in the terminal."""

from __future__ import annotations

import sys

import click

from busplay.guide import TOPICS, guide_text


@click.command("guide", epilog="Example: busplay guide start")
@click.argument("topic", metavar="[TOPIC]", type=click.Choice(list(TOPICS)), required=False)
def command(topic: str | None) -> None:
    """Show the guide to TOPIC, or list the topics.

    keys, options and json are references: every key of link, board and faults files, every
    option, every key that --json prints. On a terminal the text is laid out and paged; in a pipe
    it is Markdown.
    """
    if topic is None:
        click.echo("Topics, for busplay guide TOPIC:")
        for name, line in TOPICS.items():
            click.echo(f"  {name:10} {line}")
        return
    text = guide_text(topic)
    if not sys.stdout.isatty():
        click.echo(text, nl=False)
        return
    from busplay.cli import style
    from busplay.guide.terminal import terminal_text

    click.echo_via_pager(terminal_text(text, heading=style.heading))
