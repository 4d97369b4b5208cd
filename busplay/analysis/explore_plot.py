"""Draw what a search found: pins against slot time, the front in colour, the rest behind it.

Colours tell the checks apart for colour-blind eyes too (Okabe and Ito's set, from memory), and
shapes the ways of framing, so a print in grey still shows half of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from functools import partial
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any

from busplay.analysis.explore import SHORT_NAMES, Found, LinkCandidate
from busplay.analysis.explore_links import FRAMING_CHOICES
from busplay.errors import BusplayError
from busplay.wording import hertz

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

COLOURS = {
    "none": "#666666",
    "parity_odd": "#E69F00",
    "crc4_g704": "#56B4E9",
    "crc5_usb": "#0072B2",
    "hec_i432": "#009E73",
}
SHAPES = {"strobe": "o", "select": "s", "marker": "^", "check": "D"}
FRAMING_NAMES = {
    "strobe": "strobe on the first symbol",
    "select": "select held for the frame",
    "marker": "marker in idle frames",
    "check": "found by the check",
}
SIZE_INCHES = (9.6, 6.0)
# Links of each clock have a panel of their own, which makes the picture so much higher.
CLOCK_INCHES = 3.6
WIDEST_INCHES = 20.0
DOTS_PER_INCH = 150
BEHIND = "#D0D0D0"


def require_matplotlib() -> None:
    """Refuse to draw where Matplotlib is not installed, before anything is worked out.

    Raises:
        BusplayError: it is missing; names the extra that brings it.
    """
    try:
        import matplotlib  # noqa: F401
    except ImportError as error:
        raise BusplayError(
            "--plot needs Matplotlib; install it with: pip install 'busplay[analysis]'"
        ) from error


def plot_front(found: Found, path: Path, *, title: str, processor_hz: int) -> bytes:
    """Draw the front and give the picture's bytes, in the form that the path's suffix names.

    Args:
        found: what the search found.
        path: only its suffix, .png or .svg, is looked at.
        title: stands above.
        processor_hz: for the line of absolute stores and the scale of cycles.
    """
    from matplotlib import rc_context
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure
    from matplotlib.ticker import MultipleLocator

    everything = (*found.front, *found.others)
    columns = _columns(found)
    pins = sorted({one.budget.wires for one in everything})
    clocks = sorted({one.budget.clock_hz for one in everything})
    width = min(max(SIZE_INCHES[0], 0.16 * len(columns) * len(pins)), WIDEST_INCHES)
    height = SIZE_INCHES[1] + CLOCK_INCHES * (len(clocks) - 1)
    slots = [float(one.budget.slot_cycles) for one in everything]
    cycle_ns = 1e9 / processor_hz
    # A fixed salt and no date: the same search gives the same file.
    with rc_context({"svg.hashsalt": "busplay", "font.size": 10}):
        figure = Figure(figsize=(width, height), dpi=DOTS_PER_INCH, layout="constrained")
        FigureCanvasAgg(figure)
        figure.suptitle(title, x=0.01, ha="left")
        panels = figure.subplots(len(clocks), 1, sharex=True, sharey=True, squeeze=False)[:, 0]
        for clock_hz, axes in zip(clocks, panels, strict=True):
            front = [one for one in found.front if one.budget.clock_hz == clock_hz]
            others = [one for one in found.others if one.budget.clock_hz == clock_hz]
            for place in pins[::2]:
                axes.axvspan(place - 0.5, place + 0.5, color="#F4F4F4", zorder=0, linewidth=0)
            _draw_points(axes, others, columns, behind=True)
            _draw_points(axes, front, columns, behind=False)
            _draw_stairs(axes, front)
            if len(clocks) > 1:
                axes.set_title(f"clock {hertz(clock_hz)}", loc="left", fontsize=10)
            axes.grid(axis="y", color="#DDDDDD")
            axes.set_axisbelow(True)
            for side in ("top", "right"):
                axes.spines[side].set_visible(False)
            right = axes.secondary_yaxis(
                "right",
                functions=(
                    partial(_scaled, factor=cycle_ns),
                    partial(_scaled, factor=1 / cycle_ns),
                ),
            )
            right.set_ylabel("slot in ns")
            axes.set_ylabel("slot: processor cycles")
        last = panels[-1]
        last.set_xlabel("pins (clock, lanes, strobe or select; ground on top)")
        last.set_xlim(pins[0] - 0.5, pins[-1] + 0.5)
        last.set_ylim(max(0.0, min(slots) - 0.4), max(slots) + 0.3)
        last.xaxis.set_major_locator(MultipleLocator(1))
        _draw_legends(figure, found)
        out = BytesIO()
        kind = path.suffix.lower().removeprefix(".")
        metadata = {"Date": None} if kind == "svg" else {"Software": None}
        figure.savefig(out, format=kind, metadata=metadata)
        return out.getvalue()


def _scaled(values: Any, *, factor: float) -> Any:
    return values * factor


def _kind(one: LinkCandidate) -> tuple[str, str]:
    return one.choice.framing, one.choice.check


def _columns(found: Found) -> dict[tuple[str, str], float]:
    """Return each pair of framing and check that is there its own place beside a number of pins."""
    present = {_kind(one) for one in (*found.front, *found.others)}
    kinds = [(f, c) for f in FRAMING_CHOICES for c in COLOURS if (f, c) in present]
    step = 0.84 / max(1, len(kinds))
    return {kind: (index - (len(kinds) - 1) / 2) * step for index, kind in enumerate(kinds)}


def _draw_points(
    axes: Axes,
    candidates: Sequence[LinkCandidate],
    columns: dict[tuple[str, str], float],
    *,
    behind: bool,
) -> None:
    for one in candidates:
        colour = BEHIND if behind else COLOURS[one.choice.check]
        both = one.link.edges == "both"
        axes.scatter(
            [one.budget.wires + columns[_kind(one)]],
            [float(one.budget.slot_cycles)],
            marker=SHAPES[one.choice.framing],
            facecolors=colour if both else "white",
            edgecolors=colour,
            s=22 if behind else 46,
            linewidths=1.3,
            zorder=2 if behind else 4,
        )


def _draw_stairs(axes: Axes, front: Sequence[LinkCandidate]) -> None:
    """Draw the shortest slot that so many pins allow, whatever else it costs."""
    best: list[tuple[int, Fraction]] = []
    for one in front:
        if not best or one.budget.slot_cycles < best[-1][1]:
            if best and best[-1][0] == one.budget.wires:
                best.pop()
            best.append((one.budget.wires, one.budget.slot_cycles))
    if not best:
        return
    pins = [place - 0.5 for place, _ in best]
    last = max(one.budget.wires for one in front) + 0.5
    axes.step(
        [*pins, last],
        [float(slot) for _, slot in (*best, best[-1])],
        where="post",
        color="#999999",
        linewidth=1,
        linestyle="--",
        zorder=3,
    )


def _draw_legends(figure: Figure, found: Found) -> None:
    from matplotlib.lines import Line2D

    def dot(shape: str, colour: str, label: str, *, hollow: bool = False) -> Line2D:
        return Line2D(
            [],
            [],
            linestyle="",
            marker=shape,
            color=colour,
            markerfacecolor="white" if hollow else colour,
            label=label,
        )

    checks = [name for name in COLOURS if any(one.choice.check == name for one in found.front)]
    everything = (*found.front, *found.others)
    framings = [name for name in SHAPES if any(one.choice.framing == name for one in everything)]
    handles = [dot("o", COLOURS[name], f"check: {SHORT_NAMES[name]}") for name in checks]
    handles += [dot(SHAPES[name], "#333333", FRAMING_NAMES[name]) for name in framings]
    if any(one.link.edges != "both" for one in everything):
        handles.append(dot("o", "#333333", "hollow: one edge", hollow=True))
    handles.append(dot("o", BEHIND, "another is better or as good in all"))
    handles.append(Line2D([], [], color="#999999", linestyle="--", label="shortest slot"))
    figure.legend(handles=handles, loc="outside lower center", ncols=4, frameon=False, fontsize=9)
