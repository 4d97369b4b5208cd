"""The program that a trace was recorded from, found by its digest."""

from __future__ import annotations

from collections.abc import Iterator
from hashlib import sha256
from pathlib import Path

from busplay.demo.programs import DEMO_PROGRAMS
from busplay.errors import InputError
from busplay.program.image import read_content
from busplay.trace.header import TraceHeader, safe_name

# A program for 64 KiB: Intel HEX takes some three bytes for each, ELF any number.
_LARGEST_BYTES = 1 << 22
_FILES_MOST = 2_000


def find_recorded_program(trace: str | Path, header: TraceHeader) -> Path | None:
    """Return the program of a trace, or None.

    It looks at the file of that name beside the trace, then at the other files there, then at the
    shipped programs; the digest must match.
    """
    digest = header.program_sha256
    if digest is None:
        return None
    for path in _candidates(Path(trace), header.program_name):
        try:
            if path.stat().st_size <= _LARGEST_BYTES and _digest(path) == digest:
                return path
        except (OSError, InputError):
            # Removed meanwhile, or not readable.
            continue
    return None


def require_recorded_program(trace: str | Path, header: TraceHeader, program: Path) -> None:
    """Refuse a program that a trace was not recorded from; any is accepted without a digest.

    Raises:
        InputError: it is another one, or cannot be read.
    """
    if header.program_sha256 not in (None, _digest(program)):
        raise InputError(
            file=str(program),
            found="a program other than the recorded one",
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
    # That name first; sorted, so that the result depends on the folder alone.
    yield from sorted(files, key=lambda path: (safe_name(path.name) != name, path.name))
    for program in DEMO_PROGRAMS.values():
        try:
            yield program.image_path
        except InputError:
            continue
