"""The layout of the window, kept from one start to the next."""

from __future__ import annotations

import os
import sys
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path

from busplay.description.toml_reader import Table, parse_toml, read_description_file
from busplay.errors import DescriptionError, OutputError
from busplay.view.instrument.state import Kept, Tab
from busplay.whole_file import write_whole_file

FILE_NAME = "window.toml"
SIZE_MAX_PX = 1 << 15
_KEYS = ("open", "tab", "side_permille", "below_permille", "width_px", "height_px")


def layout_file(environ: Mapping[str, str], platform: str, home: Path) -> Path:
    """Return where the layout is kept, as each system wants it."""
    if platform == "win32":
        base = Path(environ.get("APPDATA") or home / "AppData" / "Roaming")
    elif platform == "darwin":
        base = home / "Library" / "Application Support"
    else:
        base = Path(environ.get("XDG_CONFIG_HOME") or home / ".config")
    return base / "busplay" / FILE_NAME


def usual_layout_file() -> Path | None:
    """Return where this user's layout is kept; None without a home."""
    try:
        return layout_file(os.environ, sys.platform, Path.home())
    except RuntimeError:
        return None


def read_layout(path: Path | None) -> Kept:
    """Read the layout; where there is none, or what is there is none, the usual one.

    A layout is worth no message: whoever resizes a panel has it back.
    """
    if path is None:
        return Kept()
    try:
        return parse_layout(read_description_file(path), file=str(path))
    except DescriptionError:
        return Kept()


def parse_layout(text: str, *, file: str) -> Kept:
    """Parse what `layout_toml` wrote.

    Raises:
        DescriptionError: it is no layout.
    """
    table = Table(parse_toml(text, file=file), file=file, keys=_KEYS)
    usual = Kept()
    return Kept(
        is_open="open" not in table or table.boolean("open"),
        tab=Tab(table.choice("tab", tuple(tab.value for tab in Tab), default=usual.tab.value)),
        side_permille=table.integer("side_permille", 0, 1000, default=usual.side_permille),
        below_permille=table.integer("below_permille", 0, 1000, default=usual.below_permille),
        width_px=table.integer("width_px", 0, SIZE_MAX_PX, default=0),
        height_px=table.integer("height_px", 0, SIZE_MAX_PX, default=0),
    )


def layout_toml(kept: Kept) -> str:
    """Write a layout as it stands in its file."""
    return (
        f"open = {str(kept.is_open).lower()}\n"
        f'tab = "{kept.tab.value}"\n'
        f"side_permille = {kept.side_permille}\n"
        f"below_permille = {kept.below_permille}\n"
        f"width_px = {kept.width_px}\n"
        f"height_px = {kept.height_px}\n"
    )


def write_layout(path: Path | None, kept: Kept) -> None:
    """Write the layout, if there is a place for it that can be written."""
    if path is None:
        return
    with suppress(OSError, OutputError):
        path.parent.mkdir(parents=True, exist_ok=True)
        write_whole_file(path, layout_toml(kept).encode())
