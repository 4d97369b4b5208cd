"""Plain text for a terminal of 80 columns: prose, pairs and tables."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

LINE_CHARACTERS = 80
INDENT = "  "


def wrapped(text: str) -> list[str]:
    """Wrap prose to lines, paragraph by paragraph."""
    return [
        line
        for paragraph in text.splitlines()
        for line in textwrap.wrap(
            paragraph, LINE_CHARACTERS, initial_indent=INDENT, subsequent_indent=INDENT
        )
    ]


def pairs(rows: Sequence[tuple[str, str]], *, indent: str = INDENT) -> list[str]:
    """Lay out a label and a text a row; long texts go on below themselves."""
    return table([("", ""), *rows], indent=indent)[1:]


def table(
    rows: Sequence[Sequence[str]],
    *,
    right: frozenset[int] = frozenset(),
    indent: str = INDENT,
) -> list[str]:
    """Lay out rows, the first of them the heading, in columns; the last column wraps.

    Args:
        rows: texts, all of one length.
        right: columns that are set to the right.
        indent: what every line begins with.
    """
    last = len(rows[0]) - 1
    widths = [max(len(row[column]) for row in rows) for column in range(last)]
    left_characters = len(indent) + sum(width + 2 for width in widths)
    lines = []
    for row in rows:
        cells = [
            row[column].rjust(width) if column in right else row[column].ljust(width)
            for column, width in enumerate(widths)
        ]
        head = indent + "".join(f"{cell}  " for cell in cells)
        room = max(LINE_CHARACTERS - left_characters, 8)
        texts = textwrap.wrap(row[last], room) or [""]
        lines.append((head + texts[0]).rstrip())
        lines += [" " * left_characters + text for text in texts[1:]]
    return lines


def heading(text: str) -> list[str]:
    """Set a heading apart from what stands before it."""
    return ["", text]
