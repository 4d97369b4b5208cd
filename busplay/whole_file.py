"""A file is written beside its place and takes its name only once it is whole."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO

from busplay.errors import OutputError


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
    target = path.resolve()
    beside = target.with_name(f"{target.name}.part{os.getpid()}")
    try:
        yield beside
        beside.replace(target)
    except BaseException:
        with suppress(OSError):
            beside.unlink()
        raise


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


def no_way_to_write(path: Path, error: OSError) -> OutputError:
    """Say that a file or a folder cannot be written."""
    return OutputError(
        file=str(path),
        found=(error.strerror or str(error)).lower(),
        wanted="give a place that can be written to",
    )
