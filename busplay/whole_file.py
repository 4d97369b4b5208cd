"""Files that are written beside their place and take their name once they are complete."""

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
    """Write a file; a reader sees the old one or the complete new one.

    Raises:
        OutputError: it cannot be written; an existing file stays as it was.
    """
    try:
        with place_beside(path) as beside:
            beside.write_bytes(content)
    except OSError as error:
        raise no_way_to_write(path, error) from error


@contextmanager
def open_whole_file(path: Path) -> Iterator[BinaryIO]:
    """Return a stream to a file that takes its name once it is complete.

    Raises:
        OutputError: it cannot be written; an existing file stays as it was.
    """
    try:
        with place_beside(path) as beside, beside.open("wb") as stream:
            yield stream
    except OSError as error:
        raise no_way_to_write(path, error) from error


@contextmanager
def place_beside(path: Path) -> Iterator[Path]:
    """Return a path to write to; the file there takes the place if the block succeeds.

    A device or a pipe is written to directly, and a symbolic link stays a link.

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
    """A new, empty file `NAME.part` beside a place, which it takes once it is complete.

    Args:
        place: the file's final path; a symbolic link stays a link.

    Attributes:
        path: where to write until then; a new file.

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
        """Flush the file to disk, and take the place with the mode of the old file.

        Raises:
            OSError: it cannot; an existing file stays as it was.
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
    """Lock a file until its descriptor is closed; return False if another process has it locked.

    Without such locks (Windows, some network file systems) the answer is always True.
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
    """Refuse a write-protected file, which a rename would replace.

    Raises:
        OutputError: the file exists, and nobody, or not this user, may write to it.
    """
    try:
        found = path.stat()
    except (OSError, ValueError):
        return
    # The mode is checked too, since a superuser may write to anything.
    if stat.S_ISREG(found.st_mode) and not (found.st_mode & 0o222 and os.access(path, os.W_OK)):
        raise OutputError(
            file=str(path),
            found="a write-protected file",
            wanted="give another file, or make it writable",
        )


def require_other_file(output: str | Path | None, *inputs: str | os.PathLike[str] | None) -> None:
    """Refuse an output that is an input's file, under any name or link.

    Raises:
        OutputError: it is.
    """
    for one in inputs:
        with suppress(OSError):
            if output and one and Path(output).samefile(one):
                raise OutputError(
                    file=str(output),
                    found="an input file",
                    wanted="give another file, so that nothing is lost",
                )


def no_way_to_write(path: Path, error: OSError) -> OutputError:
    """Return the error of a file or a folder that cannot be written."""
    return OutputError(
        file=str(path),
        found=(error.strerror or str(error)).lower(),
        wanted="give a place that can be written to",
    )
