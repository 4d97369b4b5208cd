"""Keep machine code in files: beside this module if that may be, else in the user's folder.

Code beside the module serves every user of the installation, as Python's own compiled files
do; whoever may write there could change the program anyway. A file has the SHA-256 of its
contents before them; whatever does not fit it is as good as not there. Where nothing can be
written nothing is kept, and nobody is told: it only takes longer.
"""

from __future__ import annotations

import hashlib
import os
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Self

from busplay.cache_folders import named_folder, user_folder

_DIGEST_BYTES = 32
_SUFFIX = ".machinecode"


class CodeCache:
    """Files of machine code by name.

    Args:
        folders: where to look, in order; the first that can be written is written to.
    """

    def __init__(self, folders: Sequence[Path]) -> None:
        self.folders = tuple(folders)

    @classmethod
    def usual(cls) -> Self:
        """Return the one for this installation and user."""
        named = named_folder()
        if named is not None:
            return cls([named])
        beside, users = Path(__file__).parent / "__pycache__", user_folder("busplay")
        return cls([beside] if users is None else [beside, users])

    def find(self, name: str) -> bytes | None:
        """Return the code kept under a name, or None."""
        for folder in self.folders:
            try:
                kept = (folder / (name + _SUFFIX)).read_bytes()
            except OSError:
                continue
            digest, code = kept[:_DIGEST_BYTES], kept[_DIGEST_BYTES:]
            if hashlib.sha256(code).digest() == digest:
                return code
        return None

    def keep(self, name: str, code: bytes) -> Path | None:
        """Keep code; give the file, or None if there is no place for it."""
        for folder in self.folders:
            path = folder / (name + _SUFFIX)
            try:
                folder.mkdir(parents=True, exist_ok=True)
                _write_whole(path, hashlib.sha256(code).digest() + code)
            except OSError:
                continue
            return path
        return None


def _write_whole(path: Path, contents: bytes) -> None:
    # Beside it first, so that another process never sees half a file.
    descriptor, beside = tempfile.mkstemp(dir=path.parent, prefix=path.stem, suffix=".new")
    try:
        with os.fdopen(descriptor, "wb") as file:
            file.write(contents)
        # For the other users of the installation.
        Path(beside).chmod(0o644)
        Path(beside).replace(path)
    except BaseException:
        Path(beside).unlink(missing_ok=True)
        raise
