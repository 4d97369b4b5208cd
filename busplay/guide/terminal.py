"""A guide's Markdown as plain text of 80 columns, its headings in bold."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Callable
from itertools import groupby

from busplay.explain.text_layout import LINE_CHARACTERS, table

_MARKS = re.compile(r"\*\*(.+?)\*\*|`(.+?)`|!?\[(.*?)\]\(.*?\)|(?<!\w)\*(.+?)\*(?!\w)")
_ITEM = re.compile(r"(\s*)(- |\d+\. )(.*)", re.DOTALL)
_FENCE = "```"
LAST_COLUMN_LEAST = 24


def terminal_text(markdown: str, *, heading: Callable[[str], str]) -> str:
    """Lay a guide out for a terminal.

    Args:
        markdown: headings, paragraphs, lists, tables and fenced code, as the guides have them.
        heading: styles a heading.
    """
    shown: list[str] = []
    for index, part in enumerate(re.split(rf"^{_FENCE}\w*\n?", markdown, flags=re.M)):
        if index % 2:
            shown.append(textwrap.indent(part, "    ").rstrip("\n") + "\n")
        else:
            shown += [_block_text(one, heading) for one in re.split(r"\n{2,}", part) if one.strip()]
    return "\n".join(shown)


def _block_text(block: str, heading: Callable[[str], str]) -> str:
    lines = block.strip("\n").splitlines()
    if lines[0].startswith("#"):
        return heading(_plain(lines[0].lstrip("# "))) + "\n"
    if lines[0].startswith("|"):
        rows = [[_plain(cell.strip()) for cell in line.strip("|").split("|")] for line in lines]
        return _table_text(rows[0], rows[2:])
    return "".join(_wrapped(one) for one in _items(lines))


def _table_text(names: list[str], rows: list[list[str]]) -> str:
    """Lay a table out in columns, or row by row if the last column is too narrow."""
    widths = [max(len(row[column]) for row in (names, *rows)) for column in range(len(names) - 1)]
    if sum(widths) + 2 * len(widths) <= LINE_CHARACTERS - LAST_COLUMN_LEAST:
        return "\n".join(table([names, *rows])) + "\n"
    shown = []
    for first, *others in rows:
        parts = [f"{name}: {text}" for name, text in zip(names[1:], others, strict=True) if text]
        shown.append(_wrapped(f"- {first}; {'; '.join(parts)}"))
    return "".join(shown)


def _items(lines: list[str]) -> list[str]:
    """Join the lines that belong to one item, or to one paragraph."""
    number = 0
    numbered = []
    for line in lines:
        number += bool(_ITEM.match(line))
        numbered.append((number, line))
    groups = groupby(numbered, key=lambda one: one[0])
    return ["\n".join(line for _, line in group) for _, group in groups]


def _wrapped(text: str) -> str:
    item = _ITEM.match(text)
    first = item[1] + item[2] if item else ""
    words = " ".join((item[3] if item else text).split())
    return "".join(
        f"{line}\n"
        for line in textwrap.wrap(
            _plain(words),
            LINE_CHARACTERS,
            initial_indent=first,
            subsequent_indent=" " * len(first),
            break_on_hyphens=False,
        )
    )


def _plain(text: str) -> str:
    return _MARKS.sub(lambda found: next(one for one in found.groups() if one is not None), text)
