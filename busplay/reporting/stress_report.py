"""A report on a sweep, from its state file: what is finished of it."""

from __future__ import annotations

import shlex
from pathlib import Path

from busplay.analysis.stress.plot import plot_sweeps
from busplay.analysis.stress.points import TITLES, Figure
from busplay.analysis.stress.state import StateHead, StressState, read_state
from busplay.analysis.stress.stress import CONFIDENCE_RATIO
from busplay.analysis.stress.trials import PointResult
from busplay.pipeline.totals import CAUSES
from busplay.reporting.figures import SWEEP_PX, drawing
from busplay.reporting.page import (
    CommandList,
    FactList,
    ReportFigure,
    ReportPage,
    ReportPart,
    ReportProse,
    ReportSection,
    ReportTable,
    data_address,
)
from busplay.version import VERSION
from busplay.wording import counted


def stress_page(path: Path, *, words: str) -> ReportPage:
    """Return the report on a state file of `stress`.

    Args:
        path: of the file.
        words: the command that makes the report.

    Raises:
        InputError: it is no state, or damaged.
    """
    state = read_state(path)
    head, as_it_is = state.head, state.points.get(0)
    points = [state.points[index] for index in sorted(state.points) if index]
    title = f"Sweep in {path.name}"
    if head is not None:
        title = f"{head.load} on {head.board}, link {head.link}: a sweep"
    left = 0 if head is None else head.points - len(state.points)
    verdict = "the board as it is was not done"
    if as_it_is is not None:
        verdict = f"as it is, the board {_loses(as_it_is)}"
    if head is not None and head.stores_lost_at_sender:
        verdict += f"; {counted(head.stores_lost_at_sender, 'store')} lost at the sender before"
    if left:
        verdict += f"; {counted(left, 'point')} not done yet"
    is_fine = as_it_is is not None and not as_it_is.lost and not left
    if head is not None and head.stores_lost_at_sender:
        is_fine = False
    sections = [_ran_section(path, state, left)]
    if as_it_is is not None:
        sections.append(_as_it_is_section(as_it_is))
    sections.append(_sweeps_section(points))
    sections.append(_made_section(path, head, words))
    return ReportPage(title, verdict, is_fine, tuple(sections))


def _loses(one: PointResult) -> str:
    if one.stop == "certain":
        if not one.lost:
            return "loses nothing"
        return f"loses {one.lost:,} of {counted(one.frames, 'frame')}"
    return (
        f"loses {one.loss_ratio:.3g} of the frames ({one.low_ratio:.3g} to {one.high_ratio:.3g}"
        f" with {CONFIDENCE_RATIO:.0%} confidence)"
    )


def _ran_section(path: Path, state: StressState, left: int) -> ReportSection:
    head = state.head
    rows = [("state", f"{path.name}, of the run with digest {state.digest[:16]}…")]
    if head is None:
        rows.append(("run", "an early version wrote the file, which does not name board and load"))
    else:
        rows += [
            ("board", f"{head.board}, link {head.link}"),
            ("load", f"{head.load}, {counted(head.frames, 'frame')} a trial"),
            ("random seed", f"{head.seed}"),
            ("points", f"{head.points - left:,} of {head.points:,} done"),
        ]
    rows.append(("intervals", f"of {CONFIDENCE_RATIO:.0%} confidence"))
    return ReportSection("What ran", (FactList(tuple(rows)),))


def _as_it_is_section(one: PointResult) -> ReportSection:
    causes = [(CAUSES[name], count) for name, count in one.causes.items() if count]
    parts: list[ReportPart] = [
        FactList(
            (
                ("loss", _loses(one)),
                ("trials", f"{one.trials:,}, {counted(one.frames, 'frame')} in all"),
                ("receiver FIFO", f"held {counted(one.held_max, 'frame')} at most"),
                ("mean wait", f"{one.mean_wait_ns:,.0f} ns"),
                (
                    "faults",
                    f"{one.faults_injected:,} injected, {one.faults_undetected:,} undetected",
                ),
            )
        )
    ]
    if causes:
        parts.append(
            ReportTable(
                "Losses by cause",
                ("cause", "frames", "of all losses"),
                tuple((name, f"{n:,}", f"{n / max(1, one.lost):.1%}") for name, n in causes),
            )
        )
    return ReportSection("The board as it is", tuple(parts))


def _sweeps_section(points: list[PointResult]) -> ReportSection:
    parts: list[ReportPart] = []
    if not points:
        return ReportSection("Sweeps", (ReportProse("No point of a sweep is done yet."),))
    for figure in Figure:
        swept = [one for one in points if one.figure is figure]
        if not swept:
            continue
        title = TITLES[figure]
        with drawing():
            drawn = plot_sweeps(swept, Path("sweep.svg"), title="")
        ends = f"{swept[0].value:g} loses {swept[0].loss_ratio:.3g}, {swept[-1].value:g} loses"
        parts.append(
            ReportFigure(
                f"{title[0].upper()}{title[1:]}",
                data_address("image/svg+xml", drawn),
                f"Share of frames lost against {title}: {ends} {swept[-1].loss_ratio:.3g}.",
                "The band is the interval.",
                *SWEEP_PX,
            )
        )
        parts.append(
            ReportTable(
                f"{title[0].upper()}{title[1:]}",
                ("value", "lost", "from", "to", "frames", "trials", "stopped"),
                tuple(
                    (
                        f"{one.value:g}",
                        f"{one.loss_ratio:.3g}",
                        f"{one.low_ratio:.3g}",
                        f"{one.high_ratio:.3g}",
                        f"{one.frames:,}",
                        f"{one.trials:,}",
                        one.stop,
                    )
                    for one in swept
                ),
                left=frozenset(),
            )
        )
    return ReportSection("Sweeps", tuple(parts))


def _made_section(path: Path, head: StateHead | None, words: str) -> ReportSection:
    rows = [(words, "makes this page; the same file gives the same page, byte for byte.")]
    if head is not None:
        rows.append(
            (
                f"busplay stress BOARD.toml {shlex.quote(head.load)} --seed {head.seed} --state"
                f" {shlex.quote(path.name)}",
                "goes on with the sweep where it stands, or computes it anew if the file is not"
                " there; give it the same --sweep options. The random seed makes the same trials.",
            )
        )
    return ReportSection(
        "How this was made", (ReportProse(f"Made by busplay {VERSION}."), CommandList(tuple(rows)))
    )
