"""Load link and board files: first their tables, then the checks that need a frame's layout.

How to think about it. `busplay.description` reads a file table by table and knows nothing of
layouts. The checks that need one are here: whether a marker agrees with the stated idle frame,
whether a receiver can find the frames, and whether a link can carry a board's stores.
"""

from __future__ import annotations

from functools import partial
from pathlib import Path

import numpy as np

from busplay.description.board import Board
from busplay.description.link import Link
from busplay.description.read_board import read_board
from busplay.description.read_link import read_link, unknown_name
from busplay.description.shipped_files import shipped_boards, shipped_links
from busplay.description.toml_reader import NoSuchFileError, parse_toml, read_description_file
from busplay.errors import DescriptionError
from busplay.link.board_fit import require_link_fits
from busplay.link.layout import FrameLayout
from busplay.link.rules import require_sound

# One of these at the top level of a file means that it is a board file.
BOARD_SIGNS = ("processor", "units", "windows", "memory", "host_port")


def load_link(source: str | Path, *, must_be_sound: bool = True) -> Link:
    """Load a link by the name of a shipped one or by the path of a file.

    A shipped link's exact name means that link; `./guarded` or `guarded.toml` means a file.

    Args:
        source: name or path.
        must_be_sound: refuse a link on which frames could not be found or told apart.

    Raises:
        DescriptionError: the file cannot be read, or does not describe a possible link.

    >>> import busplay
    >>> busplay.load_link("lean").frame_bits
    32
    """
    text, file, _ = _read(source, shipped_links(), what="link")
    return parse_link(text, file=file, must_be_sound=must_be_sound)


def parse_link(text: str, *, file: str, must_be_sound: bool = True) -> Link:
    """Parse a link file's text.

    Args:
        text: TOML.
        file: the file's name in messages.
        must_be_sound: refuse a link on which frames could not be found or told apart; without
            it `busplay.link.rules.find_faults` lists why.

    Raises:
        DescriptionError: it is not TOML, or does not describe a possible link.

    >>> import busplay
    >>> text = '''
    ... name = "plain"
    ... lanes = 4
    ... edges = "rising"
    ... clock_hz = 1_000_000
    ... fields = [{name = "address", bits = 16}, {name = "data", bits = 8}]
    ... framing = {method = "strobe"}
    ... '''
    >>> busplay.parse_link(text, file="plain.toml").frame_bits
    24
    """
    link, stated_idle = read_link(text, file=file)
    _require_marker_agrees(link, stated_idle)
    if must_be_sound:
        require_sound(link)
    return link


def load_board(source: str | Path) -> Board:
    """Load a board by the name of a shipped one or by the path of a file.

    A shipped board's exact name means that board; `./dunlin` or `dunlin.toml` means a file.

    Raises:
        DescriptionError: the file, its link or its palettes cannot be read, or do not describe a
            possible board.

    >>> import busplay
    >>> busplay.load_board("dunlin").link.name
    'guarded'
    """
    text, file, folder = _read(source, shipped_boards(), what="board")
    return parse_board(text, file=file, folder=folder)


def parse_board(text: str, *, file: str, folder: Path, must_be_sound: bool = True) -> Board:
    """Parse a board file's text.

    Args:
        text: TOML.
        file: the file's name in messages.
        folder: base of relative paths in the file.
        must_be_sound: refuse a link on which frames could not be found or told apart.

    Raises:
        DescriptionError: it is not TOML, or does not describe a possible board.

    >>> import busplay
    >>> from pathlib import Path
    >>> text = Path("my_board.toml").read_text()
    >>> busplay.parse_board(text, file="my_board.toml", folder=Path()).name
    'Bench board'
    """
    load = partial(load_link, must_be_sound=must_be_sound)
    return require_link_fits(read_board(text, file=file, folder=folder, load_link=load))


def load_link_or_board(source: str | Path, *, must_be_sound: bool = True) -> Link | Board:
    """Load a link or a board, a shipped one or a file.

    Args:
        source: name or path.
        must_be_sound: refuse a link on which frames could not be found or told apart.

    Raises:
        DescriptionError: the file cannot be read, or describes neither.
    """
    text, file, folder = _read(source, shipped_links() | shipped_boards(), what="link or board")
    values = parse_toml(text, file=file)
    if any(sign in values for sign in BOARD_SIGNS):
        return parse_board(text, file=file, folder=folder, must_be_sound=must_be_sound)
    return parse_link(text, file=file, must_be_sound=must_be_sound)


def as_link(link: Link | str | Path) -> Link:
    """Return a link, loaded if it is a name or path; errors as for `load_link`."""
    return link if isinstance(link, Link) else load_link(link)


def as_board(board: Board | str | Path) -> Board:
    """Return a board, loaded if it is a name or path; errors as for `load_board`."""
    return board if isinstance(board, Board) else load_board(board)


def as_link_and_board(
    described: Link | Board | str | Path, *, must_be_sound: bool = True
) -> tuple[Link, Board | None]:
    """Return a link, and the board that has it; loaded if it is a name or path.

    Args and errors as for `load_link_or_board`.
    """
    if not isinstance(described, Link | Board):
        described = load_link_or_board(described, must_be_sound=must_be_sound)
    return (described.link, described) if isinstance(described, Board) else (described, None)


def _read(source: str | Path, shipped: dict[str, Path], *, what: str) -> tuple[str, str, Path]:
    """Return a description's text, its file's name in messages, and its folder."""
    if isinstance(source, str) and source in shipped:
        path = shipped[source]
        return read_description_file(path, file=path.name), path.name, path.parent
    path = Path(source)
    try:
        return read_description_file(path), str(path), path.parent
    except NoSuchFileError:
        if path.suffix:
            raise
        raise unknown_name(str(source), shipped, what=what) from None


def _require_marker_agrees(link: Link, stated_idle: dict[str, int]) -> None:
    """Refuse an idle value that contradicts the marker's bits."""
    if not stated_idle:
        return
    layout = FrameLayout(link)
    word = np.array([layout.idle_word], np.uint64)
    for name, value in stated_idle.items():
        carried = int(layout.unpack_field(word, name)[0])
        if carried != value:
            raise DescriptionError(
                file=link.file,
                place=f"idle.{name}",
                found=str(value),
                wanted=f"the marker's symbols make it {carried}, so take the line out or change "
                "framing.symbols",
            )
