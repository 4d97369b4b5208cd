"""The folder of `--busplay-pictures`: what is in it from an earlier run, and what is not ours.

Pictures that are gathered say in their text `Software` who has made them, the page says it in a
`meta`. So nothing is removed that somebody else has put there, whatever its name. It loads nothing
heavy, as each run with the option asks it.
"""

from __future__ import annotations

import re
from pathlib import Path

from busplay.errors import OutputError
from busplay.whole_file import no_way_to_write

PAGE = "index.html"
GENERATOR = '<meta name="generator" content="busplay: screens that differ">'
SOFTWARE = "busplay: a screen that differs"
_NAME = re.compile(r".+-[0-9a-f]{8}-(?:expected|actual|difference)\.png")
# Where the mark stands; no more is read.
_HEAD_BYTES = 1_024


def remove_gathered(folder: Path) -> None:
    """Remove what an earlier run has gathered in a folder, and nothing else.

    Raises:
        OutputError: the page there is somebody else's, the folder is a file, or something cannot
            be removed.
    """
    if not folder.exists():
        return
    if not folder.is_dir():
        raise OutputError(
            file=str(folder), found="a file", wanted="give --busplay-pictures a folder"
        )
    page = folder / PAGE
    if page.exists() and not _has(page, GENERATOR):
        raise OutputError(
            file=str(page),
            found="a page that busplay has not written",
            wanted="give --busplay-pictures another folder",
        )
    found = [one for one in folder.iterdir() if _NAME.fullmatch(one.name) and _has(one, SOFTWARE)]
    for one in (*found, page):
        try:
            one.unlink(missing_ok=True)
        except OSError as error:
            raise no_way_to_write(one, error) from error


def _has(path: Path, mark: str) -> bool:
    """Return whether a mark of ours is among the first bytes of a file."""
    try:
        with path.open("rb") as stream:
            return mark.encode() in stream.read(_HEAD_BYTES)
    except OSError:
        return False
