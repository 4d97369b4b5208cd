"""Load a board's memory before reset, and find where the processor starts.

The reset vector decides. If it is not loaded (a program for RAM, without a ROM), the processor
starts at the start address in the program's file, or at the program's first byte.
"""

from __future__ import annotations

from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from busplay.batch import UInt8Column
from busplay.description.board import Board, ImageFormat
from busplay.errors import InputError
from busplay.program.image import (
    FORMAT_NAMES,
    ProgramImage,
    parse_image,
    read_content,
    read_image,
)
from busplay.program.place import describe_memory, has_memory, place_image

RESET_VECTOR = slice(0xFFFC, 0xFFFE)


@dataclass(frozen=True, slots=True)
class LoadedProgram:
    """What was loaded.

    Attributes:
        name: the program's file name without its folder; empty if only the board's images run.
        sha256: digest of the program's file, in hex; empty without one.
        start_address: start address instead of the reset vector, or None.
    """

    name: str
    sha256: str
    start_address: int | None


def load_memory(
    board: Board,
    memory: UInt8Column,
    program: Path | None,
    *,
    program_format: ImageFormat = "auto",
    load_address: int | None = None,
    loaded: NDArray[np.bool_] | None = None,
) -> LoadedProgram:
    """Load the board's images, then the program.

    Args:
        memory: uint8[65536]; the core's own, with the pages of banks that a reset shows.
        loaded: bool[65536]; where these pages have bytes of an image; what is loaded is added.
            None: nowhere.
        load_address: where a raw program is loaded; by default the board's
            `program_load_address`.

    Raises:
        InputError: a file cannot be read, falls where there is no memory, or has addresses of its
            own although a load address is given; there is nothing to run; or no reset can start it.
    """
    images: list[ProgramImage] = []
    for region in board.memory:
        if region.image is not None:
            described = region.image
            address = described.load_address
            images.append(
                read_image(
                    described.path,
                    described.format,
                    region.first_address if address is None else address,
                )
            )
    digest = name = ""
    if program is not None:
        content = read_content(program)
        image = parse_image(
            content,
            file=str(program),
            format=program_format,
            load_address=board.program_load_address if load_address is None else load_address,
        )
        if load_address is not None and image.format != "raw":
            raise InputError(
                found=f"{FORMAT_NAMES[image.format]} and the load address ${load_address:04X}",
                wanted="such a file has addresses of its own, so leave the load address out",
                file=str(program),
            )
        images.append(image)
        name = program.name
        digest = sha256(content).hexdigest()
    there = np.zeros(len(memory), np.bool_) if loaded is None else loaded
    if not images and not there.any():
        raise InputError(
            file=board.file or None,
            found=f"board {board.name} with no ROM image and no program",
            wanted="give a program to run",
        )
    for image in images:
        place_image(image, board, memory)
        for segment in image.segments:
            there[segment.address : segment.last_address + 1] = True
    if there[RESET_VECTOR].all():
        return LoadedProgram(name, digest, None)
    if there[RESET_VECTOR].any() or not images or board.bank_at(RESET_VECTOR.start) is not None:
        raise _no_vector(board, program)
    last = images[-1]
    start = last.entry if last.entry is not None else last.segments[0].address
    return LoadedProgram(name, digest, start)


def _no_vector(board: Board, program: Path | None) -> InputError:
    bank = board.bank_at(RESET_VECTOR.start)
    page = "" if bank is None else f" of the page that {board.banks[bank].name} shows at a reset"
    return InputError(
        file=str(program) if program is not None else board.file or None,
        found=f"no byte, or only one, for the reset vector at $FFFC-$FFFD{page}",
        wanted="no reset can start such a program, so give it vectors, or an image that has them",
    )


def require_code(board: Board, memory: UInt8Column, loaded: NDArray[np.bool_]) -> None:
    """Refuse a reset vector that leads to where there is no memory, or nothing was loaded.

    Args:
        memory: uint8[65536], as a reset finds it.
        loaded: bool[65536]; where images and program have bytes.

    Raises:
        InputError: it does.
    """
    address = int(memory[RESET_VECTOR.start]) | int(memory[RESET_VECTOR.start + 1]) << 8
    if not has_memory(board)[address]:
        raise InputError(
            file=board.file or None,
            place="the reset vector at $FFFC",
            found=f"${address:04X}",
            wanted=f"no reset can work, as no memory is there: the board has "
            f"{describe_memory(board)}",
        )
    if not loaded[address]:
        raise InputError(
            file=board.file or None,
            place="the reset vector at $FFFC",
            found=f"${address:04X}",
            wanted="no reset can work, as nothing was loaded there, so give the program vectors",
        )
