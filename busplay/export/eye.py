"""Eyes as a picture: for each wire a histogram of its changes round the moment of reading.

One list of boxes and texts is drawn twice, as SVG and as pixels, so both show the same.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Literal
from xml.sax.saxutils import escape

from busplay.errors import InputError
from busplay.whole_file import write_whole_file

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from busplay.capture.eye import LaneEye

LEFT_PX = 170
RIGHT_PX = 170
BIN_PX = 3
ROW_PX = 84
BAR_PX = 58
TOP_PX = 64
BOTTOM_PX = 52
NAME_CHARACTERS = 22

Colour = tuple[int, int, int]
Anchor = Literal["start", "middle", "end"]
BACKGROUND: Colour = (255, 255, 255)
OPEN: Colour = (222, 240, 226)
BAR: Colour = (0, 90, 160)
AXIS: Colour = (130, 130, 130)
MOMENT: Colour = (190, 60, 0)
TEXT: Colour = (20, 20, 20)
QUIET: Colour = (95, 95, 95)

EXPLAINED = (
    "How often each wire changes, by the time from the moment at which it is read (the line);"
    " heights are logarithmic."
)
SHADED = "Shaded: open but for one change in a thousand."


@dataclass(frozen=True, slots=True)
class PlotBox:
    """A filled rectangle, in pixels."""

    x: int
    y: int
    width: int
    height: int
    colour: Colour


@dataclass(frozen=True, slots=True)
class PlotText:
    """A line of text; y is its base line, x its start, middle or end."""

    x: int
    y: int
    text: str
    size: int = 13
    colour: Colour = TEXT
    anchor: Anchor = "start"


def write_eyes(path: Path, eyes: Sequence[LaneEye], *, title: str = "") -> None:
    """Draw the eyes to a PNG or SVG file, told by its suffix.

    Raises:
        OutputError: the file could not be written.
    """
    if path.suffix.lower() == ".png":
        from busplay.png import write_png

        write_png(path, eyes_image(eyes, title=title))
        return
    write_whole_file(path, eyes_svg(eyes, title=title).encode())


def eyes_svg(eyes: Sequence[LaneEye], *, title: str = "") -> str:
    """Draw the eyes as SVG."""
    width, height = eyes_size_px(eyes)
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}"'
        f' viewBox="0 0 {width} {height}" font-family="sans-serif" stroke="none">',
        f"<title>{escape(title or EXPLAINED)}</title>",
        f'<rect width="{width}" height="{height}" fill="{_hex(BACKGROUND)}"/>',
    ]
    for part in _parts(eyes, title):
        if isinstance(part, PlotBox):
            out.append(
                f'<rect x="{part.x}" y="{part.y}" width="{part.width}" height="{part.height}"'
                f' fill="{_hex(part.colour)}"/>'
            )
        else:
            out.append(
                f'<text x="{part.x}" y="{part.y}" font-size="{part.size}"'
                f' fill="{_hex(part.colour)}" text-anchor="{part.anchor}">'
                f"{escape(part.text)}</text>"
            )
    return "\n".join([*out, "</svg>"]) + "\n"


def require_can_draw(path: Path) -> None:
    """Refuse a PNG where Matplotlib, which sets its texts, is not installed.

    Raises:
        InputError: it is missing; names the extra that brings it.
    """
    if path.suffix.lower() != ".png" or find_spec("matplotlib") is not None:
        return
    raise InputError(
        file=str(path),
        found="no Matplotlib, which draws eyes as PNG",
        wanted="name an .svg file, or install it with: pip install 'busplay[analysis]'",
    )


def eyes_image(eyes: Sequence[LaneEye], *, title: str = "") -> NDArray[np.uint8]:
    """Draw the eyes as uint8[rows, columns, 3]; needs Matplotlib."""
    import numpy as np
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure
    from matplotlib.patches import Rectangle

    width, height = eyes_size_px(eyes)
    # 72 dots an inch: a point is a pixel, so sizes are those of the SVG.
    figure = Figure(figsize=(width / 72, height / 72), dpi=72)
    canvas = FigureCanvasAgg(figure)
    anchors: dict[Anchor, Literal["left", "center", "right"]] = {
        "start": "left",
        "middle": "center",
        "end": "right",
    }
    for part in _parts(eyes, title):
        colour = _hex(part.colour)
        if isinstance(part, PlotBox):
            corner = (part.x, height - part.y - part.height)
            figure.add_artist(
                Rectangle(corner, part.width, part.height, color=colour, linewidth=0,
                          antialiased=False, transform=None)
            )  # fmt: skip
        else:
            figure.text(
                part.x / width, 1 - part.y / height, part.text, fontsize=part.size, color=colour,
                ha=anchors[part.anchor], va="baseline", parse_math=False,
            )  # fmt: skip
    canvas.draw()  # type: ignore[no-untyped-call]
    return np.asarray(canvas.buffer_rgba(), np.uint8)[:, :, :3]  # type: ignore[no-untyped-call]


def eyes_size_px(eyes: Sequence[LaneEye]) -> tuple[int, int]:
    """Return width and height of the picture."""
    return LEFT_PX + _bars_px(eyes) + RIGHT_PX, TOP_PX + ROW_PX * len(eyes) + BOTTOM_PX


def _bars_px(eyes: Sequence[LaneEye]) -> int:
    return len(eyes[0].histogram) * BIN_PX if eyes else 0


def _parts(eyes: Sequence[LaneEye], title: str) -> Iterator[PlotBox | PlotText]:
    """Return what is drawn, what is covered first."""
    yield PlotText(12, 24, title or "Eyes", 17)
    yield PlotText(12, 44, EXPLAINED, 12, QUIET)
    for row, eye in enumerate(eyes):
        yield from _row(eye, TOP_PX + (row + 1) * ROW_PX - 10)
    if not eyes:
        return
    base = TOP_PX + ROW_PX * len(eyes) - 10
    period = eyes[0].period_ps / 1000
    for quarter in range(5):
        x = LEFT_PX + _bars_px(eyes) * quarter // 4
        away = (quarter - 2) / 2 * period
        yield PlotBox(min(x, LEFT_PX + _bars_px(eyes) - 1), base, 1, 6, AXIS)
        yield PlotText(x, base + 20, f"{away:+.1f} ns" if away else "0", 12, TEXT, "middle")
    yield PlotBox(12, base + 30, 12, 10, OPEN)
    yield PlotText(30, base + 39, SHADED, 12, QUIET)


def _row(eye: LaneEye, base: int) -> Iterator[PlotBox | PlotText]:
    bars_px = len(eye.histogram) * BIN_PX
    middle = LEFT_PX + bars_px // 2
    has_changes = bool(eye.histogram.any())
    if has_changes:
        first = middle - _margin_px(eye, eye.usual_setup_ps)
        stop = middle + _margin_px(eye, eye.usual_hold_ps)
        yield PlotBox(first, base - BAR_PX, stop - first, BAR_PX, OPEN)
    signal = eye.signal if len(eye.signal) <= NAME_CHARACTERS else f"…{eye.signal[-21:]}"
    yield PlotText(12, base - 40, eye.wire, 13)
    yield PlotText(12, base - 23, signal, 12, QUIET)
    yield PlotText(12, base - 7, f"read at {eye.sample_at_ps / 1000:+.2f} ns", 12, QUIET)
    right = LEFT_PX + bars_px + 14
    if has_changes:
        usual = f"{_ns(eye, eye.usual_setup_ps)} + {_ns(eye, eye.usual_hold_ps)} ns"
        least = f"{_ns(eye, eye.setup_ps)} + {_ns(eye, eye.hold_ps)} ns"
        yield PlotText(right, base - 40, "setup + hold", 12, QUIET)
        yield PlotText(right, base - 23, f"usual {usual}", 12)
        yield PlotText(right, base - 7, f"least {least}", 12)
    else:
        yield PlotText(right, base - 23, "never changes", 12, QUIET)
    for number, bar in enumerate(_bars(eye)):
        if bar:
            yield PlotBox(LEFT_PX + number * BIN_PX, base - bar, BIN_PX, bar, BAR)
    yield PlotBox(LEFT_PX, base, bars_px, 1, AXIS)
    yield PlotBox(middle, base - BAR_PX, 1, BAR_PX, MOMENT)


def _margin_px(eye: LaneEye, margin_ps: int | None) -> int:
    half_px = len(eye.histogram) * BIN_PX // 2
    return half_px if margin_ps is None else margin_ps * half_px // eye.period_ps


def _bars(eye: LaneEye) -> list[int]:
    """Return the height of each bin in pixels; one change still shows."""
    import numpy as np

    most = max(1, int(eye.histogram.max()))
    heights = np.log1p(eye.histogram) / np.log1p(most) * BAR_PX
    return [
        int(h) if c == 0 else max(3, int(h)) for h, c in zip(heights, eye.histogram, strict=True)
    ]


def _ns(eye: LaneEye, margin_ps: int | None) -> str:
    return f">{eye.period_ps / 1000:.1f}" if margin_ps is None else f"{margin_ps / 1000:.1f}"


def _hex(colour: Colour) -> str:
    return "#{:02X}{:02X}{:02X}".format(*colour)
