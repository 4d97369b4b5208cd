"""A file is written beside its place and takes its name only once it is whole."""

from __future__ import annotations

import errno
import os
import shutil
import stat
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO

from busplay.errors import OutputError

_PARTS_MAX = 1_000


def write_whole_file(path: Path, content: bytes) -> None:
    """Write a file so that whoever looks sees the old one or the whole new one.

    Raises:
        OutputError: it cannot be written; what was there before is still there.
    """
    try:
        with place_beside(path) as beside:
            beside.write_bytes(content)
    except OSError as error:
        raise no_way_to_write(path, error) from error


@contextmanager
def open_whole_file(path: Path) -> Iterator[BinaryIO]:
    """Return a stream to a file that takes its name once all is written.

    Raises:
        OutputError: it cannot be written; what was there before is still there.
    """
    try:
        with place_beside(path) as beside, beside.open("wb") as stream:
            yield stream
    except OSError as error:
        raise no_way_to_write(path, error) from error


@contextmanager
def place_beside(path: Path) -> Iterator[Path]:
    """Return a path to write to, which takes the file's place if all goes well.

    A device or a pipe is written to as it is, since nothing may take its place; and a link to a
    file goes on to be a link.

    Raises:
        OSError: whatever the block raises, or the file cannot take its place.
        OutputError: the file is write-protected.
    """
    if path.exists() and not path.is_file():
        yield path
        return
    require_replaceable(path)
    beside = Beside(path)
    try:
        yield beside.path
        beside.take_place()
    except BaseException:
        with suppress(OSError):
            beside.path.unlink()
        raise


class Beside:
    """A new, empty file beside a place, `NAME.part`, which takes the place once it is whole.

    Args:
        place: the file's name in the end; a link to a file goes on to be a link.

    Attributes:
        path: where to write until then; nothing of that name was there.

    Raises:
        OSError: no file can be made there.
    """

    def __init__(self, place: Path) -> None:
        self._place = place.resolve()
        for number in range(1, _PARTS_MAX):
            ending = f".part{number if number > 1 else ''}"
            self.path = self._place.with_name(self._place.name + ending)
            with suppress(FileExistsError):
                os.close(os.open(self.path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o666))
                return
        raise FileExistsError(
            errno.EEXIST, f"{_PARTS_MAX:,} unfinished files beside it, {self._place.name}.part…"
        )

    def take_place(self) -> None:
        """Take the place, with the mode of what was there; all of it reaches the disk first.

        Raises:
            OSError: it cannot; what was there is still there.
        """
        with suppress(OSError):
            shutil.copymode(self._place, self.path)
        descriptor = os.open(self.path, os.O_RDWR)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
        self.path.replace(self._place)


def try_lock(descriptor: int) -> bool:
    """Lock a file until its descriptor is closed; False: somebody else has locked it.

    Where there are no such locks (Windows, some file systems of networks) nobody ever has.
    """
    if sys.platform == "win32":
        return True
    import fcntl

    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:
        return True
    return True


def require_replaceable(path: Path) -> None:
    """Refuse a write-protected file, which a rename would replace all the same.

    Raises:
        OutputError: the file is there, and nobody, or not this user, may write to it.
    """
    try:
        found = path.stat()
    except (OSError, ValueError):
        return
    # The mode is asked besides, as nothing is write-protected to a superuser.
    if stat.S_ISREG(found.st_mode) and not (found.st_mode & 0o222 and os.access(path, os.W_OK)):
        raise OutputError(
            file=str(path),
            found="a write-protected file",
            wanted="give another file, or make it writable",
        )


def require_other_file(output: str | Path | None, *inputs: str | os.PathLike[str] | None) -> None:
    """Refuse an output that is the file of an input, by whatever name or link.

    Raises:
        OutputError: it is.
    """
    for one in inputs:
        with suppress(OSError):
            if output and one and Path(output).samefile(one):
                raise OutputError(
                    file=str(output),
                    found="a file that is read",
                    wanted="give another file, so that nothing is lost",
                )


def no_way_to_write(path: Path, error: OSError) -> OutputError:
    """Return the error of a file or a folder that cannot be written."""
    return OutputError(
        file=str(path),
        found=(error.strerror or str(error)).lower(),
        wanted="give a place that can be written to",
    )
