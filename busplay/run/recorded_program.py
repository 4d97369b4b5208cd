"""The program that a trace was recorded from, found by its digest."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import replace
from hashlib import sha256
from itertools import islice
from pathlib import Path

from busplay.demo.programs import DEMO_PROGRAMS, program_path
from busplay.description.board import Board
from busplay.errors import InputError
from busplay.program.image import read_content
from busplay.trace.header import TraceHeader, safe_name
from busplay.trace.reader import TraceReader

# A program for 64 KiB: Intel HEX takes some three bytes for each, ELF any number.
_LARGEST_BYTES = 1 << 22
_FILES_MOST = 2_000
# All that is read of a folder: a tenth of a second.
_READ_BYTES_MOST = 1 << 26


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
            if _digest(path) == digest:
                return path
        except (OSError, InputError):
            # Removed meanwhile, or not readable.
            continue
    return None


def recorded_program_of(trace: Path) -> Path | None:
    """Return the program that a trace's header names, or None; see `find_recorded_program`."""
    with TraceReader(trace) as reader:
        return find_recorded_program(trace, reader.header)


def board_of_trace(reader: TraceReader) -> Board:
    """Return the board of a trace.

    Raises:
        InputError: it has none.
    """
    if reader.header.board is None:
        raise InputError(
            file=str(reader.path),
            found="a trace without a board",
            wanted="record it with a board",
        )
    return reader.header.board


def program_of_trace(
    reader: TraceReader, program: str | Path | None = None
) -> tuple[Board, Path | None]:
    """Return the board and the program of a trace; no program where its board's images ran alone.

    The board's images are those beside the trace, else those beside the program.

    Args:
        program: the file that ran; found beside the trace by default.

    Raises:
        InputError: the trace has no board, or its program is not there, or is another one.
    """
    header, board = reader.header, board_of_trace(reader)
    path = None if program is None else program_path(program)
    if path is None and header.program_sha256 is not None:
        path = find_recorded_program(reader.path, header)
        if path is None:
            raise InputError(
                file=str(reader.path),
                found=f"no {header.program_name} beside the trace that has its digest",
                wanted="give the program that was recorded",
            )
    if path is not None:
        require_recorded_program(reader.path, header, path)
    folders = [one.parent for one in (reader.path, path) if one is not None]
    return _with_images_in(board, folders), path


def _with_images_in(board: Board, folders: Sequence[Path]) -> Board:
    """Return a recorded board, whose images have bare names, with the files found by these."""

    def found(image: Path) -> Path:
        beside = (folder / image for folder in folders)
        return next((one for one in beside if one.is_file()), image)

    memory = [
        one
        if one.image is None
        else replace(one, image=replace(one.image, path=found(one.image.path)))
        for one in board.memory
    ]
    banks = [
        one if one.image is None else replace(one, image=found(one.image)) for one in board.banks
    ]
    return replace(board, memory=tuple(memory), banks=tuple(banks))


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
    """Yield the files beside a trace as far as so much may be read, then the shipped programs."""
    files = []
    if name is not None and trace.with_name(name).is_file():
        # It may lie behind all that is looked at.
        yield trace.with_name(name)
    with suppress(OSError):
        for path in islice(trace.parent.iterdir(), _FILES_MOST):
            # A name that went away, or is not ours to look at, is none.
            with suppress(OSError):
                if path.is_file() and path != trace:
                    files.append((safe_name(path.name) != name, path, path.stat().st_size))
    left_bytes = _READ_BYTES_MOST
    # The name goes first; sorted, so that the same folder gives the same file.
    for _, path, size_bytes in sorted(files):
        if size_bytes <= min(_LARGEST_BYTES, left_bytes):
            left_bytes -= size_bytes
            yield path
    for program in DEMO_PROGRAMS.values():
        with suppress(InputError):
            yield program.image_path
