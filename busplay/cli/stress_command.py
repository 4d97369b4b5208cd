"""`busplay stress`: noise, lost edges, FIFO, service and busy times, until something breaks."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from busplay.cli.fault_options import FaultRequest, Probability, fault_options
from busplay.cli.files import Described, InProgram, OutFile
from busplay.cli.json_output import print_json
from busplay.cli.options import (
    Count,
    Parsed,
    Time,
    full_option,
    json_option,
    load_option,
    trust_option,
)
from busplay.cli.renamed import renamed
from busplay.cli.style import verdict
from busplay.units import NS_PER_S

if TYPE_CHECKING:
    from busplay.analysis.stress.points import Figure


class Values(Parsed[tuple[float, ...]]):
    """Values of a sweep: 1,2,4, or FROM..TO/COUNT in even steps.

    Args:
        each: type of a value: probabilities (FROM..TO/COUNT is then in even factors), counts, or
            times, which are given as nanoseconds.
    """

    name = "values"

    def __init__(self, each: Probability | Count | Time) -> None:
        self._each = each

    def parse(self, text: str) -> tuple[float, ...]:
        """Read the list; each value must be one that the figure can have."""
        texts = text.replace(" ", "")
        values = self._span(texts) if ".." in texts else [self._one(x) for x in texts.split(",")]
        if len(values) > VALUES_MAX:
            raise ValueError(f"{len(values):,} values are more than {VALUES_MAX:,}")
        return tuple(dict.fromkeys(values))

    def _one(self, text: str) -> float:
        value = self._each.parse(text)
        if not isinstance(self._each, Time):
            return float(value)
        if value % 1_000 or value > NS_PER_S * 1_000:
            raise ValueError(f"{text} is no whole number of nanoseconds up to 1s")
        return float(value // 1_000)

    def _span(self, text: str) -> list[float]:
        bounds, _, steps = text.partition("/")
        low, _, high = bounds.partition("..")
        first, last, count = self._one(low), self._one(high), int(steps or "10")
        if not 2 <= count <= VALUES_MAX or not first < last:
            raise ValueError(f"{text!r} is no span; write FROM..TO/COUNT")
        part = [index / (count - 1) for index in range(count)]
        if not isinstance(self._each, Probability):
            return [float(round(first + (last - first) * one)) for one in part]
        if first <= 0:
            raise ValueError(f"{text!r} begins at 0; even factors need a first value")
        return [float(f"{first * (last / first) ** one:.6g}") for one in part]


VALUES_MAX = 1_000


@click.command(
    "stress",
    epilog="Example: busplay stress dunlin tides.trace --sweep-receiver-fifo 1,2,4,8 --jobs 2",
)
@click.argument("board_source", metavar="BOARD", type=Described())
@click.argument("load_path", metavar="TRACE-or-PROGRAM", type=InProgram())
@click.option("--sweep-ber", type=Values(Probability()), help="Bit error rates.")
@click.option(
    "--sweep-lost-edges", type=Values(Probability()), help="Probabilities of losing an edge."
)
@click.option("--sweep-receiver-fifo", type=Values(Count(1, 1 << 20)), help="Receiver FIFO depths.")
@click.option(
    "--sweep-service", type=Values(Time()), help="Service times of a frame, such as 200ns,400ns."
)
@click.option("--sweep-busy", type=Values(Time()), help="Busy times of the video side.")
@click.option(
    "--busy-period",
    type=Values(Time()),
    default="1ms",
    metavar="TIME",
    show_default=True,
    help="Period of the busy time, where the board has none.",
)
@click.option(
    "--cycles",
    type=Count(),
    default=8_000_000,
    metavar="COUNT",
    show_default=True,
    help="Run the program for COUNT cycles.",
)
@load_option
@trust_option
@click.option(
    "--frames", type=Count(1), metavar="COUNT", help="Send at most COUNT frames in a trial."
)
@click.option(
    "--max-frames",
    type=Count(1, 10**12),
    default=4_000_000,
    metavar="COUNT",
    show_default=True,
    help="Stop a point after COUNT frames.",
)
@click.option(
    "--precision",
    type=click.FloatRange(0, 1),
    default=0.1,
    metavar="RATIO",
    show_default=True,
    help="Stop a point where half the interval is RATIO of the loss.",
)
@click.option("--jobs", type=int, default=-1, show_default=True, help="Processes; -1: all cores.")
@click.option("--dask", "dask_address", metavar="ADDRESS", help="Compute on a Dask cluster.")
@click.option(
    "--state",
    "state_path",
    type=OutFile(),
    help="Keep each point in FILE, and go on from it.",
)
@click.option(
    "--csv",
    "csv_path",
    type=OutFile(),
    help="Write the points as CSV.",
)
@click.option(
    "--plot",
    "plot_path",
    type=OutFile(".png", ".svg", ".pdf"),
    help="Draw the sweeps with their intervals.",
)
@json_option
@full_option
@renamed("--sweep-fifo", "--sweep-receiver-fifo")
@renamed("--budget", "--max-frames")
@renamed("--width", "--precision")
@fault_options
def command(
    board_source: str,
    load_path: Path,
    sweep_ber: tuple[float, ...] | None,
    sweep_lost_edges: tuple[float, ...] | None,
    sweep_receiver_fifo: tuple[float, ...] | None,
    sweep_service: tuple[float, ...] | None,
    sweep_busy: tuple[float, ...] | None,
    busy_period: tuple[float, ...],
    cycles: int,
    load_address: int | None,
    frames: int | None,
    max_frames: int,
    precision: float,
    jobs: int,
    dask_address: str | None,
    state_path: Path | None,
    csv_path: Path | None,
    plot_path: Path | None,
    as_json: bool,
    full: bool,
    faults: FaultRequest,
) -> int:
    """Find out what breaks BOARD when it carries what a trace or a program sends.

    Each --sweep-... varies one figure and leaves all else as the board and the faults say; with
    none of them all five are swept. VALUES are a list (1,2,4) or FROM..TO/COUNT. Besides the
    sweeps: the smallest receiver FIFO that loses nothing, the longest service time, and what
    causes the losses of the board as it is.

    The same random seed gives the same results, whatever the number of processes.

    Exit status: 0; 1 if the board as it is loses anything; 2 for wrong use; 130 if interrupted.
    """
    from busplay.analysis.stress.plot import plot_sweeps
    from busplay.analysis.stress.points import Figure
    from busplay.analysis.stress.stress import stress
    from busplay.cli.interrupt import say_interrupted
    from busplay.cli.notice import tell_of_compiling
    from busplay.cli.progress import shares_bar
    from busplay.cli.stress_text import csv_of, stress_text, title_of, verdict_text
    from busplay.description.faults import Faults
    from busplay.link.load import load_board
    from busplay.whole_file import write_whole_file

    if jobs == 0 or jobs < -64 or jobs > 1_024:
        raise click.UsageError("--jobs is a number of processes, or -1 for one a core")
    sweeps: dict[Figure, tuple[float, ...] | None] = {
        Figure.BER: sweep_ber,
        Figure.LOST_EDGES: sweep_lost_edges,
        Figure.FIFO_DEPTH: sweep_receiver_fifo,
        Figure.SERVICE_NS: sweep_service,
        Figure.BUSY_NS: sweep_busy,
    }
    if len(busy_period) != 1 or busy_period[0] < 2:
        raise click.UsageError("--busy-period is one time from 2ns to 1s")
    tell_of_compiling()
    board = load_board(board_source)
    with shares_bar(label="points") as progress:
        report = stress(
            board,
            load_path,
            sweeps={figure: values for figure, values in sweeps.items() if values},
            faults=faults.plan_for(board.link) or Faults(seed=faults.seed or 1),
            busy_period_ns=int(busy_period[0]),
            cycles=cycles,
            load_address=load_address,
            frames=frames,
            max_frames=max_frames,
            precision_ratio=precision,
            jobs=jobs,
            dask_address=dask_address,
            state=state_path,
            progress=progress,
        )
    if csv_path is not None:
        write_whole_file(csv_path, csv_of(report).encode())
    if plot_path is not None and report.points:
        write_whole_file(plot_path, plot_sweeps(report.points, plot_path, title=title_of(report)))
    if as_json:
        print_json(report)
    else:
        ok = not (report.loses or report.interrupted)
        click.echo(verdict(verdict_text(report), ok=ok))
        click.echo("\n".join(stress_text(report, board.receiver, full=full)))
    if report.interrupted:
        return say_interrupted()
    return 1 if report.loses else 0
