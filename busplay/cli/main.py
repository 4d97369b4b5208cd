"""The command `busplay`: finds the subcommand, loads only its module, and reports errors.

Exit status: 0 fine, 1 found something, 2 wrong use or bad input, 130 interrupted; `run` returns
what the program wrote to its exit register.
"""

from __future__ import annotations

import importlib
import io
import json
import os
import sys

import click

from busplay.cli.interrupt import say_interrupted
from busplay.errors import BusplayError, printable
from busplay.version import VERSION

# Name, and the line that `busplay --help` shows: known without loading the command's module.
COMMANDS = {
    "demo": "Run a shipped program on the shipped, made-up Dunlin board.",
    "run": "Run a program on a board; show, record, take pictures.",
    "replay": "Play a recorded trace.",
    "why": "Explain why a pixel is so: which store drew it, as which bits on which wires.",
    "compare": "List what got lost, damaged, added or late between two traces.",
    "stress": "Sweep noise, FIFO depth, service and busy times until stores get lost.",
    "decode": "Decode a logic analyser's capture to a trace, with a health report.",
    "convert": "Convert between traces, stores, VCD, CSV, pcapng and synthetic captures.",
    "share": "Write a trace as one HTML file that replays it in any browser.",
    "report": "Sum up a trace, a capture or a sweep in one HTML page that prints.",
    "info": "Show what is in a trace or a capture.",
    "profile": "Find where a program spends its cycles and its stores.",
    "plan": "Compute what a link can carry, and what other buses would take.",
    "check": "Explain a link or board file, and judge whether its frames are sound.",
    "new": "Lay out a folder to begin with: board, link, programs, tests, Makefile.",
    "emit": "Write firmware, test vectors, headers and a data sheet of a link or board.",
    "guide": "Show the guides, and every key and option.",
}


class LazyGroup(click.Group):
    """A group whose commands' modules load when they are called; `--help` loads none."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """List the commands in the order in which a user meets them."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Load one command's module, if there is such a command."""
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"busplay.cli.{cmd_name}_command")
        command = module.command
        if not isinstance(command, click.Command):
            raise TypeError(f"busplay.cli.{cmd_name}_command.command is no click command")
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the list of commands from the table."""
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


@click.group(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(VERSION, prog_name="busplay")
def group() -> None:
    """Run 6502 and 65C02 programs whose stores leave the board on a one-way video link.

    Stores become frames of a link that you describe, a virtual receiver decodes them, and
    the screen shows what a real one would. Begin with: busplay demo
    """


def _report(error: BusplayError, *, as_json: bool) -> None:
    if as_json:
        parts = {
            "error": str(error),
            "file": error.file,
            "place": error.place,
            "found": error.found,
            "wanted": error.wanted,
        }
        click.echo(json.dumps(parts))
    click.echo(f"busplay: {error}", err=True)


def _show_wrong_use(error: click.ClickException, *, as_json: bool) -> None:
    """Show the error as click does, but with what the user wrote escaped."""
    context = error.ctx if isinstance(error, click.UsageError) else None
    if isinstance(error, click.NoSuchOption) and error.possibilities and context is not None:
        # No old name is proposed, as it would be refused.
        options = [one for one in context.command.params if isinstance(one, click.Option)]
        hidden = {name for one in options if one.hidden for name in one.opts}
        error.possibilities[:] = [name for name in error.possibilities if name not in hidden]
    message = error.format_message()
    if as_json:
        _report(BusplayError(message), as_json=True)
        return
    if context is not None:
        click.echo(
            f"{context.get_usage()}\nTry '{context.command_path} --help' for help.\n", err=True
        )
    click.echo("Error: " + "\n".join(map(printable, message.split("\n"))), err=True)


def main(arguments: list[str] | None = None) -> None:
    """Run the command line and leave with its exit status.

    Args:
        arguments: what follows the command's name; `sys.argv` by default.
    """
    words = sys.argv[1:] if arguments is None else arguments
    if isinstance(sys.stdout, io.TextIOWrapper):
        # A name that the terminal's encoding lacks is shown as escapes; it stops no report.
        sys.stdout.reconfigure(errors="backslashreplace")
    try:
        status = group.main(args=words, prog_name="busplay", standalone_mode=False)
    except BusplayError as error:
        _report(error, as_json="--json" in words)
        sys.exit(2)
    except click.ClickException as error:
        _show_wrong_use(error, as_json="--json" in words)
        sys.exit(2)
    except (KeyboardInterrupt, click.Abort):
        sys.exit(say_interrupted())
    except BrokenPipeError:
        # Whoever read our output went away; nothing more can be said to them.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(0)
    sys.exit(status if isinstance(status, int) else 0)
