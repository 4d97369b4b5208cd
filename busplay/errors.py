"""Errors that a user can cause, each with its parts kept apart.

Every message reads `file: place: found X; what would be right`. The parts stay
attributes, so that the command line can print them as JSON too. A caller's
programming mistake is a `TypeError` or `ValueError` instead.
"""

from __future__ import annotations

import re

_LINE_AND_COLUMN = re.compile(r"\d+:\d+")


def printable(text: object) -> str:
    r"""Return a text with what does not print escaped, so that a terminal only shows it.

    >>> printable("tides\x1b[2J.bin")
    'tides\\x1b[2J.bin'
    """
    return "".join(one if one.isprintable() else _escaped(one) for one in str(text))


def _escaped(character: str) -> str:
    code = ord(character)
    # A file name's byte that is no UTF-8, as the file system hands it on.
    if 0xDC80 <= code <= 0xDCFF:
        return f"\\x{code - 0xDC00:02x}"
    return character.encode("unicode_escape").decode()


class BusplayError(Exception):
    """Something a user, a file or the machine can cause.

    Args:
        message: what is wrong and what would be right, in one sentence.
        file: the file's name, if a file is at fault.
        place: table and key, line and column, or byte offset within the file.
        found: what stood there.
        wanted: what would be right, or the way out.
    """

    def __init__(
        self,
        message: str = "",
        *,
        file: str | None = None,
        place: str | None = None,
        found: str | None = None,
        wanted: str | None = None,
    ) -> None:
        self.file = file
        self.place = place
        self.found = found
        self.wanted = wanted
        if not message:
            message = "; ".join(
                part for part in (f"found {found}" if found else "", wanted or "") if part
            )
        self.message = message
        super().__init__(message)

    def __str__(self) -> str:
        file, place = self.file, self.place
        if file and place and _LINE_AND_COLUMN.fullmatch(place):
            # Editors and terminals open `file:line:column` when it stands in one piece.
            file, place = f"{file}:{place}", None
        return printable(": ".join(part for part in (file, place, self.message) if part))


class InputError(BusplayError):
    """Bytes from outside (a trace, an image, a list of stores) are damaged or of another form."""


class DescriptionError(InputError):
    """A link or board file says something that cannot be."""


class FieldError(BusplayError):
    """A value does not fit its field, or the layout has no field of that name."""


class CoreStoppedError(BusplayError):
    """The processor cannot go on; the message names address and opcode."""


class OutputError(BusplayError):
    """A file could not be written; what was written before still reads."""


class NoScreenError(BusplayError):
    """A window was asked for and there is no screen to open it on."""
