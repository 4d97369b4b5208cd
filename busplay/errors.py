"""Errors that a user can cause.

Every message reads `file: place: found X; what would be right`. The parts are attributes, so that
the command line can print them as JSON too. A caller's programming mistake is a `TypeError` or
`ValueError` instead.
"""

from __future__ import annotations

import re

_LINE_AND_COLUMN = re.compile(r"\d+:\d+")


def printable(text: object) -> str:
    r"""Return a text with unprintable characters escaped, safe for a terminal.

    >>> printable("tides\x1b[2J.bin")
    'tides\\x1b[2J.bin'
    """
    return "".join(one if one.isprintable() else _escaped(one) for one in str(text))


def _escaped(character: str) -> str:
    code = ord(character)
    # A surrogate: a byte of a file name that is not UTF-8.
    if 0xDC80 <= code <= 0xDCFF:
        return f"\\x{code - 0xDC00:02x}"
    return character.encode("unicode_escape").decode()


class BusplayError(Exception):
    """An error that a user, a file or the machine can cause.

    Args:
        message: what is wrong and what would be right, in one sentence.
        file: the file's name, if a file is at fault.
        place: table and key, line and column, or byte offset within the file.
        found: what is there.
        wanted: what would be right, or the remedy.

    >>> import busplay
    >>> try:
    ...     busplay.load_link("garded")
    ... except busplay.BusplayError as error:
    ...     print(error)
    garded: found no such file; give the path of a link file or the name of a shipped link ...
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
            # Editors and terminals open `file:line:column` if it is in one piece.
            file, place = f"{file}:{place}", None
        return printable(": ".join(part for part in (file, place, self.message) if part))


class InputError(BusplayError):
    """An input (a trace, an image, a list of stores) is damaged or of another format.

    >>> import busplay
    >>> try:
    ...     busplay.TraceReader("my_board.toml")
    ... except busplay.InputError as error:
    ...     print(error)
    my_board.toml: byte 0: found 23 20 6D 79 5F 62 6F 61; a trace begins with 89 42 50 ...
    """


class DescriptionError(InputError):
    """A link, board or faults file describes something impossible.

    >>> import busplay
    >>> try:
    ...     busplay.Session("dunlin", program="tides", faults=busplay.Faults(stuck={9: 1}))
    ... except busplay.DescriptionError as error:
    ...     error.place, error.found
    ('faults.stuck_lanes[0].lane', 'lane 9')
    """


class FieldError(BusplayError):
    """A value does not fit its field, or the layout has no field of that name.

    >>> import busplay
    >>> try:
    ...     busplay.FrameLayout(busplay.load_link("lean")).pack(unit=4)
    ... except busplay.FieldError as error:
    ...     print(error)
    field 'unit' has 2 bits; 4 does not fit
    """


class CoreStoppedError(BusplayError):
    """The processor cannot go on; the message names address and opcode.

    >>> import busplay
    >>> session = busplay.Session("dunlin", program="fill")
    >>> done = session.run_until(exit=True)
    >>> print(session.stop.as_error())
    $C079: opcode $8D (STA) wrote 0 to the host port's EXIT
    """


class NotReachedError(BusplayError):
    """A run ended before its stop condition held.

    >>> import busplay
    >>> session = busplay.Session("dunlin", program="tides")
    >>> try:
    ...     session.run_until(label="main_loop", within_cycles=10_000)
    ... except busplay.NotReachedError as error:
    ...     print(error)
    label main_loop, $C0CA, was not reached in 10,004 cycles; the instruction at $C01E is next
    """


class OutputError(BusplayError):
    """A file could not be written; what was written before can be read.

    >>> import busplay
    >>> try:
    ...     busplay.TraceWriter("no/such/folder/a.trace", link="lean")
    ... except busplay.OutputError as error:
    ...     print(error)
    no/such/folder/a.trace: found no such file or directory; give the name of a file in ...
    """


class NoScreenError(BusplayError):
    """There is no screen to open a window on.

    >>> import busplay
    >>> error = busplay.NoScreenError("no screen to open a window on; --headless does without")
    >>> print(error)
    no screen to open a window on; --headless does without
    """
