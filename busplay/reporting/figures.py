"""The figures of a report, drawn by Matplotlib as SVG.

Colours are Okabe and Ito's (from memory), which colour-blind people tell apart, and each series has
a shape or hatch of its own, so that a print in grey shows it too. Letters are paths: they look and
print alike everywhere. A fixed salt and no date: the same report makes the same file. A name is
never taken as a formula (`_plain`).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from io import BytesIO
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from busplay.history.timeline import Timeline
from busplay.png import encode_png
from busplay.reporting.page import ReportFigure, data_address

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

BLUE, ORANGE, GREEN, RED, PURPLE = "#0072B2", "#E69F00", "#009E73", "#D55E00", "#CC79A7"
SERIES = ((RED, "////"), (ORANGE, "\\\\\\\\"), (BLUE, "...."), (GREEN, "xxxx"), (PURPLE, "----"))
WIDTH_INCHES = 8.6
PX_PER_INCH = 96
SCREEN_WIDTH_PX = 512
# Addresses that have a bar each, and that a note names.
BARS_MOST = 12
BARS_NAMED = 3
# One panel of `plot_sweeps`.
SWEEP_PX = (461, 326)


@contextmanager
def drawing() -> Iterator[None]:
    """Set Matplotlib to draw reports."""
    from matplotlib import rc_context

    with rc_context(
        {
            "svg.hashsalt": "busplay",
            "svg.fonttype": "path",
            "font.family": ["DejaVu Sans"],
            "font.size": 9,
            "axes.spines.top": False,
            "axes.spines.right": False,
            "axes.axisbelow": True,
            "hatch.linewidth": 0.7,
        }
    ):
        yield


def figure_of(drawn: Figure, *, title: str, alt: str, note: str = "") -> ReportFigure:
    """Return a Matplotlib figure as one of a page."""
    out = BytesIO()
    drawn.savefig(out, format="svg", metadata={"Date": None, "Creator": "busplay"})
    width, height = drawn.get_size_inches().tolist()
    return ReportFigure(
        title=title,
        source=data_address("image/svg+xml", out.getvalue()),
        alt=alt,
        note=note,
        width_px=round(width * PX_PER_INCH),
        height_px=round(height * PX_PER_INCH),
    )


def screen_figure(
    image: NDArray[np.uint8], *, title: str, alt: str, note: str = ""
) -> ReportFigure:
    """Return a picture of a screen; its pixels become whole squares.

    Args:
        image: uint8[rows, columns, 3].
        title, alt, note: of the figure.
    """
    height, width = image.shape[:2]
    scale = max(1, SCREEN_WIDTH_PX // width)
    large = np.repeat(np.repeat(image, scale, axis=0), scale, axis=1)
    return ReportFigure(
        title=title,
        source=data_address("image/png", encode_png(large)),
        alt=alt,
        note=note,
        width_px=width * scale,
        height_px=height * scale,
        is_screen=True,
    )


def draw_time(
    line: Timeline,
    edges_per_second: int,
    *,
    losses: Mapping[str, NDArray[np.int64]],
    fifo_depth: int | None,
    moments_s: Sequence[tuple[float, str]] = (),
) -> ReportFigure:
    """Draw link use, changed bytes, FIFO filling and losses over time, one panel each.

    Args:
        line: of the whole recording.
        edges_per_second: link edges in a second.
        losses: int64[columns] by cause; panels of what never happened are left out.
        fifo_depth: receiver FIFO depth; None: it cannot lose any.
        moments_s: seconds, and letters, of moments to mark.
    """
    from matplotlib.figure import Figure as Picture

    seconds = line.edges / edges_per_second
    use = 100 * np.minimum(line.frames / np.maximum(line.slots, 1), 1.0)
    panels = ["use", "changed"]
    panels += ["fifo"] if fifo_depth is not None and line.fifo_high_water.any() else []
    panels += ["losses"] if losses else []
    with drawing():
        picture = Picture(figsize=(WIDTH_INCHES, 0.5 + 1.35 * len(panels)), layout="constrained")
        axes = dict(
            zip(panels, picture.subplots(len(panels), 1, sharex=True, squeeze=False)[:, 0],
                strict=True)
        )  # fmt: skip
        _steps(axes["use"], seconds, use, colour=BLUE)
        axes["use"].set_ylabel("link use, %")
        axes["use"].set_ylim(0, max(5.0, min(100.0, 1.15 * float(use.max(initial=0)))))
        for at_s, letter in moments_s:
            axes["use"].annotate(
                letter, (at_s, 1), xycoords=("data", "axes fraction"), ha="center", va="bottom",
                fontweight="bold", annotation_clip=False,
            )  # fmt: skip
            axes["use"].axvline(at_s, color="#474747", linewidth=0.8, linestyle=":")
        keys = np.flatnonzero(line.keys)
        if len(keys):
            middle = (seconds[keys] + seconds[keys + 1]) / 2
            axes["use"].plot(middle, np.zeros(len(keys)), "k^", clip_on=False, label="keys")
            axes["use"].legend(loc="upper right", fontsize="small")
        widths = np.maximum(np.diff(seconds), 1e-12)
        _steps(axes["changed"], seconds, line.changed_bytes / widths / 1e3, colour=GREEN)
        axes["changed"].set_ylabel("changed bytes,\nthousands a s")
        axes["changed"].set_ylim(bottom=0)
        if "fifo" in axes and fifo_depth is not None:
            _steps(axes["fifo"], seconds, line.fifo_high_water, colour=ORANGE)
            axes["fifo"].axhline(fifo_depth, color="#1a1a1a", linewidth=1, linestyle="--")
            axes["fifo"].set_ylabel("most frames in\nthe receiver FIFO")
            axes["fifo"].set_ylim(0, 1.15 * fifo_depth)
        if losses:
            _stacked(axes["losses"], seconds, losses)
            axes["losses"].set_ylabel("lost or damaged")
        for one in axes.values():
            one.grid(axis="y", color="#dddddd")
            one.margins(x=0)
        axes[panels[-1]].set_xlabel("time, s")
        busiest = int(use.argmax())
        alt = (
            f"Link use over {seconds[-1]:.3g} s: {use.mean():.1f} % in the mean, at most"
            f" {use[busiest]:.1f} % of a part, at {seconds[busiest]:.3g} s."
        )
        if fifo_depth is not None and "fifo" in axes:
            alt += f" The receiver FIFO held at most {int(line.fifo_high_water.max())} frames."
        for cause, counts in losses.items():
            alt += f" {int(counts.sum()):,} {cause}."
        note = f"Each step is {_span_text(seconds)}."
        if "fifo" in axes:
            note += " The dashed line is the FIFO's depth."
        if moments_s:
            note += " Letters mark the screens above."
        return figure_of(picture, title="The link over time", alt=alt, note=note)


def _span_text(seconds: NDArray[np.float64]) -> str:
    step = float(seconds[-1] - seconds[0]) / max(1, len(seconds) - 1)
    if step >= 1:
        return f"{step:.3g} s"
    return f"{step * 1e3:.3g} ms" if step >= 1e-3 else f"{step * 1e6:.3g} us"


def _steps(
    axes: Axes, edges: NDArray[np.float64], values: NDArray[np.float64] | NDArray[np.int64],
    *, colour: str,
) -> None:  # fmt: skip
    axes.stairs(values, edges, fill=True, color=colour, alpha=0.45)
    axes.stairs(values, edges, color=colour, linewidth=1)


def _stacked(
    axes: Axes, edges: NDArray[np.float64], parts: Mapping[str, NDArray[np.int64]]
) -> None:
    """Draw counts on top of each other, with a hatch for each."""
    below = np.zeros(len(edges) - 1, np.int64)
    for index, (name, counts) in enumerate(parts.items()):
        colour, hatch = SERIES[index % len(SERIES)]
        axes.stairs(
            below + counts, edges, baseline=below, fill=True, facecolor=colour, edgecolor="#1a1a1a",
            hatch=hatch, linewidth=0.4, label=f"{name}: {int(counts.sum()):,}",
        )  # fmt: skip
        below = below + counts
    axes.set_ylim(bottom=0, top=max(1.0, 1.1 * float(below.max())))
    axes.legend(loc="upper left", fontsize="small", framealpha=0.9)


def draw_counts(
    edges: NDArray[np.float64],
    parts: Mapping[str, NDArray[np.int64]],
    *,
    title: str,
    label: str,
) -> ReportFigure:
    """Draw counts over time, on top of each other.

    Args:
        edges: float64[columns + 1], in s.
        parts: int64[columns] by what they are.
        title: of the figure.
        label: of the counts.
    """
    from matplotlib.figure import Figure as Picture

    with drawing():
        picture = Picture(figsize=(WIDTH_INCHES, 2.2), layout="constrained")
        axes = picture.add_subplot()
        _stacked(axes, edges, parts)
        axes.set_xlabel("time, s")
        axes.set_ylabel(label)
        axes.margins(x=0)
        axes.grid(axis="y", color="#dddddd")
        told = ", ".join(f"{int(counts.sum()):,} {name}" for name, counts in parts.items())
        alt = f"Over {edges[-1] - edges[0]:.3g} s: {told}."
        note = f"Each step is {_span_text(edges)}."
        return figure_of(picture, title=title, alt=alt, note=note)


def draw_bars(
    names: Sequence[str],
    series: Mapping[str, Sequence[int]],
    *,
    title: str,
    label: str,
    note: str = "",
) -> ReportFigure:
    """Draw counts as lying bars, one group a name.

    Args:
        names: of the groups, from the top.
        series: counts of each group, by what they are.
        title: of the figure.
        label: of the axis.
        note: below the figure.
    """
    from matplotlib.figure import Figure as Picture
    from matplotlib.ticker import MaxNLocator

    with drawing():
        picture = Picture(
            figsize=(WIDTH_INCHES, 0.9 + 0.3 * len(names) * max(1, len(series))),
            layout="constrained",
        )
        axes = picture.add_subplot()
        height = 0.8 / max(1, len(series))
        for index, (name, counts) in enumerate(series.items()):
            colour, hatch = SERIES[index % len(SERIES)]
            places = [row + (index - (len(series) - 1) / 2) * height for row in range(len(names))]
            bars = axes.barh(
                places, counts, height * 0.92, color=colour, edgecolor="#1a1a1a", linewidth=0.5,
                hatch=hatch, label=name,
            )  # fmt: skip
            axes.bar_label(bars, labels=[f"{one:,}" for one in counts], padding=3, fontsize=8)
        axes.set_yticks(range(len(names)), [_short(one) for one in names])
        axes.invert_yaxis()
        axes.set_xlabel(label)
        axes.xaxis.set_major_locator(MaxNLocator(integer=True))
        axes.margins(x=0.12)
        axes.grid(axis="x", color="#dddddd")
        if len(series) > 1:
            axes.legend(loc="lower right", fontsize="small")
        parts = [
            f"{name}: " + ", ".join(
                f"{group} {count:,}" for group, count in zip(names, counts, strict=True)
            )
            for name, counts in series.items()
        ]  # fmt: skip
        return figure_of(picture, title=title, alt="; ".join(parts), note=note)


def draw_addresses(
    counts: Mapping[str, int], addresses: Sequence[int], *, title: str, label: str
) -> ReportFigure:
    """Draw counts by address: a bar for each if there are few, else one for each 256 addresses.

    Args:
        counts: of each address, with its label, the most first.
        addresses: processor address of each thing that is counted, where it has one.
        title: of the figure.
        label: of the counts.
    """
    if len(counts) <= BARS_MOST or not len(addresses):
        shown = dict(list(counts.items())[:BARS_MOST])
        left = len(counts) - len(shown)
        note = f"And {left:,} more." if left else ""
        return draw_bars(
            list(shown), {"errors": list(shown.values())}, title=title, label=label, note=note
        )
    from matplotlib.figure import Figure as Picture

    pages = np.bincount(np.asarray(addresses, np.int64) >> 8, minlength=256)
    first, last = np.flatnonzero(pages)[[0, -1]].tolist()
    with drawing():
        picture = Picture(figsize=(WIDTH_INCHES, 2.4), layout="constrained")
        axes = picture.add_subplot()
        axes.bar(
            np.arange(first, last + 1), pages[first : last + 1], 0.9, color=RED,
            edgecolor="#1a1a1a", linewidth=0.4, hatch=SERIES[0][1],
        )  # fmt: skip
        step = max(1, (last - first) // 12)
        ticks = range(first, last + 1, step)
        axes.set_xticks(list(ticks), [_plain(f"${page << 8:04X}") for page in ticks])
        axes.set_xlabel("address, 256 a bar")
        axes.set_ylabel(label)
        axes.grid(axis="y", color="#dddddd")
        most = int(pages.argmax())
        alt = (
            f"{len(counts):,} addresses from ${min(addresses):04X} to ${max(addresses):04X}; the"
            f" most, {int(pages[most]):,}, from ${most << 8:04X} on."
        )
        top = ", ".join(f"{place} {count:,}" for place, count in list(counts.items())[:BARS_NAMED])
        return figure_of(
            picture, title=title, alt=alt, note=f"{len(counts):,} addresses; the most: {top}."
        )


def _short(name: str, most: int = 40) -> str:
    return _plain(name if len(name) <= most else f"{name[: most - 1]}…")


def _plain(text: str) -> str:
    """Return a text that Matplotlib shows as it is: two dollars would make a formula of it."""
    return text.replace("$", r"\$")


def draw_heat(
    counts: NDArray[np.int64], *, title: str, alt: str, note: str, label: str
) -> ReportFigure:
    """Draw how often each pixel's byte was written, on a logarithmic scale.

    Args:
        counts: int64[height, width].
        title, alt, note: of the figure.
        label: of the scale.
    """
    from matplotlib.colors import LogNorm
    from matplotlib.figure import Figure as Picture

    rows, columns = counts.shape
    with drawing():
        height = min(7.0, max(1.3, (WIDTH_INCHES - 1.4) * rows / columns + 0.5))
        picture = Picture(figsize=(WIDTH_INCHES, height), layout="constrained")
        axes = picture.add_subplot()
        # A scale of one value has no length.
        most = max(2, int(counts.max(initial=0)))
        shown = np.ma.masked_equal(counts, 0)
        drawn = axes.imshow(
            shown, cmap="cividis", norm=LogNorm(1, most), interpolation="none", aspect="equal"
        )
        axes.set_facecolor("#ffffff")
        axes.set_xlabel("x, pixels")
        axes.set_ylabel("y, pixels")
        ticks = [10**power for power in range(len(str(most))) if 3 * 10**power <= most or not power]
        bar = picture.colorbar(drawn, ax=axes, label=label, shrink=0.9, ticks=[*ticks, most])
        bar.ax.set_yticklabels([f"{one:,}" for one in (*ticks, most)])
        bar.ax.minorticks_off()
        return figure_of(picture, title=title, alt=alt, note=note)
