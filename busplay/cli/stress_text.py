"""What `busplay stress` prints: the verdict, what the receiver needs, the sweeps."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence

from busplay.analysis.stress.answers import SERVICE_NS_MAX, Answers
from busplay.analysis.stress.points import TITLES, Figure
from busplay.analysis.stress.stress import StressReport
from busplay.analysis.stress.trials import WIRE_CAUSES, PointResult
from busplay.description.board import ReceiverEnd
from busplay.pipeline.totals import CAUSES
from busplay.wording import counted

CSV_COLUMNS = (
    *("trials", "frames", "loss_ratio", "low_ratio", "high_ratio", "spurious"),
    *("faults_injected", "faults_undetected", "held_max", "mean_wait_ns", "stop"),
)


def title_of(report: StressReport) -> str:
    """Return what was sent over what."""
    return f"{report.load} on {report.board}, link {report.link}"


def verdict_text(report: StressReport) -> str:
    """Return the verdict in a line."""
    as_it_is = report.as_it_is
    said = "stopped before the board as it is was done"
    if as_it_is is not None:
        said = _rate(as_it_is)
    if report.stores_lost_at_sender:
        said += f"; {counted(report.stores_lost_at_sender, 'store')} lost at the sender"
    return f"interrupted: {said}" if report.interrupted else said


def stress_text(report: StressReport, receiver: ReceiverEnd, *, full: bool) -> list[str]:
    """Return the lines below the verdict: in a screenful, or with every point of the sweeps."""
    lines = [f"  {title_of(report)}: {counted(report.frames, 'frame')} a trial"]
    if report.answers is not None:
        lines += _answer_lines(report.answers, receiver)
    for figure in Figure:
        swept = [one for one in report.points if one.figure is figure]
        if swept:
            lines += _sweep_lines(figure, swept) if full else [_sweep_line(figure, swept)]
    if report.interrupted:
        lines.append(f"  {counted(report.points_left, 'point')} not done; --state FILE keeps those")
    if report.points and not full:
        lines += ["", "--full shows every point with its 95 % interval"]
    return lines


def _answer_lines(answers: Answers, receiver: ReceiverEnd) -> list[str]:
    lines = [
        f"  receiver FIFO    {_fifo(answers)}; the board has {receiver.fifo_depth:,}",
        f"  longest service  {_service(answers)}; the board takes {receiver.service_ns:,} ns",
    ]
    lost = sum(answers.lost_by_cause.values())
    for name, count in answers.lost_by_cause.items():
        if count:
            lines.append(f"  {count:>9,} {CAUSES[name]:34} {count / lost:6.1%} of all losses")
    for name, count in sorted(answers.explained.items(), key=lambda one: -one[1]):
        if count > 0 and lost:
            lines.append(f"  without {name:24} {count:>9,} fewer lost, {count / lost:.1%} of them")
    return lines


def _sweep_line(figure: Figure, swept: Sequence[PointResult]) -> str:
    """Return between which values a figure begins to lose, and what it loses at the ends."""
    first, last = swept[0], swept[-1]
    return (
        f"  {TITLES[figure]:30}  {first.value:g} loses {first.loss_ratio:.2g},"
        f" {last.value:g} loses {last.loss_ratio:.2g}"
    )


def _sweep_lines(figure: Figure, swept: Sequence[PointResult]) -> list[str]:
    lines = ["", f"{TITLES[figure]:32}      lost   95 % interval          frames  stopped"]
    for one in swept:
        lines.append(
            f"  {one.value:<30g} {one.loss_ratio:>9.3g}   {one.low_ratio:<9.3g} to"
            f" {one.high_ratio:<9.3g} {one.frames:>9,}  {one.stop}"
        )
    return lines


def csv_of(report: StressReport) -> str:
    """Return the points as CSV, the board as it is first."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(["figure", "value", *CSV_COLUMNS, *WIRE_CAUSES])
    for one in [report.as_it_is, *report.points]:
        if one is None:
            continue
        row = [one.figure or "as it is", "" if one.value is None else f"{one.value:g}"]
        figures = [getattr(one, name) for name in CSV_COLUMNS]
        writer.writerow([*row, *figures, *(one.causes[name] for name in WIRE_CAUSES)])
    return text.getvalue()


def _rate(one: PointResult) -> str:
    if one.stop == "certain":
        return f"{one.lost:,} of {one.frames:,} frames lost" if one.lost else "nothing lost"
    return (
        f"{one.loss_ratio:.3g} of the frames lost ({one.low_ratio:.3g} to {one.high_ratio:.3g} with"
        f" 95 % confidence, {counted(one.trials, 'trial')})"
    )


def _fifo(answers: Answers) -> str:
    if answers.smallest_receiver_fifo is None:
        return "none is deep enough"
    return f"depth {answers.smallest_receiver_fifo:,} loses nothing"


def _service(answers: Answers) -> str:
    if answers.longest_service_ns is None:
        return "even 0 ns loses frames"
    if answers.longest_service_ns >= SERVICE_NS_MAX:
        return f"{SERVICE_NS_MAX:,} ns and more"
    return f"{answers.longest_service_ns:,} ns"
