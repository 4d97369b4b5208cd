"""The descriptions that come with busplay, by name."""

from __future__ import annotations

from pathlib import Path

SHIPPED_FOLDER = Path(__file__).parent / "shipped"
LINK_NAMES = ("guarded", "lean", "strobed", "marked", "serial")
BOARD_NAMES = ("dunlin", "dunlin_ports", "dunlin_notice")


def shipped_links() -> dict[str, Path]:
    """Return the file of each link that comes with busplay."""
    return {name: SHIPPED_FOLDER / f"{name}.toml" for name in LINK_NAMES}


def shipped_boards() -> dict[str, Path]:
    """Return the file of each board that comes with busplay."""
    return {name: SHIPPED_FOLDER / f"{name}.toml" for name in BOARD_NAMES}
