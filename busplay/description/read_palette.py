"""Read palettes: a name, an array of colours, or a plain text file of them.

A palette with fewer colours than the depth has is filled up from the depth's default, index
by index; one with more is refused.

A palette file is UTF-8 text with one `#RRGGBB` a line. Blank lines, and whatever follows a
semicolon, are ignored.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import get_args

from busplay.description.palettes import DEFAULT_OF_DEPTH, Colour, PaletteName, named_palette
from busplay.description.toml_reader import (
    NoSuchFileError,
    Table,
    did_you_mean,
    one_of,
    read_description_file,
    show_string,
)
from busplay.errors import DescriptionError
from busplay.wording import counted

NAMES: tuple[PaletteName, ...] = get_args(PaletteName)
COLOUR_WANTED = "give a colour as #RRGGBB, two hex digits for each of red, green, blue"


def read_palette(
    table: Table, key: str, *, bits_per_pixel: int, folder: Path
) -> tuple[Colour, ...]:
    """Read a unit's palette, filled up to the colours that its depth has.

    Args:
        table: the unit's.
        key: name of the palette's key.
        bits_per_pixel: 1, 2, 4 or 8.
        folder: where the board file lies; a palette file's path starts there.

    Raises:
        DescriptionError: no palette has the name, a colour is wrong, or there are too many.
    """
    default = DEFAULT_OF_DEPTH[bits_per_pixel]
    if key not in table:
        return default
    if table.is_array(key):
        wanted = 'give colours in quotes, each as "#RRGGBB"'
        texts = table.optional_strings(key, wanted=wanted) or ()
        stated = []
        for index, text in enumerate(texts):
            colour = _colour(text)
            if colour is None:
                raise table.error(f"{key}[{index}]", found=show_string(text), wanted=COLOUR_WANTED)
            stated.append(colour)
    else:
        stated = _by_name(table, key, bits_per_pixel=bits_per_pixel, folder=folder)
    if len(stated) > len(default):
        raise table.error(
            key,
            found=f"{len(stated)} colours",
            wanted=f"with {counted(bits_per_pixel, 'bit')} a pixel give {len(default)} or fewer",
        )
    return (*stated, *default[len(stated) :])


def _by_name(table: Table, key: str, *, bits_per_pixel: int, folder: Path) -> list[Colour]:
    text = table.text(key, wanted=f"give {one_of(NAMES)}, a file, or an array of colours")
    for name in NAMES:
        if text.lower() == name:
            return list(named_palette(name, bits_per_pixel))
    path = folder / text
    try:
        content = read_description_file(path)
    except NoSuchFileError:
        names = f"palettes with a name: {', '.join(NAMES)}"
        raise table.error(
            key,
            found=show_string(text),
            wanted=f"no palette and no file (seen from the board file's folder) has that name; "
            f"{did_you_mean(text, NAMES, otherwise=names)}",
        ) from None
    return parse_palette(content, file=str(path))


def parse_palette(text: str, *, file: str) -> list[Colour]:
    """Parse a palette file's text: one `#RRGGBB` a line.

    Raises:
        DescriptionError: a line is something else, or there is no colour at all.
    """
    colours = []
    for number, line in enumerate(text.splitlines(), start=1):
        content = line.partition(";")[0].strip()
        if not content:
            continue
        colour = _colour(content)
        if colour is None:
            raise DescriptionError(
                file=file,
                place=f"line {number}",
                found=show_string(content),
                wanted=f"{COLOUR_WANTED}; notes follow a semicolon",
            )
        colours.append(colour)
    if not colours:
        raise DescriptionError(
            file=file, found="no colours", wanted="give at least one, as #RRGGBB on a line"
        )
    return colours


def _colour(text: str) -> Colour | None:
    if not re.fullmatch(r"#[0-9A-Fa-f]{6}", text):
        return None
    return int(text[1:3], 16), int(text[3:5], 16), int(text[5:7], 16)
