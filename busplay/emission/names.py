"""Names in generated files, and the lines of the link file that their comments point to."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from busplay.description.link import Link
from busplay.description.shipped_files import shipped_links
from busplay.errors import BusplayError
from busplay.link.load import parse_link

# Words that no member of a struct may be named: those of C99, and of C++, which may include it.
_RESERVED = re.compile(
    "auto|break|case|char|const|continue|default|do|double|else|enum|extern|float|for|goto|if"
    "|inline|int|long|register|restrict|return|short|signed|sizeof|static|struct|switch|typedef"
    "|union|unsigned|void|volatile|while|bool|true|false|class|private|public|protected|new"
    "|delete|this|template|operator|namespace|using|try|catch|throw|virtual|friend|explicit"
    "|mutable|typename|export|asm|and|or|not|xor|bitand|bitor|compl"
)


def identifier(name: str, *, otherwise: str) -> str:
    """Return a name as a part of identifiers: small ASCII letters, digits and single `_`.

    Args:
        name: any text.
        otherwise: what stands where nothing of the name is left, or before a digit.

    >>> identifier("Bench board 2", otherwise="board"), identifier("6502", otherwise="board")
    ('bench_board_2', 'board_6502')
    """
    words = re.sub(r"[^a-z0-9]+", "_", name.lower()).strip("_")
    if not words:
        return otherwise
    return f"{otherwise}_{words}" if words[0].isdigit() else words


def unique_identifier(name: str, taken: set[str], *, otherwise: str) -> str:
    """Return a name as `identifier` does, with a number behind it if it is taken; and take it."""
    plain = found = identifier(name, otherwise=otherwise)
    number = 2
    while found in taken:
        found = f"{plain}_{number}"
        number += 1
    taken.add(found)
    return found


def member_name(name: str) -> str:
    """Return a field's name as the member of a struct."""
    return f"{name}_field" if _RESERVED.fullmatch(name) else name


@dataclass(frozen=True, slots=True)
class FileLines:
    """Where a link file has its parts; lines are counted from 1.

    Attributes:
        file: its name, without its folder; empty: the link was made in code.
        fields: line of each field's name, as far as known.
        check, framing: line of each table; None: unknown, or there is none.
    """

    file: str = ""
    fields: Mapping[str, int] = field(default_factory=dict)
    check: int | None = None
    framing: int | None = None


def find_lines(link: Link) -> FileLines:
    """Return where a link's file has its parts; no lines where that file says something else."""
    name = Path(link.file).name
    for path in (shipped_links().get(link.name), Path(link.file)):
        if path is None or not link.file or path.name != name:
            continue
        try:
            text = path.read_text(encoding="utf-8")
            same = parse_link(text, file=link.file) == link
        except (OSError, ValueError, BusplayError):
            continue
        if same:
            return _lines_of(text, link, name)
    return FileLines(name)


def _lines_of(text: str, link: Link, file: str) -> FileLines:
    lines = [line.partition("#")[0] for line in text.splitlines()]

    def first_with(pattern: str, start: int = 0) -> int | None:
        found = (number for number, line in enumerate(lines) if re.search(pattern, line))
        return next((number for number in found if number >= start), None)

    places: dict[str, int] = {}
    start = first_with(r"^\s*(\[\[\s*fields\s*\]\]|fields\s*=)")
    for one in link.fields:
        at = None
        if start is not None:
            at = first_with(rf"""\bname\s*=\s*["']{one.name}["']""", start)
        if at is not None:
            places[one.name] = at + 1

    def table(name: str) -> int | None:
        at = first_with(rf"^\s*(\[\s*{name}\s*\]|{name}\s*=|{name}\.)")
        return None if at is None else at + 1

    return FileLines(file, places, table("check"), table("framing"))
