"""Eyes as a picture: for each wire a histogram of its changes round the moment of reading."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING
from xml.sax.saxutils import escape

from busplay.errors import OutputError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from busplay.capture.eye import LaneEye

LEFT_PX = 150
RIGHT_PX = 90
BIN_PX = 4
ROW_PX = 72
BAR_PX = 52
TOP_PX = 28
BOTTOM_PX = 30
BACKGROUND = (255, 255, 255)
BAR = (0, 90, 160)
AXIS = (120, 120, 120)
MOMENT = (190, 60, 0)
TEXT = (20, 20, 20)
TITLE = "Changes round the moment of reading (middle); height: logarithm of their number"


def write_eyes(path: Path, eyes: Sequence[LaneEye]) -> None:
    """Draw the eyes to a PNG or SVG file, told by its suffix.

    Raises:
        OutputError: the file could not be written.
    """
    if path.suffix.lower() == ".png":
        from busplay.export.png import write_png

        write_png(path, eyes_image(eyes))
        return
    beside = path.with_name(path.name + ".part")
    try:
        beside.write_text(eyes_svg(eyes), encoding="utf-8")
        beside.replace(path)
    except OSError as error:
        raise OutputError(
            file=str(path),
            found=(error.strerror or str(error)).lower(),
            wanted="give the name of a file in a folder that can be written",
        ) from error


def _size(eyes: Sequence[LaneEye]) -> tuple[int, int]:
    bins = len(eyes[0].counts) if eyes else 1
    return LEFT_PX + bins * BIN_PX + RIGHT_PX, TOP_PX + ROW_PX * len(eyes) + BOTTOM_PX


def _bars(eye: LaneEye) -> list[int]:
    """Give the height of each bin in pixels; one change still shows."""
    import numpy as np

    most = max(1, int(eye.counts.max()))
    heights = np.log1p(eye.counts) / np.log1p(most) * BAR_PX
    return [int(h) if c == 0 else max(2, int(h)) for h, c in zip(heights, eye.counts, strict=True)]


def _margin(eye: LaneEye) -> str:
    shown = ["none" if one is None else f"{one / 1000:.1f}" for one in (eye.setup_ps, eye.hold_ps)]
    return f"{shown[0]} / {shown[1]} ns"


def eyes_svg(eyes: Sequence[LaneEye]) -> str:
    """Draw the eyes as SVG."""
    width, height = _size(eyes)
    colour = {name: f"#{r:02X}{g:02X}{b:02X}" for name, (r, g, b) in _COLOURS.items()}
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}"'
        f' font-family="sans-serif" font-size="12" fill="{colour["text"]}">',
        f"<title>{escape(TITLE)}</title>",
        f'<rect width="{width}" height="{height}" fill="{colour["background"]}"/>',
        f'<text x="8" y="18">{escape(TITLE)}</text>',
    ]
    for row, eye in enumerate(eyes):
        base = TOP_PX + (row + 1) * ROW_PX - 8
        bars = len(eye.counts) * BIN_PX
        out.append(
            f'<text x="8" y="{base - 30}">{escape(eye.wire)} ({escape(eye.signal)})</text>'
            f'<text x="8" y="{base - 14}">at {eye.offset_ps / 1000:.1f} ns</text>'
            f'<text x="{LEFT_PX + bars + 6}" y="{base - 22}">{_margin(eye)}</text>'
        )
        for number, bar in enumerate(_bars(eye)):
            if bar:
                out.append(
                    f'<rect x="{LEFT_PX + number * BIN_PX}" y="{base - bar}" width="{BIN_PX}"'
                    f' height="{bar}" fill="{colour["bar"]}"/>'
                )
        out.append(
            f'<path d="M{LEFT_PX} {base}h{bars}" stroke="{colour["axis"]}"/>'
            f'<path d="M{LEFT_PX + bars // 2} {base - BAR_PX}v{BAR_PX}"'
            f' stroke="{colour["moment"]}" stroke-dasharray="3 2"/>'
        )
    for text, x in _axis(eyes):
        out.append(f'<text x="{x}" y="{height - 10}" text-anchor="middle">{text}</text>')
    return "\n".join([*out, "</svg>"]) + "\n"


def eyes_image(eyes: Sequence[LaneEye]) -> NDArray[np.uint8]:
    """Draw the eyes as uint8[rows, columns, 3]."""
    import os

    import numpy as np

    os.environ.setdefault("PYGAME_HIDE_SUPPORT_PROMPT", "1")
    import pygame

    pygame.font.init()
    font = pygame.font.Font(None, 17)
    width, height = _size(eyes)
    surface = pygame.Surface((width, height))
    surface.fill(BACKGROUND)

    def write(text: str, x: int, y: int) -> None:
        surface.blit(font.render(text, True, TEXT), (x, y))

    write(TITLE, 8, 8)
    for row, eye in enumerate(eyes):
        base = TOP_PX + (row + 1) * ROW_PX - 8
        bars = len(eye.counts) * BIN_PX
        write(f"{eye.wire} ({eye.signal})"[:26], 8, base - 42)
        write(f"at {eye.offset_ps / 1000:.1f} ns", 8, base - 26)
        write(_margin(eye), LEFT_PX + bars + 6, base - 34)
        for number, bar in enumerate(_bars(eye)):
            surface.fill(BAR, (LEFT_PX + number * BIN_PX, base - bar, BIN_PX, bar))
        surface.fill(AXIS, (LEFT_PX, base, bars, 1))
        surface.fill(MOMENT, (LEFT_PX + bars // 2, base - BAR_PX, 1, BAR_PX))
    for text, x in _axis(eyes):
        write(text, x - font.size(text)[0] // 2, height - 22)
    image = np.frombuffer(pygame.image.tobytes(surface, "RGB"), np.uint8)
    return image.reshape(height, width, 3)


def _axis(eyes: Sequence[LaneEye]) -> list[tuple[str, int]]:
    if not eyes:
        return []
    bars = len(eyes[0].counts) * BIN_PX
    half = eyes[0].period_ps / 2000
    return [
        (f"{place * half:+.1f} ns" if place else "0", LEFT_PX + round((1 + place) * bars / 2))
        for place in (-1, -0.5, 0, 0.5, 1)
    ]


_COLOURS = {
    "background": BACKGROUND,
    "bar": BAR,
    "axis": AXIS,
    "moment": MOMENT,
    "text": TEXT,
}
