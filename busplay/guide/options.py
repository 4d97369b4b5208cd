"""The reference of every command's options, generated from the command line."""

from __future__ import annotations

from collections.abc import Iterator

import click

from busplay.cli.main import COMMANDS, group


def commands() -> Iterator[tuple[str, click.Command]]:
    """Return every command with its name, in the order of `busplay --help`."""
    context = click.Context(group)
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        if command is not None:
            yield name, command


def commands_table() -> str:
    """Return the commands and their descriptions, as a Markdown table."""
    rows = [f"| `busplay {name}` | {line} |" for name, line in COMMANDS.items()]
    return "\n".join(["| command | what it does |", "| --- | --- |", *rows])


def options_text() -> str:
    """Return the reference of all options, as Markdown."""
    lines = [
        "# Options of every command",
        "",
        "Times carry a unit (`1.5s`, `20ms`, `3us`, `5ns`), and so do rates (`24MHz`).",
    ]
    for name, command in commands():
        context = click.Context(command, info_name=f"busplay {name}")
        usage = " ".join(["busplay", name, *command.collect_usage_pieces(context)])
        lines += ["", f"## {name}", "", f"`{usage}`", ""]
        for parameter in command.get_params(context):
            record = parameter.get_help_record(context)
            if record is not None:
                said = " ".join(record[1].split())
                lines.append(f"- `{record[0]}`" + (f": {said}" if said else ""))
    return "\n".join(lines) + "\n"
