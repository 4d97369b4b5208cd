"""Films as MP4 (H.264) and WebM (VP9), compressed with losses by ffmpeg.

Both keep one colour for two by two pixels of the video, as players ask for, so at an even scale
each pixel of a unit keeps its own. Colours are those of ITU-R BT.709, and said to be.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from busplay.display.arrangement import GAP_RGB
from busplay.errors import OutputError
from busplay.export.film_pictures import FilmPictures
from busplay.whole_file import no_way_to_write, place_beside

# A pixel's colour is the mean of its own square: ffmpeg's usual filter takes some of the next
# pixel's, and the mean square error is then seven times as high.
_COLOURS = [
    "-vf", "scale=out_color_matrix=bt709:out_range=tv:flags=area",
    "-colorspace", "bt709", "-color_primaries", "bt709", "-color_trc", "bt709",
    "-color_range", "tv",
]  # fmt: skip
# Quality: what flat colours and hard edges need to come out clean.
_CODECS = {
    ".mp4": (
        "libx264",
        ["-f", "mp4", "-preset", "medium", "-tune", "animation", "-crf", "12",
         "-movflags", "+faststart"],
    ),
    ".webm": (
        "libvpx-vp9",
        ["-f", "webm", "-crf", "15", "-b:v", "0", "-deadline", "good", "-cpu-used", "4",
         "-row-mt", "1"],
    ),
}  # fmt: skip


def write_video(pictures: FilmPictures, target: Path) -> None:
    """Write a film as video; a picture of odd width or height gets a row or a column more.

    Raises:
        OutputError: the file cannot be written.
    """
    import imageio_ffmpeg

    codec, options = _CODECS[target.suffix.lower()]
    height, width = (side + side % 2 for side in (pictures.height_px, pictures.width_px))
    frame = np.empty((height, width, 3), np.uint8)
    frame[:] = GAP_RGB
    try:
        with place_beside(target) as beside:
            film = imageio_ffmpeg.write_frames(
                str(beside),
                (width, height),
                fps=pictures.rate_hz,
                codec=codec,
                quality=None,
                macro_block_size=2,
                ffmpeg_log_level="quiet",
                output_params=[*options, *_COLOURS],
            )
            film.send(None)
            try:
                for picture in pictures:
                    frame[: pictures.height_px, : pictures.width_px] = pictures.scaled(
                        picture.image()
                    )
                    film.send(frame)
            finally:
                film.close()
            _require_whole(beside, target, len(pictures))
    except OSError as error:
        raise no_way_to_write(target, error) from error


def _require_whole(beside: Path, target: Path, count: int) -> None:
    """Refuse a video that lacks pictures: ffmpeg's own errors go unheard."""
    import imageio_ffmpeg

    try:
        written, _ = imageio_ffmpeg.count_frames_and_secs(str(beside))
    except RuntimeError:
        written = 0
    if written != count:
        raise OutputError(
            file=str(target),
            found=f"{written:,} of {count:,} pictures that ffmpeg wrote",
            wanted="give a place with more room, or another form, such as .apng",
        )
