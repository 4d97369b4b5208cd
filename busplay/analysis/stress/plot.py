"""Draw sweeps: the share that gets lost against each figure, with its 95 % band."""

from __future__ import annotations

from collections.abc import Sequence
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any

from busplay.analysis.explore_plot import require_matplotlib
from busplay.analysis.stress.points import TITLES, Figure
from busplay.analysis.stress.trials import PointResult

if TYPE_CHECKING:
    from matplotlib.axes import Axes

LOGARITHMIC = {Figure.BER, Figure.LOST_EDGES}
PANEL_INCHES = (4.8, 3.4)
DOTS_PER_INCH = 150
COLOUR = "#0072B2"
EVEN_SPAN = 30


def plot_sweeps(results: Sequence[PointResult], path: Path, *, title: str) -> bytes:
    """Draw one panel a figure and return the picture's bytes, in the format of the suffix.

    Raises:
        BusplayError: Matplotlib is missing.
    """
    require_matplotlib()
    from matplotlib import rc_context
    from matplotlib.figure import Figure as Picture

    swept = [figure for figure in Figure if any(one.figure is figure for one in results)]
    columns = min(2, max(1, len(swept)))
    rows = max(1, -(-len(swept) // columns))
    picture = Picture(
        figsize=(PANEL_INCHES[0] * columns, PANEL_INCHES[1] * rows), layout="constrained"
    )
    picture.suptitle(title)
    for place, figure in enumerate(swept, start=1):
        axes = picture.add_subplot(rows, columns, place)
        _draw(axes, figure, [one for one in results if one.figure is figure])
    content = BytesIO()
    # A fixed salt and no date: the same results make the same picture.
    metadata: dict[str, Any] = {"Date": None} if path.suffix.lower() == ".svg" else {}
    with rc_context({"svg.hashsalt": "busplay"}):
        picture.savefig(
            content, format=path.suffix.lower().lstrip("."), dpi=DOTS_PER_INCH, metadata=metadata
        )
    return content.getvalue()


def _draw(axes: Axes, figure: Figure, results: Sequence[PointResult]) -> None:
    values = [float(one.value or 0) for one in results]
    axes.fill_between(
        values,
        [one.low_ratio for one in results],
        [one.high_ratio for one in results],
        color=COLOUR,
        alpha=0.25,
        linewidth=0,
        label="95 % interval",
    )
    axes.plot(values, [one.loss_ratio for one in results], "o-", color=COLOUR, label="lost")
    if figure in LOGARITHMIC and min(values, default=0) > 0:
        axes.set_xscale("log")
    if figure is Figure.FIFO_DEPTH:
        axes.set_xscale("log", base=2)
        axes.xaxis.set_major_formatter("{x:,.0f}")
    most = max((one.high_ratio for one in results), default=0)
    least = min((one.loss_ratio for one in results if one.loss_ratio > 0), default=1.0)
    # Whatever spans little is easier to read on an even scale; 0 has a place on either.
    if most > EVEN_SPAN * least:
        axes.set_yscale("symlog", linthresh=least, linscale=0.5)
        axes.set_ylim(bottom=0, top=most * 1.6)
    else:
        axes.set_ylim(bottom=0, top=most * 1.08 or 1.0)
    axes.set_xlabel(TITLES[figure])
    axes.set_ylabel("share of frames lost")
    if figure in (Figure.SERVICE_NS, Figure.BUSY_NS):
        axes.xaxis.set_major_formatter("{x:,.0f}")
    axes.grid(visible=True, alpha=0.3)
    axes.legend(loc="best", fontsize="small")
