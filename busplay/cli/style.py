"""Weight and colour of what is printed; plain in pipes (click sees to it) and under NO_COLOR."""

from __future__ import annotations

import os

import click


def verdict(text: str, *, ok: bool) -> str:
    """Return a report's first line: green where all is well, else red."""
    return _styled(text, bold=True, colour="green" if ok else "red")


def heading(text: str) -> str:
    """Return the heading of a part."""
    return _styled(text, bold=True)


def warning(text: str) -> str:
    """Return a line that should not be missed."""
    return _styled(text, colour="yellow")


def _styled(text: str, *, bold: bool = False, colour: str | None = None) -> str:
    # https://no-color.org: set and not empty.
    if os.environ.get("NO_COLOR"):
        return text
    return click.style(text, bold=bold or None, fg=colour)
