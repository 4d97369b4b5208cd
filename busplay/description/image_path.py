"""The path of an image file, as a table of a board file names it."""

from __future__ import annotations

from pathlib import Path

from busplay.description.toml_reader import Table, show_string


def read_image_path(table: Table, folder: Path) -> Path:
    """Read the key `image`, and return the absolute path.

    Args:
        folder: where the board file lies.

    Raises:
        DescriptionError: no file has that name.
    """
    text = table.text("image", wanted="give the path of an image file")
    path = folder / text
    if not _is_file(path):
        raise table.error(
            "image",
            found=show_string(text),
            wanted="no such file is there (seen from the board file's folder), so correct the path",
        )
    return path.absolute()


def _is_file(path: Path) -> bool:
    try:
        return path.is_file()
    except (OSError, ValueError):
        return False
