"""`busplay stress`: noise, lost edges, FIFO, service and busy times, until something breaks."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from busplay.cli.fault_options import FaultRequest, fault_options
from busplay.cli.files import Described, InProgram, OutFile
from busplay.cli.options import Address, Count

if TYPE_CHECKING:
    from busplay.analysis.stress.points import Figure


class Values(click.ParamType[tuple[float, ...]]):
    """Values of a sweep: 1e-6,1e-5,1e-4, or FROM..TO/COUNT in even steps.

    Args:
        whole: only whole numbers.
        ratio: chances from 0 to 1; FROM..TO/COUNT is then in even factors.
    """

    name = "values"

    def __init__(self, *, whole: bool, first: int = 0, last: int = 1) -> None:
        self._whole = whole
        self._first = first
        self._last = last

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[float, ...]:
        """Read the list; each value must be one that the figure can have."""
        if isinstance(value, tuple):
            return value
        text = str(value).replace("_", "").replace(" ", "")
        try:
            values = self._span(text) if ".." in text else [float(one) for one in text.split(",")]
        except ValueError:
            self.fail(f"{value!r} is no list; write 1,2,4 or FROM..TO/COUNT", param, ctx)
        if len(values) > 1_000:
            self.fail(f"{len(values):,} values are more than 1,000", param, ctx)
        for one in values:
            if self._whole and one != int(one):
                self.fail(f"{one} is no whole number", param, ctx)
            if not self._first <= one <= self._last or (not self._whole and 0 < one < 1e-12):
                span = f"{self._first:,} to {self._last:,}" if self._whole else "0, or 1e-12 to 1"
                self.fail(f"{one:g} is not {span}", param, ctx)
        return tuple(dict.fromkeys(values))

    def _span(self, text: str) -> list[float]:
        bounds, _, steps = text.partition("/")
        low, _, high = bounds.partition("..")
        first, last, count = float(low), float(high), int(steps or "10")
        if not 2 <= count <= 1_000 or not first < last:
            raise ValueError("no span")
        part = [index / (count - 1) for index in range(count)]
        if self._whole:
            return [float(round(first + (last - first) * one)) for one in part]
        if first <= 0:
            raise ValueError("factors need a first value")
        return [float(f"{first * (last / first) ** one:.6g}") for one in part]


@click.command(
    "stress", epilog="Example: busplay stress dunlin tides.trace --sweep-fifo 1,2,4,8 --jobs 2"
)
@click.argument("board_source", metavar="BOARD", type=Described())
@click.argument("load_path", metavar="TRACE-or-PROGRAM", type=InProgram())
@click.option("--sweep-ber", type=Values(whole=False), help="Chances of a bit to flip.")
@click.option("--sweep-lost-edges", type=Values(whole=False), help="Chances of an edge to go.")
@click.option(
    "--sweep-fifo", type=Values(whole=True, first=1, last=1 << 20), help="Places of the FIFO."
)
@click.option(
    "--sweep-service",
    type=Values(whole=True, last=10**9),
    help="Service times of a frame, in ns.",
)
@click.option(
    "--sweep-busy", type=Values(whole=True, last=10**9), help="Lengths of the busy time, in ns."
)
@click.option(
    "--busy-period",
    "busy_period_ns",
    type=click.IntRange(2, 10**9),
    default=1_000_000,
    show_default=True,
    help="Period of the busy time, in ns, where the board has none.",
)
@click.option("--cycles", type=Count(), default=8_000_000, help="Run a program for so many.")
@click.option("--load", "load_address", type=Address(), help="Where a raw program goes.")
@click.option("--frames", type=Count(), help="Send no more frames than this in a trial.")
@click.option(
    "--budget",
    type=click.IntRange(1, 10**12),
    default=4_000_000,
    show_default=True,
    help="Frames to spend on a point.",
)
@click.option(
    "--width",
    type=click.FloatRange(0, 1),
    default=0.1,
    show_default=True,
    help="Stop where half the interval is this share of the rate.",
)
@click.option("--jobs", type=int, default=-1, show_default=True, help="Processes; -1: all cores.")
@click.option("--dask", "dask_address", metavar="ADDRESS", help="Compute on this Dask cluster.")
@click.option(
    "--state",
    "state_path",
    type=OutFile(),
    help="Keep each point here; a run that was killed goes on from it.",
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
    help="Draw the sweeps, with their bands, as .png, .svg or .pdf.",
)
@click.option("--json", "as_json", is_flag=True, help="Print everything as JSON.")
@fault_options
def command(
    board_source: str,
    load_path: Path,
    sweep_ber: tuple[float, ...] | None,
    sweep_lost_edges: tuple[float, ...] | None,
    sweep_fifo: tuple[float, ...] | None,
    sweep_service: tuple[float, ...] | None,
    sweep_busy: tuple[float, ...] | None,
    busy_period_ns: int,
    cycles: int,
    load_address: int | None,
    frames: int | None,
    budget: int,
    width: float,
    jobs: int,
    dask_address: str | None,
    state_path: Path | None,
    csv_path: Path | None,
    plot_path: Path | None,
    as_json: bool,
    faults: FaultRequest,
) -> int:
    """Find out what breaks BOARD when it has to carry what a trace or a program sends.

    Each --sweep-... varies one figure and leaves all else as the board and the faults say; with
    none of them all five are swept. VALUES are a list (1,2,4) or FROM..TO/COUNT. Beside the
    sweeps: the smallest FIFO that loses nothing, the longest service time, and what explains
    the losses of the board as it is.

    The same seed gives the same results, whatever the number of processes.

    Exit status: 1 if the board as it is loses anything, else 0; 2 for wrong use.
    """
    from busplay.analysis.stress.points import Figure
    from busplay.cli.stress_run import StressRequest, stress_and_report

    if jobs == 0 or jobs < -64 or jobs > 1_024:
        raise click.UsageError("--jobs is a number of processes, or -1 for one a core")
    sweeps: dict[Figure, tuple[float, ...] | None] = {
        Figure.BER: sweep_ber,
        Figure.LOST_EDGES: sweep_lost_edges,
        Figure.FIFO_DEPTH: sweep_fifo,
        Figure.SERVICE_NS: sweep_service,
        Figure.BUSY_NS: sweep_busy,
    }
    return stress_and_report(
        StressRequest(
            board_source=board_source,
            load_path=load_path,
            sweeps={figure: values for figure, values in sweeps.items() if values},
            busy_period_ns=busy_period_ns,
            cycles=cycles,
            load_address=load_address,
            frames=frames,
            budget_frames=budget,
            width_ratio=width,
            jobs=jobs,
            dask_address=dask_address,
            state_path=state_path,
            csv_path=csv_path,
            plot_path=plot_path,
            faults=faults,
        ),
        as_json=as_json,
        show_progress=sys.stderr.isatty(),
    )
