"""What `stress` does: read, sweep, answer, print, draw."""

from __future__ import annotations

import csv
import io
import json
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import click

from busplay.analysis.stress.answers import SERVICE_NS_MAX, Answers, find_answers
from busplay.analysis.stress.load import Load, is_trace, load_trace, run_program
from busplay.analysis.stress.plot import plot_sweeps
from busplay.analysis.stress.points import DEFAULTS, TITLES, Figure, points_of
from busplay.analysis.stress.sweep import run_sweep
from busplay.analysis.stress.trials import WIRE_CAUSES, Effort, PointResult
from busplay.cli.fault_options import FaultRequest
from busplay.cli.notice import tell_of_compiling
from busplay.description.board import Board
from busplay.description.faults import FaultPlan
from busplay.errors import InputError
from busplay.link.load import load_board
from busplay.pipeline.totals import CAUSES
from busplay.whole_file import write_whole_file


@dataclass(frozen=True, slots=True)
class StressRequest:
    """What to sweep, as the user gave it."""

    board_source: str
    load_path: Path
    sweeps: dict[Figure, tuple[float, ...]]
    busy_period_ns: int
    cycles: int
    load_address: int | None
    frames: int | None
    budget_frames: int
    width_ratio: float
    jobs: int
    dask_address: str | None
    state_path: Path | None
    csv_path: Path | None
    plot_path: Path | None
    faults: FaultRequest


def stress_and_report(request: StressRequest, *, as_json: bool, show_progress: bool) -> int:
    """Sweep and print; give the exit status.

    Raises:
        BusplayError: for whatever a user can cause.
    """
    tell_of_compiling()
    board = load_board(request.board_source)
    faults = request.faults.plan_for(board.link) or FaultPlan(seed=request.faults.seed or 1)
    load = _load(request, board)
    sweeps = request.sweeps or DEFAULTS
    _require_lengths(sweeps.get(Figure.BUSY_NS, ()), board, request.busy_period_ns)
    points = points_of(dict(sweeps))
    with click.progressbar(
        length=len(points) + 1, label="points", file=sys.stderr, hidden=not show_progress
    ) as progress:
        results = run_sweep(
            points,
            load,
            board,
            faults,
            effort=Effort(request.budget_frames, request.width_ratio),
            busy_period_ns=request.busy_period_ns,
            jobs=request.jobs,
            dask_address=request.dask_address,
            state_path=request.state_path,
            on_point=lambda _: progress.update(1),
        )
    answers = find_answers(load, board, faults)
    title = f"{load.name} on {board.name}, link {board.link.name}"
    if request.csv_path is not None:
        write_whole_file(request.csv_path, csv_of(results).encode())
    if request.plot_path is not None:
        write_whole_file(
            request.plot_path, plot_sweeps(results[1:], request.plot_path, title=title)
        )
    if as_json:
        click.echo(json.dumps(_figures(load, board, faults, answers, results), indent=2))
    else:
        _print(title, load, board, answers, results)
    return 1 if results[0].lost or load.lost_at_sender else 0


def _load(request: StressRequest, board: Board) -> Load:
    if is_trace(request.load_path):
        load = load_trace(request.load_path, board)
    else:
        load = run_program(
            board, request.load_path, cycles=request.cycles, load_address=request.load_address
        )
    if request.frames is not None:
        load = load.first(request.frames)
    if not len(load.frames):
        raise InputError(
            file=str(request.load_path),
            found="nothing that goes on the link",
            wanted="give a trace with frames, or a program that stores into a window in --cycles",
        )
    return load


def _require_lengths(lengths: Sequence[float], board: Board, period_ns: int) -> None:
    busy = board.receiver.busy
    period = busy[0].period_ns if busy else period_ns
    for length in lengths:
        if length >= period:
            raise InputError(
                place="--sweep-busy",
                found=f"{length:,.0f} ns",
                wanted=f"the busy time comes every {period:,} ns, so give less",
            )


def csv_of(results: Sequence[PointResult]) -> str:
    """Return the points as CSV, the board as it is first."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    columns = ["trials", "frames", "loss_ratio", "low", "high", "spurious"]
    columns += ["faults_injected", "faults_undetected", "held_max", "mean_wait_ns", "stop"]
    writer.writerow(["figure", "value", *columns, *WIRE_CAUSES])
    for one in results:
        row = [one.figure or "as it is", "" if one.value is None else f"{one.value:g}"]
        writer.writerow(
            [*row, *(getattr(one, name) for name in columns), *(one.causes[n] for n in WIRE_CAUSES)]
        )
    return text.getvalue()


def _figures(
    load: Load, board: Board, faults: FaultPlan, answers: Answers, results: Sequence[PointResult]
) -> dict[str, object]:
    return {
        "board": board.name,
        "link": board.link.name,
        "load": load.name,
        "frames": len(load.frames),
        "stores_lost_at_sender": load.lost_at_sender,
        "seed": faults.seed,
        "confidence": 0.95,
        "answers": answers.as_figures(),
        "as_it_is": results[0].as_figures(),
        "points": [one.as_figures() for one in results[1:]],
    }


def _print(
    title: str, load: Load, board: Board, answers: Answers, results: Sequence[PointResult]
) -> None:
    as_it_is = results[0]
    click.echo(f"{title}: {len(load.frames):,} frames")
    click.echo(f"  as it is          {_rate(as_it_is)}")
    click.echo(f"  smallest FIFO     {_fifo(answers)}; the board has {board.receiver.fifo_depth:,}")
    click.echo(
        f"  longest service   {_service(answers)}; the board takes {board.receiver.service_ns:,} ns"
    )
    lost = sum(answers.lost_by_cause.values())
    for name, count in answers.lost_by_cause.items():
        if count:
            click.echo(f"  {count:>9,} {CAUSES[name]:34} {count / lost:6.1%} of all losses")
    for name, count in sorted(answers.explained.items(), key=lambda one: -one[1]):
        if count > 0 and lost:
            click.echo(f"  without {name:24} {count:>9,} fewer lost, {count / lost:.1%} of them")
    for figure in Figure:
        swept = [one for one in results[1:] if one.figure is figure]
        if swept:
            click.echo(f"\n{TITLES[figure]:32}      lost   95 % interval          frames  stopped")
            for one in swept:
                click.echo(
                    f"  {one.value:<30g} {one.loss_ratio:>9.3g}   {one.low:<9.3g} to"
                    f" {one.high:<9.3g} {one.frames:>9,}  {one.stop}"
                )


def _rate(one: PointResult) -> str:
    if one.stop == "certain":
        return f"{one.lost:,} of {one.frames:,} frames lost" if one.lost else "nothing lost"
    return (
        f"{one.loss_ratio:.3g} of the frames lost ({one.low:.3g} to {one.high:.3g} with 95 %"
        f" confidence, {one.trials:,} trial{'' if one.trials == 1 else 's'})"
    )


def _fifo(answers: Answers) -> str:
    if answers.smallest_fifo is None:
        return "none is deep enough"
    places = answers.smallest_fifo
    return f"{places:,} place{' loses' if places == 1 else 's lose'} nothing"


def _service(answers: Answers) -> str:
    if answers.longest_service_ns is None:
        return "even 0 ns loses frames"
    if answers.longest_service_ns >= SERVICE_NS_MAX:
        return f"{SERVICE_NS_MAX:,} ns and more"
    return f"{answers.longest_service_ns:,} ns"
