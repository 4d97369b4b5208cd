"""Films as GIF.

Follows: GIF89a: graphic control extension, image descriptor with a colour table of its own. The
number of repetitions is the application extension NETSCAPE2.0, from memory.
Each still has a table of its own colours, so none is ever lost; Pillow compresses the indices.
"""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np

from busplay.errors import InputError
from busplay.export.film_pictures import FilmPictures
from busplay.export.stills import Still, Stills
from busplay.formats.quantities import time_text
from busplay.whole_file import open_whole_file

COLOURS_MOST = 256
_FOREVER = b"!\xff\x0bNETSCAPE2.0\x03\x01\x00\x00\x00"
# The next picture is drawn over this one.
_KEEP = 1 << 2


def write_gif(pictures: FilmPictures, target: Path) -> Stills:
    """Write a film as GIF, which begins anew at its end.

    Raises:
        InputError: a picture has more than 256 colours.
        OutputError: the file cannot be written.
    """
    stills = Stills(pictures, ticks_per_s=100, ticks_most=0xFFFF)
    with open_whole_file(target) as stream:
        size = struct.pack("<HH", pictures.width_px, pictures.height_px)
        stream.write(b"GIF89a" + size + b"\x70\x00\x00" + _FOREVER)
        for still in stills:
            stream.write(struct.pack("<2sBBHBB", b"!\xf9", 4, _KEEP, still.ticks, 0, 0))
            stream.write(_image(still, pictures, target))
        stream.write(b";")
    return stills


def _image(still: Still, pictures: FilmPictures, target: Path) -> bytes:
    """Return a still's descriptor, colour table and compressed indices."""
    from PIL import GifImagePlugin, Image

    picture = still.picture.compact()
    if len(picture.palette) > COLOURS_MOST:
        raise InputError(
            file=str(target),
            found=f"{len(picture.palette)} colours in the picture at {time_text(still.time_ps)}",
            wanted=f"a picture of a GIF has up to {COLOURS_MOST}: name an .apng or .webp, or give"
            " --unit",
        )
    pixels = pictures.scaled(picture.indices.astype(np.uint8))
    image = Image.frombytes("P", (pixels.shape[1], pixels.shape[0]), pixels.tobytes())
    image.putpalette(picture.palette.tobytes())
    place = still.left_px, still.top_px
    return b"".join(GifImagePlugin.getdata(image, place, include_color_table=True))
