"""Manual pages of every command, made from their help by click-man.

They are made when a wheel is built (`man_build.py`), so none can be out of date.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from inspect import cleandoc

import click
from click_man.man import ManPage

from busplay.cli.main import COMMANDS, group
from busplay.guide.options import commands
from busplay.version import VERSION

_SUMMARY = "run 6502 programs whose stores go out on a one-way video link"
_EXIT_STATUS = """0 is success, 1 findings, 2 wrong use or bad input, 130 an interrupt. run and demo
return what the program wrote to its exit register."""
_GUIDES = "busplay guide lists the guides and references that come with busplay, and shows them."


def man_pages() -> Iterator[tuple[str, str]]:
    """Return the file name and the text of each page: `busplay.1`, `busplay-run.1` and so on."""
    context = click.Context(group, info_name="busplay", **group.context_settings)
    page = _page(group, context, _SUMMARY)
    page.commands = [(name, _escaped(line)) for name, line in COMMANDS.items()]
    more = _section("EXIT STATUS", _EXIT_STATUS) + _section("GUIDES", _GUIDES)
    yield "busplay.1", f"{page}{more}"
    for name, command in commands():
        inner = click.Context(command, info_name=name, parent=context)
        line = COMMANDS[name].rstrip(".")
        page = _page(command, inner, line[0].lower() + line[1:])
        example = (command.epilog or "").removeprefix("Example: ")
        more = _section("EXAMPLE", example) + ".SH SEE ALSO\n.BR busplay (1)\n"
        yield f"busplay-{name}.1", f"{page}{more}"


def _page(command: click.Command, context: click.Context, summary: str) -> ManPage:
    page = ManPage(context.command_path)
    page.version = VERSION
    # A date would make two builds of one source differ.
    page.date = ""
    page.short_help = _escaped(summary)
    page.synopsis = " ".join(command.collect_usage_pieces(context))
    page.description = _escaped(cleandoc(command.help or ""))
    records = [
        one.get_help_record(context)
        for one in command.get_params(context)
        if isinstance(one, click.Option) and not one.hidden
    ]
    # click-man escapes the options itself.
    page.options = [(one[0], _escaped(one[1])) for one in records if one is not None]
    return page


def _escaped(text: str) -> str:
    """Return a text that roff prints as it is: no line is a request, no minus a hyphen."""
    plain = text.replace("\\", r"\e").replace("-", r"\-")
    return re.sub(r"^(?=[.'])", r"\\&", plain, flags=re.MULTILINE)


def _section(name: str, text: str) -> str:
    return f".SH {name}\n{_escaped(text.strip())}\n"
