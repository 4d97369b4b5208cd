"""Films as PNG files, one a picture: `tides-%05d.png` becomes tides-00001.png and so on."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import numpy as np

from busplay.display.arrangement import IndexedPicture
from busplay.errors import OutputError
from busplay.export.film_pictures import FilmPictures
from busplay.png import encode_png
from busplay.whole_file import no_way_to_write, write_whole_file
from busplay.wording import counted

COLOURS_MOST = 256
# The number in the names, as printf writes it.
_NUMBER = re.compile(r"%(?:0(\d{1,2}))?d")


def is_sequence(target: Path) -> bool:
    """Return whether a name is that of a sequence of PNG files."""
    return target.suffix.lower() == ".png" and len(_NUMBER.findall(target.name)) == 1


def write_png_sequence(pictures: FilmPictures, target: Path) -> None:
    """Write a film as PNG files numbered from 1; equal pictures are written again.

    Raises:
        OutputError: a file has such a name already, or cannot be written; none is left then.
    """
    _require_free(target)
    written: list[Path] = []
    content, before = b"", None
    try:
        for number, picture in enumerate(pictures, 1):
            image = picture.image()
            if before is None or not np.array_equal(image, before):
                content, before = _encoded(picture, pictures), image
            file = target.with_name(_NUMBER.sub(_numbered(number), target.name))
            written.append(file)
            write_whole_file(file, content)
    except BaseException:
        for file in written:
            file.unlink(missing_ok=True)
        raise


def _encoded(picture: IndexedPicture, pictures: FilmPictures) -> bytes:
    compact = picture.compact()
    if len(compact.palette) > COLOURS_MOST:
        return encode_png(pictures.scaled(picture.image()))
    indices = compact.indices.astype(np.uint8)
    return encode_png(pictures.scaled(indices), palette=compact.palette)


def _numbered(number: int) -> Callable[[re.Match[str]], str]:
    return lambda found: f"{number:0{int(found[1] or 1)}d}"


def _require_free(target: Path) -> None:
    """Refuse to mix a film's files with those of another, or to replace what somebody has."""
    before, _, after = _NUMBER.split(target.name)
    name = re.compile(re.escape(before) + r"\d+" + re.escape(after), re.IGNORECASE)
    try:
        taken = sorted(one.name for one in target.parent.iterdir() if name.fullmatch(one.name))
    except OSError as error:
        raise no_way_to_write(target, error) from error
    if taken:
        raise OutputError(
            file=str(target),
            found=f"{counted(len(taken), 'file')} of such a name, {taken[0]} first",
            wanted="give another name, or remove them",
        )
