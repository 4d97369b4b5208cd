"""The table of the library's public names, generated from their docstrings."""

from __future__ import annotations

import inspect

import busplay


def names_table() -> str:
    """Return the public names with the first line of each docstring, as a Markdown table."""
    rows = ["| name | what it is |", "| --- | --- |"]
    for name in busplay.__all__:
        if name.startswith("_"):
            continue
        line = inspect.cleandoc(getattr(busplay, name).__doc__ or "").partition("\n\n")[0]
        rows.append(f"| `{name}` | {' '.join(line.split())} |")
    return "\n".join(rows)
