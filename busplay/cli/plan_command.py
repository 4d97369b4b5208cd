"""`busplay plan`: what a link can carry, what programs need, what other buses would cost."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from busplay.cli.files import Described, InFile, OutFile, OutFolder
from busplay.cli.options import Count
from busplay.cli.plan_see import SeeRequest, question_of, see_and_report, see_options

if TYPE_CHECKING:
    from busplay.analysis.budget_trace import TraceLoad
    from busplay.analysis.plan import Need, Plan


class Hertz(click.ParamType[int]):
    """A frequency: 8000000, 8e6, 8M, 8 MHz, 32.768k."""

    name = "hz"

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> int:
        """Read the number; it must be whole hertz, 1 Hz to 1 GHz."""
        from fractions import Fraction

        text = str(value).strip().replace("_", "").replace(",", "").lower()
        scale = 1
        text = text.removesuffix("hz").strip()
        for suffix, factor in (("k", 10**3), ("m", 10**6), ("g", 10**9)):
            if text.endswith(suffix):
                text, scale = text[:-1].strip(), factor
        try:
            frequency = Fraction(text) * scale
        except (ValueError, ZeroDivisionError):
            self.fail(f"{value!r} is no frequency; write 8000000, 8e6 or 8M", param, ctx)
        if frequency.denominator != 1 or not 1 <= frequency <= 10**9:
            self.fail(f"{value} is not whole hertz from 1 Hz to 1 GHz", param, ctx)
        return int(frequency)


class Bounded(click.ParamType[int]):
    """A whole number between two."""

    name = "count"

    def __init__(self, first: int, last: int) -> None:
        self._first = first
        self._last = last

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> int:
        """Read the number and hold it to its bounds."""
        number = Count().convert(value, param, ctx)
        if not self._first <= number <= self._last:
            self.fail(f"{number:,} is not between {self._first:,} and {self._last:,}", param, ctx)
        return number


@click.command("plan", epilog="Example: busplay plan lean --processor-hz 2M --need unrolled")
@click.argument("source", metavar="LINK-or-BOARD", type=Described(), required=False)
@click.option("--processor-hz", type=Hertz(), help="The processor's clock; 8 MHz for a link alone.")
@click.option("--processor", type=click.Choice(["6502", "65c02"]), help="Whose instructions.")
@click.option("--fifo", "fifo_depth", type=Bounded(0, 1 << 24), help="Depth of the sender's FIFO.")
@click.option("--receivers", type=Bounded(1, 256), help="Displays behind the link.")
@click.option("--bytes", "filled_bytes", type=Bounded(1, 1 << 20), help="Fill this many bytes.")
@click.option(
    "--burst",
    "burst_stores",
    type=Bounded(1, 1_000_000),
    multiple=True,
    help="Show bursts of this many stores.",
)
@click.option("--uart-hz", "uart_bit_hz", type=Hertz(), help="Bit rate of the UART; 115200.")
@click.option(
    "--trace",
    "trace_path",
    metavar="TRACE",
    type=InFile(),
    help="Put a recorded program's stores on the link.",
)
@click.option(
    "--need",
    "needed",
    metavar="N|LOOP|trace",
    multiple=True,
    help="What must be met: N stores a second, a loop without loss (byte, self-modifying,"
    " unrolled, straight), or the trace without loss.",
)
@click.option("--explore", is_flag=True, help="Search for links that do better.")
@click.option("--max-pins", type=Bounded(1, 100), help="Explore: pins at most.")
@click.option(
    "--max-wire-hz",
    type=Hertz(),
    help="Explore: no wire faster; up to it the processor's clock is tried doubled, too.",
)
@click.option("--clock-hz", type=Hertz(), multiple=True, help="Explore: try these own clocks.")
@click.option(
    "--max-slot-cycles",
    type=Bounded(1, 1_000_000),
    help="Explore: a slot takes so many processor cycles at most; 4.",
)
@click.option(
    "--framing",
    "framings",
    type=click.Choice(["strobe", "select", "marker", "check"]),
    multiple=True,
    help="Explore: only this way of framing.",
)
@click.option(
    "--edges",
    type=click.Choice(["rising", "both"]),
    multiple=True,
    help="Explore: only this rule of edges.",
)
@click.option(
    "--min-check-bits", type=Bounded(0, 64), default="0", help="Explore: check bits at least."
)
@click.option(
    "--plot",
    "plot_path",
    type=OutFile(".png", ".svg"),
    help="Explore: draw pins against slot time.",
)
@click.option(
    "--write",
    "write_folder",
    type=OutFolder(),
    help="Explore: write each link of the front as a link file.",
)
@see_options
@click.option("--json", "as_json", is_flag=True, help="Print the figures as JSON.")
def command(
    source: str | None,
    processor_hz: int | None,
    processor: str | None,
    fifo_depth: int | None,
    receivers: int | None,
    filled_bytes: int | None,
    burst_stores: tuple[int, ...],
    uart_bit_hz: int | None,
    trace_path: Path | None,
    needed: tuple[str, ...],
    explore: bool,
    max_pins: int | None,
    max_wire_hz: int | None,
    clock_hz: tuple[int, ...],
    max_slot_cycles: int | None,
    framings: tuple[str, ...],
    edges: tuple[str, ...],
    min_check_bits: int,
    plot_path: Path | None,
    write_folder: Path | None,
    as_json: bool,
    see: SeeRequest,
) -> int:
    """Work out what a link can carry, and what it would take otherwise.

    LINK-or-BOARD is a TOML file, or the name of a shipped link or board. Shows pins, rates and
    overhead; the fastest bursts and the sender FIFO they need; how long common loops take to
    fill the displays; the same over shared memory, SPI and UART. --explore searches lanes,
    edges, clocks, framing and checks and shows those that no other beats in everything.
    --can-it-see answers whether a logic analyser is fast enough for the link.

    Exit status: 0; 1 if a --need is not met, --explore finds no link within the limits or the
    analyser cannot see the link; 2 for wrong use.
    """
    from busplay.analysis.plan import make_plan, request_for
    from busplay.cli.plan_explore import ExploreOptions, explore_and_report
    from busplay.cli.plan_json import needs_json, plan_json, trace_json
    from busplay.cli.plan_text import needs_text, plan_text, trace_text
    from busplay.link.load import load_link_or_board

    options = ExploreOptions(
        max_pins=max_pins,
        max_wire_hz=max_wire_hz,
        clocks_hz=clock_hz,
        max_slot_cycles=max_slot_cycles,
        framings=framings,
        edges=edges,
        min_check_bits=min_check_bits,
        plot_path=plot_path,
        write_folder=write_folder,
    )
    if see != SeeRequest():
        others = (fifo_depth, receivers, filled_bytes, uart_bit_hz, processor)
        is_other = any(one is not None for one in others) or options != ExploreOptions()
        if explore or needed or burst_stores or is_other:
            raise click.UsageError(
                "--can-it-see is a question of its own; with it go --processor-hz, --trace and"
                " what is said of the analyser"
            )
        source, see = question_of(source, see)
        return see_and_report(
            load_link_or_board(source),
            see,
            processor_hz=processor_hz,
            trace_path=trace_path,
            as_json=as_json,
        )
    if source is None:
        raise click.UsageError("Missing argument 'LINK-or-BOARD'.")
    if not explore and options != ExploreOptions():
        raise click.UsageError("the limits, --plot and --write go with --explore")
    _require_needs(needed, trace_path, explore=explore)
    request = request_for(
        load_link_or_board(source),
        processor_hz=processor_hz,
        processor="6502" if processor == "6502" else "65c02" if processor else None,
        fifo_depth=fifo_depth,
        receivers=receivers,
        filled_bytes=filled_bytes,
        burst_stores=burst_stores,
        uart_bit_hz=uart_bit_hz,
    )
    if explore:
        rates = [_stores_hz(one) or 0 for one in needed]
        return explore_and_report(
            request, options, min_frame_hz=max(rates, default=0), as_json=as_json
        )
    plan = make_plan(request)
    load = None if trace_path is None else _trace_load(trace_path, plan)
    needs = _needs(plan, needed, load)
    if as_json:
        figures = plan_json(plan)
        figures["trace"] = None if load is None else trace_json(load)
        figures["needs"] = needs_json(needs)
        click.echo(json.dumps(figures, indent=2))
    else:
        click.echo(plan_text(plan))
        if load is not None and trace_path is not None:
            click.echo(trace_text(load, plan, name=trace_path.name))
        if needs:
            click.echo(needs_text(needs))
    return 0 if all(one.met for one in needs) else 1


def _require_needs(needed: tuple[str, ...], trace_path: Path | None, *, explore: bool) -> None:
    from busplay.analysis.budget_loops import LOOP_NAMES

    if explore and trace_path is not None:
        raise click.UsageError("--trace does not go with --explore")
    for one in needed:
        if explore and _stores_hz(one) is None:
            raise click.UsageError(
                f"--need {one!r} does not go with --explore; give stores a second, or"
                " --max-slot-cycles"
            )
        if one == "trace":
            if trace_path is None:
                raise click.UsageError("--need trace goes with --trace")
        elif one not in LOOP_NAMES and _stores_hz(one) is None:
            names = ", ".join(LOOP_NAMES)
            raise click.UsageError(
                f"--need {one!r} is neither a number of stores a second nor one of {names}, trace"
            )


def _stores_hz(text: str) -> int | None:
    number = text.replace("_", "").replace(",", "")
    return int(number) if number.isascii() and number.isdigit() and len(number) < 16 else None


def _needs(plan: Plan, needed: tuple[str, ...], load: TraceLoad | None) -> list[Need]:
    from busplay.analysis.plan import need_loop, need_rate, need_trace

    needs = []
    for one in needed:
        stores_hz = _stores_hz(one)
        if stores_hz is not None:
            needs.append(need_rate(plan, stores_hz))
        elif load is not None and one == "trace":
            needs.append(need_trace(plan, load))
        else:
            needs.append(need_loop(plan, one))
    return needs


def _trace_load(path: Path, plan: Plan) -> TraceLoad:
    import sys
    from collections.abc import Iterator

    from busplay.analysis.budget_trace import trace_load
    from busplay.batch import FrameBatch
    from busplay.trace.reader import TraceReader

    with (
        TraceReader(path) as reader,
        click.progressbar(
            length=reader.frames,
            label=path.name,
            file=sys.stderr,
            hidden=not sys.stderr.isatty() or reader.frames < PROGRESS_FRAMES,
        ) as bar,
    ):

        def chunks() -> Iterator[FrameBatch]:
            for frames in reader.chunks():
                yield frames
                bar.update(len(frames))

        return trace_load(
            reader.header,
            chunks(),
            plan.budget,
            stop_edge=reader.stop_edge,
            stores_offered=reader.stores,
            planned_fifo_depth=plan.request.fifo_depth,
        )


PROGRESS_FRAMES = 5_000_000
