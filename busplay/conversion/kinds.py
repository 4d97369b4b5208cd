"""What a file is that is to be converted, what it is to become, and what the target cannot hold."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path
from typing import Literal

from busplay.errors import InputError
from busplay.export.film import FILM_SUFFIXES
from busplay.export.png_sequence import is_sequence
from busplay.formats.byte_source import ByteSource, plain_suffix
from busplay.trace.container import MAGIC as TRACE_MAGIC

SourceKind = Literal["trace", "pcapng", "frames", "stores", "capture"]
TargetKind = Literal["trace", "pcapng", "frames", "stores", "wires", "samples", "film", "pictures"]
CsvContent = Literal["frames", "stores", "wires"]

FORMS = (
    ".trace, .vcd, .csv, .pcapng, .stores, .sr, .bin, .gif, .apng, .webp, .mp4, .webm and"
    " pictures such as name-%05d.png"
)
SAMPLE_SUFFIXES = (".vcd", ".csv", ".sr", ".bin", ".raw")

_NOT_IN_PICTURES = (
    "frames: a film has what the screen shows at each refresh",
    "board, link and program",
    "keys pressed",
)
# What each form cannot hold, in words.
NOT_CARRIED: dict[TargetKind, tuple[str, ...]] = {
    "trace": (),
    "frames": ("board, link and program", "keys pressed", "stores lost before they were sent"),
    "pcapng": ("keys pressed", "stores lost before they were sent"),
    "stores": (
        "when a frame waited: a store's cycle is the last that gives the frame's edge",
        "board, link and program",
        "keys pressed",
        "frames to no window, idle and damaged frames",
    ),
    "wires": ("keys pressed", "stores lost before they were sent"),
    "samples": (
        "board, link and program",
        "keys pressed",
        "stores lost before they were sent",
    ),
    "film": _NOT_IN_PICTURES,
    "pictures": _NOT_IN_PICTURES,
}


def find_source_kind(path: Path, *, has_rate: bool) -> SourceKind:
    """Return what a file is, by its first bytes.

    Raises:
        InputError: it cannot be read.
    """
    from busplay.formats.frames_csv import is_frames_header
    from busplay.formats.pcapng import MAGIC as PCAPNG_MAGIC
    from busplay.formats.stores_csv import COLUMNS as STORE_COLUMNS

    head = read_head(path, 4096)
    if head.startswith(TRACE_MAGIC):
        return "trace"
    if head.startswith(PCAPNG_MAGIC):
        return "pcapng"
    suffix = plain_suffix(path)
    if suffix == ".stores":
        return "stores"
    line = head.removeprefix(b"\xef\xbb\xbf").split(b"\n", 1)[0].strip()
    if suffix == ".csv" and not has_rate:
        names = [name.strip().lower() for name in line.decode("utf-8", "replace").split(",")]
        if all(name in names for name in STORE_COLUMNS):
            return "stores"
        if is_frames_header(line):
            return "frames"
    return "capture"


def find_target_kind(
    target: Path, *, csv_content: CsvContent | None, is_sampled: bool
) -> TargetKind:
    """Return what a file is to become, by its suffix.

    Args:
        target: the file.
        csv_content: what a .csv is to hold; None: frames.
        is_sampled: the wires are to be sampled as an analyser would.

    Raises:
        InputError: no form has the suffix, or it does not go with the rest.
    """
    suffix = target.suffix.lower()
    if csv_content is not None and (suffix != ".csv" or is_sampled):
        found = f"{csv_content} and a rate" if is_sampled else f"{csv_content} for {target}"
        wanted = "with --out-rate a .csv has samples" if is_sampled else "only a .csv can be either"
        raise InputError(place="--as", found=found, wanted=wanted)
    if is_sampled:
        if suffix not in SAMPLE_SUFFIXES:
            wanted = "samples go to .vcd, .csv, .sr, or raw to .bin"
            raise InputError(place="OUT", found=str(target), wanted=wanted)
        return "samples"
    kinds: dict[str, TargetKind] = {
        ".trace": "trace",
        ".vcd": "wires",
        ".csv": csv_content or "frames",
        ".pcapng": "pcapng",
        ".stores": "stores",
    }
    if suffix in FILM_SUFFIXES:
        return "film"
    if is_sequence(target):
        return "pictures"
    if suffix == ".png":
        wanted = "one file a picture takes a number in its name, such as name-%05d.png"
        wanted += "; replay --snapshot writes one picture"
        raise InputError(place="OUT", found=str(target), wanted=wanted)
    if suffix not in kinds:
        is_samples = suffix in SAMPLE_SUFFIXES
        wanted = "samples need a rate, such as --out-rate 24MHz"
        raise InputError(
            place="OUT",
            found=str(target),
            wanted=wanted if is_samples else f"the forms are {FORMS}",
        )
    return kinds[suffix]


def read_head(path: Path, count: int) -> bytes:
    """Return a file's first bytes, unpacked.

    Raises:
        InputError: it cannot be read.
    """
    try:
        with closing(ByteSource(path)) as source:
            head = source.head(count)
            if not head and source.cut_reason:
                raise InputError(source.cut_reason, file=str(path))
            return head
    except InputError as error:
        if path.is_file() or error.found is not None:
            raise
        raise InputError(
            file=str(path),
            found=error.message.removeprefix("cannot be read: ").lower(),
            wanted="give a trace, a capture, packets, or CSV of frames or stores",
        ) from None
