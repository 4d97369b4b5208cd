"""Load a description without knowing whether it is of a link or a board."""

from __future__ import annotations

from pathlib import Path

from busplay.description.board import Board
from busplay.description.link import Link
from busplay.description.read_board import parse_board
from busplay.description.read_link import parse_link, unknown_name
from busplay.description.shipped_files import shipped_boards, shipped_links
from busplay.description.toml_reader import NoSuchFileError, parse_toml, read_description_file

# One of these at the top of a file makes it a board's.
BOARD_SIGNS = ("processor", "units", "windows", "memory", "host_port")


def load_link_or_board(source: str | Path, *, must_be_sound: bool = True) -> Link | Board:
    """Load the link or board that `source` names: a shipped one, or the path of a file.

    Args:
        source: name or path.
        must_be_sound: refuse a link on which frames could not be found or told apart.

    Raises:
        DescriptionError: the file cannot be read, or describes neither.
    """
    shipped = shipped_links() | shipped_boards()
    if isinstance(source, str) and source in shipped:
        path = shipped[source]
        file = path.name
    else:
        path = Path(source)
        file = str(path)
    try:
        text = read_description_file(path, file=file)
    except NoSuchFileError:
        if path.suffix:
            raise
        raise unknown_name(file, shipped, what="link or board") from None
    values = parse_toml(text, file=file)
    if any(sign in values for sign in BOARD_SIGNS):
        return parse_board(text, file=file, folder=path.parent, must_be_sound=must_be_sound)
    return parse_link(text, file=file, must_be_sound=must_be_sound)
