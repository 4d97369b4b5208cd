"""Load a board's memory before reset, and find where the processor starts.

The reset vector decides. If it is not loaded (a program for RAM, without a ROM), the processor
starts at the start address in the program's file, or at the program's first byte.
"""

from __future__ import annotations

from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path

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
from busplay.program.place import place_image

RESET_VECTOR = range(0xFFFC, 0xFFFE)


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
) -> LoadedProgram:
    """Load the board's images, then the program.

    Args:
        memory: uint8[65536]; the core's own.
        load_address: where a raw program is loaded; by default the board's
            `program_load_address`.

    Raises:
        InputError: a file cannot be read, falls where there is no memory, or has addresses of its
            own although a load address is given; or there is nothing to run.
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
    if not images:
        raise InputError(
            file=board.file or None,
            found=f"board {board.name} with no ROM image and no program",
            wanted="give a program to run",
        )
    loaded: set[int] = set()
    for image in images:
        place_image(image, board, memory)
        for segment in image.segments:
            loaded |= set(RESET_VECTOR) & set(range(segment.address, segment.last_address + 1))
    start = None
    if len(loaded) < len(RESET_VECTOR):
        last = images[-1]
        start = last.entry if last.entry is not None else last.segments[0].address
    return LoadedProgram(name, digest, start)
