"""Key presses as CSV with a header: the presses of a run that can be repeated.

    cycle,code
    80000,66
    160000,13

The same rules as for stores (`busplay.formats.rows_csv`): columns in any order, decimal or
hex, cycles never falling. Codes are those of the host port.
"""

from __future__ import annotations

from pathlib import Path

from busplay.errors import InputError
from busplay.formats.rows_csv import parse_rows
from busplay.formats.stream_chunks import read_chunks

COLUMNS = {"cycle": (1 << 63) - 1, "code": 0xFF}
"""The columns and the highest value of each."""


def read_key_presses(path: str | Path) -> list[tuple[int, int]]:
    """Read a file of key presses.

    Returns:
        (cycle, code) of each, in order.

    Raises:
        InputError: the file cannot be read, or a line is wrong; says which.
    """
    file = str(path)
    presses: list[tuple[int, int]] = []
    try:
        with Path(path).open("rb") as stream:
            for cycles, codes in parse_rows(read_chunks(stream, file), COLUMNS, file=file):
                presses += zip(cycles, codes, strict=True)
    except OSError as error:
        raise InputError(
            file=file, found=error.strerror or str(error), wanted="name a CSV file with cycle,code"
        ) from error
    for cycle, code in presses:
        if code == 0:
            raise InputError(
                file=file, found=f"code 0 at cycle {cycle}", wanted="a key code is 1 to 255"
            )
    return presses
