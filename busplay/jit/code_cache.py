"""Machine code in files, cached in the user's cache folder.

Names are digests of everything that the code depends on, so all installations and versions share
one folder, and a user compiles once. `BUSPLAY_CACHE_DIR` names another folder. If a user has no
writable folder (a service without a home), code is kept beside the package if that is writable.

Machine code runs with the user's rights, so a file is used only if its own digest, which covers
its name, matches, and if only the user and root could have written it (on POSIX: owner and mode of
file and folder). Other files are ignored: the code is compiled and, if possible, written anew.
Nothing here raises; a failure only costs time.

Old versions leave unused code behind. A file's modification time is the day of its last use;
writing new code removes files that have not been used for long.
"""

from __future__ import annotations

import hashlib
import os
import stat
import sys
import tempfile
import time
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import Self

FOLDER_VARIABLE = "BUSPLAY_CACHE_DIR"
"""Environment variable that names the one folder to use."""

_DIGEST_BYTES = 32
_SUFFIX = ".machinecode"
_DAY_S = 24 * 60 * 60
_UNUSED_S_MOST = 60 * _DAY_S
_OTHERS_WRITE = stat.S_IWGRP | stat.S_IWOTH


class CodeCache:
    """Files of machine code by name.

    Args:
        folders: where to look, in order; the first that can be written is written to.
    """

    def __init__(self, folders: Sequence[Path]) -> None:
        self.folders = tuple(folders)

    @classmethod
    def usual(cls) -> Self:
        """Return this user's cache."""
        named = named_folder()
        if named is not None:
            return cls([named / "code"])
        beside, users = Path(__file__).parents[1] / "__pycache__", user_folder("busplay")
        return cls([folder / "code" for folder in (users, beside) if folder is not None])

    def find(self, name: str) -> bytes | None:
        """Return the code of a name, or None."""
        for folder in self.folders:
            try:
                kept = _read_own(folder / (name + _SUFFIX))
            except OSError:
                continue
            digest, code = kept[:_DIGEST_BYTES], kept[_DIGEST_BYTES:]
            if _digest(name, code) == digest:
                _mark_used(folder / (name + _SUFFIX))
                return code
        return None

    def keep(self, name: str, code: bytes) -> Path | None:
        """Write code; return the file, or None if no folder is writable."""
        for folder in self.folders:
            path = folder / (name + _SUFFIX)
            try:
                folder.parent.mkdir(parents=True, exist_ok=True)
                folder.mkdir(mode=0o700, exist_ok=True)
                if _is_own(folder.stat()):
                    _write_whole(path, _digest(name, code) + code)
                    with suppress(OSError):
                        _remove_unused(folder)
                    return path
            except OSError:
                continue
        return None


def named_folder() -> Path | None:
    """Return the folder from `BUSPLAY_CACHE_DIR`, or None."""
    named = os.environ.get(FOLDER_VARIABLE)
    return Path(named) if named else None


def user_folder(name: str) -> Path | None:
    """Return the user's cache folder for a program, or None."""
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


def _digest(name: str, code: bytes) -> bytes:
    # Covers the name, so that a renamed file does not match.
    return hashlib.sha256(name.encode() + b"\0" + code).digest()


def _read_own(path: Path) -> bytes:
    if not _is_own(path.parent.stat()):
        raise PermissionError(f"others may write in {path.parent}")
    if not path.is_file():
        # Opening a pipe would wait.
        raise FileNotFoundError(path)
    with path.open("rb") as file:
        if not _is_own(os.fstat(file.fileno())):
            raise PermissionError(f"others may write {path}")
        return file.read()


def _is_own(found: os.stat_result) -> bool:
    if os.name != "posix":
        return True
    return found.st_uid in (os.geteuid(), 0) and not found.st_mode & _OTHERS_WRITE


def _mark_used(path: Path) -> None:
    with suppress(OSError):
        if path.stat().st_mtime < time.time() - _DAY_S:
            os.utime(path)


def _remove_unused(folder: Path) -> None:
    oldest = time.time() - _UNUSED_S_MOST
    for path in folder.iterdir():
        # One that was cut short while it was written ends in `.new`.
        if path.suffix in (_SUFFIX, ".new"):
            with suppress(OSError):
                if path.stat().st_mtime < oldest:
                    path.unlink()


def _write_whole(path: Path, contents: bytes) -> None:
    # Beside it first, so that another process never sees half a file.
    descriptor, beside = tempfile.mkstemp(dir=path.parent, prefix=path.stem, suffix=".new")
    try:
        with os.fdopen(descriptor, "wb") as file:
            file.write(contents)
        Path(beside).replace(path)
    except BaseException:
        Path(beside).unlink(missing_ok=True)
        raise
