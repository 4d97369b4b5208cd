"""Plain text for a terminal of 80 columns: tables, pairs, and numbers with their units."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from fractions import Fraction

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


def pairs(rows: Sequence[tuple[str, str]]) -> list[str]:
    """Lay out a label and a text a row; long texts go on below themselves."""
    return table([("", ""), *rows])[1:]


def table(rows: Sequence[Sequence[str]], *, right: frozenset[int] = frozenset()) -> list[str]:
    """Lay out rows, the first of them the heading, in columns; the last column wraps.

    Args:
        rows: texts, all of one length.
        right: columns that are set to the right.
    """
    last = len(rows[0]) - 1
    widths = [max(len(row[column]) for row in rows) for column in range(last)]
    left_characters = len(INDENT) + sum(width + 2 for width in widths)
    lines = []
    for row in rows:
        cells = [
            row[column].rjust(width) if column in right else row[column].ljust(width)
            for column, width in enumerate(widths)
        ]
        head = INDENT + "".join(f"{cell}  " for cell in cells)
        room = max(LINE_CHARACTERS - left_characters, 8)
        texts = textwrap.wrap(row[last], room) or [""]
        lines.append((head + texts[0]).rstrip())
        lines += [" " * left_characters + text for text in texts[1:]]
    return lines


def heading(text: str) -> list[str]:
    """Set a heading apart from what stands before it."""
    return ["", text]


def counted(count: int, noun: str) -> str:
    """Write a number with its noun: `1 bit`, `1,024 bits`."""
    return f"{count:,} {noun}" if count == 1 else f"{count:,} {noun}s"


def hertz(value_hz: int) -> str:
    """Write a frequency exactly, in the largest unit below it: `1.023 MHz`."""
    for scale, unit in ((1_000_000, "MHz"), (1_000, "kHz")):
        if value_hz >= scale:
            whole, rest = divmod(value_hz, scale)
            digits = f"{rest:0{len(str(scale)) - 1}d}".rstrip("0")
            return f"{whole:,}{'.' + digits if digits else ''} {unit}"
    return f"{value_hz} Hz"


def exact(value: Fraction) -> str:
    """Write a fraction as a decimal if three places hold it, else rounded and said so."""
    thousandths = (2000 * value.numerator + value.denominator) // (2 * value.denominator)
    whole, places = divmod(thousandths, 1000)
    digits = f"{places:03d}".rstrip("0")
    shown = f"{whole:,}{'.' + digits if digits else ''}"
    return shown if Fraction(thousandths, 1000) == value else f"about {shown}"


def hex_digits(value: int, *, bits: int) -> str:
    """Write a number as hex digits, as many as its bits need."""
    return f"{value:0{-(-bits // 4)}X}"
