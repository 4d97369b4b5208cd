"""Write a starter folder."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass
from math import ceil
from pathlib import Path
from string import Template

import numpy as np

from busplay.analysis.budget import link_budget
from busplay.description.board import Board, Processor, Unit
from busplay.description.limits import LIMITS
from busplay.description.link import Link, StrobeFraming
from busplay.description.read_board import read_board
from busplay.description.shipped_files import shipped_links
from busplay.description.toml_reader import read_description_file
from busplay.errors import DescriptionError, InputError, OutputError
from busplay.link.board_fit import require_link_fits
from busplay.link.load import load_link
from busplay.png import encode_png
from busplay.starter.beach import TIDE_ROWS, BeachColours, beach, beach_with_bird
from busplay.whole_file import no_way_to_write
from busplay.wording import counted

FILES = Path(__file__).parent / "files"
SIDE_PX_LEAST = 16
SCREEN_FIRST_ADDRESS = 0x1000
SCREEN_BYTES_MOST = 0xD000 - SCREEN_FIRST_ADDRESS
# The delay that it takes must not be longer than a branch.
FRAME_CYCLES_MOST = 255
CLOCK_HZ = 2_000_000
_EACH_PIXEL = {1: "$FF", 2: "$55", 4: "$11", 8: "$01"}
_COLOURS = {
    1: BeachColours(bird=0, sea=0, sand=1, sky=1, foam=1),
    2: BeachColours(bird=0, sea=1, sand=2, sky=3, foam=3),
    4: BeachColours(bird=0, sea=1, sand=2, sky=3, foam=4),
    8: BeachColours(bird=0x00, sea=0x2E, sand=0xD5, sky=0xBB, foam=0xFF),
}
_PALETTES = {
    1: '["#14303C", "#F4E7C8"]',
    2: '["#14202A", "#2E7D9A", "#DCC391", "#D7ECF2"]',
    4: """[
    "#14202A", "#2E7D9A", "#DCC391", "#BFE3EE", "#FAFCF6", "#1B4A60", "#6FB3C6", "#A88B5C",
    "#7A5B3C", "#4F7A4A", "#A9C77B", "#E8A33D", "#C8553D", "#7D4E7A", "#8C979C", "#505A60",
]""",
    8: '"rgb332"',
}


@dataclass(frozen=True, slots=True)
class StarterFolder:
    """A starter folder that was written.

    Attributes:
        folder: where it is.
        files: the files in it, relative to the folder.
        board: its board.
    """

    folder: Path
    files: tuple[Path, ...]
    board: Board


class _FileTemplate(Template):
    """`%%{name}`: no other file format that is written has it."""

    delimiter = "%%"


def new(
    folder: str | Path,
    *,
    processor: Processor = "65c02",
    link: str | Path = "guarded",
    width_px: int = 256,
    height_px: int = 192,
    bits_per_pixel: int = 4,
) -> StarterFolder:
    """Write a starter folder: a board, a link, two programs, a Makefile and tests.

    Args:
        folder: made if it is missing; nothing in it is written over.
        processor: `6502` or `65c02`.
        link: a shipped one or a file; it is copied.
        width_px, height_px: of the screen.
        bits_per_pixel: 1, 2, 4 or 8.

    Raises:
        InputError: there can be no such screen or processor, or the link does not fit.
        OutputError: the folder has a file of one of the names, or cannot be written; what was
            there stays as it was, and nothing new is left.

    >>> import busplay
    >>> made = busplay.new("beach", processor="6502", width_px=128, height_px=64)
    >>> made.board.units[0].memory_bytes, len(made.files)
    (4096, 21)
    """
    _require_possible(processor, width_px, height_px, bits_per_pixel)
    loaded = load_link(link)
    values = _values(loaded, processor, width_px, height_px, bits_per_pixel)
    texts = {path: _FileTemplate(text).substitute(values) for path, text in _templates()}
    board = _board(texts[Path("board.toml")], loaded)
    contents = {path: text.encode() for path, text in texts.items()}
    contents[Path("link.toml")] = _link_text(link).encode()
    contents |= _pictures(board)
    target = Path(folder)
    _write(target, contents)
    return StarterFolder(target, tuple(sorted(contents)), board)


def _require_possible(processor: str, width_px: int, height_px: int, bits_per_pixel: int) -> None:
    if processor not in ("6502", "65c02"):
        raise InputError(place="processor", found=processor, wanted="give 6502 or 65c02")
    if bits_per_pixel not in _COLOURS:
        raise InputError(
            place="bits per pixel", found=str(bits_per_pixel), wanted="give 1, 2, 4 or 8"
        )
    size = f"{width_px} x {height_px} pixels"
    most_px = LIMITS[Unit, "width_px"][1]
    if not all(SIDE_PX_LEAST <= side <= most_px for side in (width_px, height_px)):
        raise InputError(
            place="screen",
            found=size,
            wanted=f"give {SIDE_PX_LEAST} to {most_px} pixels a side",
        )
    memory_bytes = -(-width_px * bits_per_pixel // 8) * height_px
    if memory_bytes > SCREEN_BYTES_MOST:
        raise InputError(
            place="screen",
            found=f"{size} at {counted(bits_per_pixel, 'bit')}, {memory_bytes:,} bytes",
            wanted=f"the memory map has room for {SCREEN_BYTES_MOST:,}; take fewer pixels or bits",
        )


def _values(
    link: Link, processor: Processor, width_px: int, height_px: int, bits_per_pixel: int
) -> dict[str, object]:
    """Return the values of the templates' names.

    Raises:
        InputError: the link is too slow.
    """
    frame_cycles = ceil(link_budget(link, processor_hz=CLOCK_HZ).frame_cycles)
    if frame_cycles > FRAME_CYCLES_MOST:
        raise InputError(
            place="link",
            found=f"{link.name}, a frame in {frame_cycles:,} cycles of a processor at 2 MHz",
            wanted=f"the programs wait up to {FRAME_CYCLES_MOST} cycles; take a faster link",
        )
    # The receiver must be in sync before the first store.
    confirm_frames = 0 if isinstance(link.framing, StrobeFraming) else link.framing.confirm_frames
    stride_bytes = -(-width_px * bits_per_pixel // 8)
    last_address = SCREEN_FIRST_ADDRESS + stride_bytes * height_px - 1
    return {
        "processor": processor,
        "width_px": width_px,
        "height_px": height_px,
        "bits_per_pixel": bits_per_pixel,
        "colours": 1 << bits_per_pixel,
        "palette": _PALETTES[bits_per_pixel],
        "stride_bytes": stride_bytes,
        "screen_bytes": f"{stride_bytes * height_px:,}",
        "screen_last_address": f"0x{last_address:04X}",
        "screen_range": f"${SCREEN_FIRST_ADDRESS:04X}-${last_address:04X}",
        "each_pixel": _EACH_PIXEL[bits_per_pixel],
        "frame_cycles": frame_cycles,
        "lead_frames": max(16, 2 * confirm_frames + 2),
        **_COLOURS[bits_per_pixel]._asdict(),
    }


def _templates() -> Iterator[tuple[Path, str]]:
    """Return each template's path in the starter folder, and its text."""
    for path in sorted(FILES.rglob("*.in")):
        parts = path.relative_to(FILES).with_suffix("").parts
        name = Path(*(f".{part[4:]}" if part.startswith("dot-") else part for part in parts))
        yield name, path.read_text(encoding="utf-8")


