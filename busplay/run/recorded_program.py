"""The program that a trace was recorded from: found again beside it by its digest."""

from __future__ import annotations

from collections.abc import Iterator
from hashlib import sha256
from pathlib import Path

from busplay.demo.programs import DEMO_PROGRAMS
from busplay.errors import InputError
from busplay.program.image import read_content
from busplay.trace.header import TraceHeader, safe_name

# A program for 64 KiB: as Intel HEX it takes some three bytes for each, as ELF what it likes.
_LARGEST_BYTES = 1 << 22
_FILES_MOST = 2_000


def find_recorded_program(trace: str | Path, header: TraceHeader) -> Path | None:
    """Return the program that a trace names, or None.

    Looked for are the file of that name beside the trace, then the other files there, then the
    shipped programs; only one whose bytes have the digest in the trace will do.
    """
    digest = header.program_sha256
    if digest is None:
        return None
    for path in _candidates(Path(trace), header.program_name):
        try:
            if path.stat().st_size <= _LARGEST_BYTES and _digest(path) == digest:
                return path
        except (OSError, InputError):
            # It went away, or is not ours to read.
            continue
    return None


def require_recorded_program(trace: str | Path, header: TraceHeader, program: Path) -> None:
    """Refuse a program that a trace was not recorded from; a trace without a digest takes any.

    Raises:
        InputError: it is another one, or cannot be read.
    """
    if header.program_sha256 not in (None, _digest(program)):
        raise InputError(
            file=str(program),
            found="another program than the one that was recorded",
            wanted=f"give {header.program_name} as it was when {trace} was made",
        )


def _digest(path: Path) -> str:
    return sha256(read_content(path)).hexdigest()


def _candidates(trace: Path, name: str | None) -> Iterator[Path]:
    files = []
    try:
        for number, path in enumerate(trace.parent.iterdir()):
            if number < _FILES_MOST and path.is_file() and path != trace:
                files.append(path)
    except OSError:
        files = []
    # The name goes first; sorted, so that the same folder gives the same file.
    yield from sorted(files, key=lambda path: (safe_name(path.name) != name, path.name))
    for program in DEMO_PROGRAMS.values():
        try:
            yield program.image_path
        except InputError:
            continue
