"""Films as animated WebP without loss.

Follows: WebP container specification (RFC 9649): VP8X, ANIM and a chunk ANMF for each picture.
Pillow compresses the pictures. The container is ours: Pillow's own writer takes all pictures at
once, and a film would have to fit into memory.
"""

from __future__ import annotations

import io
import struct
from pathlib import Path

from busplay.export.film_pictures import FilmPictures
from busplay.export.stills import Stills
from busplay.whole_file import open_whole_file

_IS_ANIMATION = 0x02
_DO_NOT_BLEND = 0x02
# A RIFF file's header; what follows is the first chunk.
_RIFF_BYTES = 12
_OPAQUE_BLACK = b"\x00\x00\x00\xff"


def write_webp(pictures: FilmPictures, target: Path) -> Stills:
    """Write a film as WebP, which begins anew at its end.

    Raises:
        OutputError: the file cannot be written.
    """
    from PIL import Image

    stills = Stills(pictures, ticks_per_s=1000, ticks_most=0xFFFFFF, align_px=2)
    with open_whole_file(target) as stream:
        stream.write(b"RIFF\0\0\0\0WEBP")
        canvas = _three(pictures.width_px - 1) + _three(pictures.height_px - 1)
        stream.write(_chunk(b"VP8X", bytes([_IS_ANIMATION, 0, 0, 0]) + canvas))
        stream.write(_chunk(b"ANIM", _OPAQUE_BLACK + struct.pack("<H", 0)))
        for still in stills:
            pixels = pictures.scaled(still.picture.image())
            height, width = pixels.shape[:2]
            packed = io.BytesIO()
            image = Image.frombytes("RGB", (width, height), pixels.tobytes())
            image.save(packed, "WEBP", lossless=True)
            numbers = (still.left_px // 2, still.top_px // 2, width - 1, height - 1, still.ticks)
            head = b"".join(_three(number) for number in numbers) + bytes([_DO_NOT_BLEND])
            stream.write(_chunk(b"ANMF", head + packed.getvalue()[_RIFF_BYTES:]))
        size = stream.tell() - 8
        stream.seek(4)
        stream.write(struct.pack("<I", size))
    return stills


def _three(number: int) -> bytes:
    return number.to_bytes(3, "little")


def _chunk(kind: bytes, data: bytes) -> bytes:
    return kind + struct.pack("<I", len(data)) + data + b"\0" * (len(data) % 2)