def _link_text(link: str | Path) -> str:
    path = shipped_links().get(link) if isinstance(link, str) else None
    return read_description_file(path or Path(link))


def _board(text: str, link: Link) -> Board:
    try:
        board = read_board(text, file="board.toml", folder=Path(), load_link=lambda _: link)
        return require_link_fits(board)
    except DescriptionError as error:
        raise InputError(
            file=link.file or None,
            found=f"a link that does not fit the board: {error.place}: {error.message}",
        ) from error


def _pictures(board: Board) -> dict[Path, bytes]:
    """Return the expected pictures of the tests, by their paths in the folder."""
    (unit,) = board.units
    size = unit.width_px, unit.height_px
    colours = _COLOURS[unit.bits_per_pixel]
    palette = np.array(unit.palette, np.uint8).reshape(-1, 3)
    drawn = {
        "beach": beach(*size, colours),
        "high_tide": beach(*size, colours, tide_rows=TIDE_ROWS),
        "bird": beach_with_bird(*size, colours),
    }
    return {
        Path("tests", "pictures", f"{name}.png"): encode_png(image, palette=palette)
        for name, image in drawn.items()
    }


def _write(folder: Path, contents: Mapping[Path, bytes]) -> None:
    """Write all files, or none.

    Raises:
        OutputError: one is there already, or one cannot be written.
    """
    for name in contents:
        # A link that leads nowhere is somebody's, too.
        if os.path.lexists(folder / name):
            raise OutputError(
                file=str(folder / name),
                found="a file that is there already",
                wanted="nothing is written over; give another folder",
            )
    made: list[Path] = []
    try:
        for name, content in contents.items():
            path = folder / name
            made += _make_folders(path.parent)
            with path.open("xb") as stream:
                made.append(path)
                stream.write(content)
    except BaseException as error:
        for one in reversed(made):
            with suppress(OSError):
                one.rmdir() if one.is_dir() else one.unlink()
        if isinstance(error, OSError):
            raise no_way_to_write(path, error) from error
        raise


def _make_folders(folder: Path) -> list[Path]:
    """Make a folder and those above it; return the new ones, outermost first."""
    missing = [one for one in (folder, *folder.parents) if not one.is_dir()][::-1]
    folder.mkdir(parents=True, exist_ok=True)
    return missing
