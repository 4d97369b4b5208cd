"""Draw what a search found: pins against slot time, the Pareto front in colour, the rest in grey.

Colours mark the checks, in a set that colour-blind people can distinguish (Okabe and Ito's, from
memory), and shapes the framings, so a print in grey still shows half of it.
"""

from __future__ import annotations

from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING

from busplay.analysis.explore import SHORT_NAMES, Exploration, LinkCandidate
from busplay.analysis.explore_links import FRAMING_CHOICES
from busplay.errors import BusplayError
from busplay.wording import hertz

if TYPE_CHECKING:
    from matplotlib.axes import Axes

COLOURS = {
    "none": "#666666",
    "parity_odd": "#E69F00",
    "crc4_g704": "#56B4E9",
    "crc5_usb": "#0072B2",
    "hec_i432": "#009E73",
}
SHAPES = {"strobe": "o", "select": "s", "marker": "^", "check": "D"}
SIZE_INCHES = (9.6, 6.0)
# Links of each clock have a panel of their own, which makes the picture so much higher.
CLOCK_INCHES = 3.6
DOTS_PER_INCH = 150
BEHIND = "#D0D0D0"


def require_matplotlib() -> None:
    """Refuse to draw where Matplotlib is not installed, before anything is computed.

    Raises:
        BusplayError: it is missing; names the extra that brings it.
    """
    try:
        import matplotlib  # noqa: F401
    except ImportError as error:
        raise BusplayError(
            "--plot needs Matplotlib; install it with: pip install 'busplay[analysis]'"
        ) from error


def plot_front(found: Exploration, path: Path, *, title: str) -> bytes:
    """Draw the front and return the picture's bytes, in the format that the path's suffix names.

    Args:
        found: what the search found.
        path: only its suffix, .png or .svg, is used.
        title: stands above.
    """
    from matplotlib import rc_context
    from matplotlib.figure import Figure
    from matplotlib.lines import Line2D
    from matplotlib.ticker import MultipleLocator

    everything = (*found.front, *found.others)
    clocks = sorted({one.clock_hz for one in everything})
    size = SIZE_INCHES[0], SIZE_INCHES[1] + CLOCK_INCHES * (len(clocks) - 1)
    # A fixed salt and no date: the same search makes the same file.
    with rc_context({"svg.hashsalt": "busplay", "font.size": 10}):
        figure = Figure(figsize=size, dpi=DOTS_PER_INCH, layout="constrained")
        figure.suptitle(title, x=0.01, ha="left")
        panels = figure.subplots(len(clocks), 1, sharex=True, sharey=True, squeeze=False)[:, 0]
        for clock_hz, axes in zip(clocks, panels, strict=True):
            for candidates, behind in ((found.others, True), (found.front, False)):
                for one in candidates:
                    if one.clock_hz == clock_hz:
                        _draw(axes, one, behind=behind)
            axes.set_title(f"clock {hertz(clock_hz)}", loc="left", fontsize=10)
            axes.set_ylabel("slot: processor cycles")
            axes.grid(axis="y", color="#DDDDDD")
        panels[-1].set_xlabel("pins (clock, lanes, strobe or select; ground on top)")
        panels[-1].xaxis.set_major_locator(MultipleLocator(1))
        kinds: list[tuple[str, str, str]] = []
        kinds += [(SHAPES[name], "#333333", name) for name in FRAMING_CHOICES]
        kinds += [("o", COLOURS[name], f"check: {SHORT_NAMES[name]}") for name in COLOURS]
        kinds.append(("o", BEHIND, "not on the Pareto front"))
        handles = [
            Line2D([], [], linestyle="", marker=shape, color=colour, label=label)
            for shape, colour, label in kinds
        ]
        hollow = Line2D([], [], linestyle="", marker="o", color="#333333", label="one edge")
        hollow.set_markerfacecolor("white")
        figure.legend(handles=[*handles, hollow], loc="outside lower center", ncols=4, fontsize=9)
        out = BytesIO()
        kind = path.suffix.lower().removeprefix(".")
        metadata = {"Date": None} if kind == "svg" else {"Software": None}
        figure.savefig(out, format=kind, metadata=metadata)
        return out.getvalue()


def _draw(axes: Axes, one: LinkCandidate, *, behind: bool) -> None:
    """Draw a link; each pair of framing and check has its own place beside a number of pins."""
    kinds = [(framing, check) for framing in FRAMING_CHOICES for check in COLOURS]
    aside = kinds.index((one.framing, one.check)) / len(kinds) - 0.5
    colour = BEHIND if behind else COLOURS[one.check]
    axes.scatter(
        [one.pins + 0.8 * aside],
        [float(one.slot_cycles)],
        marker=SHAPES[one.framing],
        facecolors=colour if one.edges == "both" else "white",
        edgecolors=colour,
        s=22 if behind else 46,
        zorder=2 if behind else 4,
    )
