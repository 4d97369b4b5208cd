"""A trace as a film: one picture for each refresh of the board, in the form of the file's suffix.

Pictures come from `film_pictures` one at a time and are written at once, so a film of any length
takes the memory of a few. Those of a GIF, APNG or WebP go through `stills`, and their colours are
exact; a video's are compressed with losses.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from importlib.util import find_spec
from pathlib import Path

from busplay.analysis.flashes import SCREEN_PX, FlashReport
from busplay.errors import InputError
from busplay.export.film_pictures import FilmPictures
from busplay.export.stills import Stills
from busplay.run.replay import Replay

VIDEO_SUFFIXES = (".mp4", ".webm")
FILM_SUFFIXES = (".gif", ".apng", ".webp", *VIDEO_SUFFIXES)

# What writes a form, as a module and for people; the others need nothing more.
_WRITTEN_BY = {
    ".gif": ("PIL", "Pillow"),
    ".webp": ("PIL", "Pillow"),
    ".mp4": ("imageio_ffmpeg", "imageio-ffmpeg"),
    ".webm": ("imageio_ffmpeg", "imageio-ffmpeg"),
}
# Width and height that a form, or what writes it, can hold.
_SIDE_MOST_PX = {".gif": 65_535, ".webp": 16_383, ".mp4": 16_384, ".webm": 16_384}


@dataclass(frozen=True, slots=True)
class FilmReport:
    """A film that was written.

    Attributes:
        width_px, height_px: size of its pictures.
        refresh_hz: the board's refreshes in a second.
        refreshes: the board's refreshes that it covers, each a picture.
        pictures: pictures that it stores; in GIF, APNG and WebP, equal ones in a row are one.
        left_out: pictures that would stand for less than the form's unit of time.
        brief: pictures of a GIF that stand for 1/100 s, which browsers show for 1/10 s.
        duration_s: how long it lasts.
        flashes: flashes in it, its pictures being shown on a screen of 1024 by 768 pixels.
    """

    width_px: int
    height_px: int
    refresh_hz: int
    refreshes: int
    pictures: int
    left_out: int
    brief: int
    duration_s: Fraction
    flashes: FlashReport


def require_can_film(target: Path) -> None:
    """Refuse a film that cannot be written for want of a package.

    Raises:
        InputError: it is not installed; names the extra that brings it.
    """
    suffix = target.suffix.lower()
    module, name = _WRITTEN_BY.get(suffix, ("", ""))
    if module and find_spec(module) is None:
        raise InputError(
            file=str(target),
            found=f"no {name}, which writes {suffix}",
            wanted="name an .apng file, or install it with: pip install 'busplay[film]'",
        )


def write_film(
    trace: Path,
    target: Path,
    *,
    unit: str | None = None,
    scale: int | None = None,
    from_ps: int | None = None,
    to_ps: int | None = None,
    screen_px: tuple[int, int] = SCREEN_PX,
    progress: Callable[[int, int], None] | None = None,
) -> FilmReport:
    """Write a trace as a film.

    Args:
        trace: a trace with a board.
        target: `.gif`, `.apng`, `.webp`, `.mp4`, `.webm`, or `.png` with a number such as `%05d`
            in its name for one file a picture.
        unit: this unit alone; None: all, side by side as in the window.
        scale: side of a pixel's square; None: 2 for videos, 1 for others.
        from_ps: leave out what is earlier.
        to_ps: leave out this time and what is later.
        screen_px: size of the screen on which flashes are looked at.
        progress: called with how many pictures are done, and of how many.

    Raises:
        InputError: the trace is damaged or has no such unit, no refresh is in the part, the form
            cannot hold its colours or its size, or a package is missing.
        OutputError: the film cannot be written; what was there before is still there.
    """
    suffix = target.suffix.lower()
    is_video = suffix in VIDEO_SUFFIXES
    require_can_film(target)
    with Replay(trace) as replay:
        pictures = FilmPictures(
            replay,
            unit=unit,
            scale=scale or (2 if is_video else 1),
            from_ps=from_ps,
            to_ps=to_ps,
            screen_px=screen_px,
            progress=progress,
        )
        _require_size(pictures, target)
        stills = _write(pictures, target, suffix)
    return FilmReport(
        width_px=pictures.width_px + (pictures.width_px % 2 if is_video else 0),
        height_px=pictures.height_px + (pictures.height_px % 2 if is_video else 0),
        refresh_hz=pictures.rate_hz,
        refreshes=len(pictures),
        pictures=len(pictures) if stills is None else stills.count,
        left_out=0 if stills is None else stills.left_out,
        brief=stills.brief if stills is not None and suffix == ".gif" else 0,
        duration_s=Fraction(len(pictures), pictures.rate_hz)
        if stills is None
        else stills.duration_s,
        flashes=pictures.meter.report(),
    )


def _write(pictures: FilmPictures, target: Path, suffix: str) -> Stills | None:
    """Write it by the module of its form."""
    if suffix == ".gif":
        from busplay.export.gif import write_gif

        return write_gif(pictures, target)
    if suffix == ".apng":
        from busplay.export.apng import write_apng

        return write_apng(pictures, target)
    if suffix == ".webp":
        from busplay.export.webp import write_webp

        return write_webp(pictures, target)
    if suffix in VIDEO_SUFFIXES:
        from busplay.export.video import write_video

        write_video(pictures, target)
    else:
        from busplay.export.png_sequence import write_png_sequence

        write_png_sequence(pictures, target)
    return None


def _require_size(pictures: FilmPictures, target: Path) -> None:
    width, height = pictures.width_px, pictures.height_px
    most = _SIDE_MOST_PX.get(target.suffix.lower())
    if most is not None and max(width, height) > most:
        raise InputError(
            file=str(target),
            found=f"pictures of {width:,} by {height:,} pixels",
            wanted=f"it holds up to {most:,}: give a smaller --scale, or --unit",
        )
