"""Where compiled code may be kept, for our own compiler and for Numba.

Both keep it beside the program if that can be written, so that all users of an installation
share it, and else in the user's own folder; `BUSPLAY_CACHE_DIR` names another place for both.
Where nothing can be written ours keeps nothing. Numba refuses to load functions that it was
asked to keep, so it gets a folder that goes when the program ends.

Loaded by `import busplay`: standard library only, and little of that.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

FOLDER_VARIABLE = "BUSPLAY_CACHE_DIR"
"""Environment variable that names the one folder to use."""

_NUMBA_VARIABLE = "NUMBA_CACHE_DIR"


def named_folder() -> Path | None:
    """Return the folder that the user named, or None."""
    named = os.environ.get(FOLDER_VARIABLE)
    return Path(named) if named else None


def user_folder(name: str) -> Path | None:
    """Return the user's folder for what a program of that name keeps, or None if there is none."""
    if sys.platform == "win32":
        local = os.environ.get("LOCALAPPDATA")
        return Path(local) / name if local else None
    try:
        home = Path.home()
    except RuntimeError:
        return None
    if sys.platform == "darwin":
        return home / "Library" / "Caches" / name
    base = os.environ.get("XDG_CACHE_HOME")
    return Path(base) / name if base else home / ".cache" / name


def can_be_written(folder: Path | None) -> bool:
    """Tell if files can be made in a folder, or the folder itself first."""
    if folder is None:
        return False
    existing = folder
    while not existing.exists() and existing != existing.parent:
        existing = existing.parent
    return existing.is_dir() and os.access(existing, os.W_OK | os.X_OK)


def find_numba_a_folder(package: Path) -> None:
    """Name Numba's folder in the environment, if it would not find one or the user named one.

    Args:
        package: folder of the package whose functions Numba compiles.
    """
    if os.environ.get(_NUMBA_VARIABLE):
        return
    named = named_folder()
    if named is not None:
        if can_be_written(named):
            _name_numba_folder(named / "numba")
            return
    elif can_be_written(package) or can_be_written(user_folder("numba")):
        return
    import atexit
    import shutil
    import tempfile

    passing = tempfile.mkdtemp(prefix="busplay-")
    atexit.register(shutil.rmtree, passing, ignore_errors=True)
    _name_numba_folder(Path(passing))


def _name_numba_folder(folder: Path) -> None:
    os.environ[_NUMBA_VARIABLE] = str(folder)
    numba = sys.modules.get("numba")
    if numba is not None:
        # It looked into the environment when it was loaded.
        numba.config.CACHE_DIR = str(folder)
