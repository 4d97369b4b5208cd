"""Manual pages into every wheel, below `share/man/man1`; hatchling calls this at each build."""

from __future__ import annotations

import sys
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface


class ManPagesHook(BuildHookInterface[Any]):
    """Makes the pages from the source that is built."""

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Write the pages where the build collects them."""
        del version
        sys.path.insert(0, self.root)
        try:
            from busplay.guide.man_pages import man_pages

            pages = dict(man_pages())
        finally:
            sys.path.remove(self.root)
        self._folder = TemporaryDirectory()
        for name, text in pages.items():
            path = Path(self._folder.name, name)
            path.write_text(text, encoding="utf-8")
            build_data["shared_data"][str(path)] = f"share/man/man1/{name}"

    def finalize(self, version: str, build_data: dict[str, Any], artifact_path: str) -> None:
        """Remove them."""
        del version, build_data, artifact_path
        self._folder.cleanup()
