"""`busplay plan`: what a link can carry, what programs need, what other buses would cost."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from busplay.cli.files import Described, InFile
from busplay.cli.interrupt import say_interrupted
from busplay.cli.json_output import print_json
from busplay.cli.options import Count, Rate, full_option, json_option
from busplay.cli.plan_explore import ExploreRequest, explore_and_report, explore_options
from busplay.cli.plan_see import SeeRequest, see_and_report, see_options
from busplay.cli.renamed import renamed
from busplay.cli.style import verdict

if TYPE_CHECKING:
    from busplay.description.board import Processor


LOOPS = "byte, self-modifying, unrolled, straight"


@click.command("plan", epilog="Example: busplay plan lean --processor-clock 2MHz --need unrolled")
@click.argument("source", metavar="LINK-or-BOARD", type=Described(), required=False)
@click.option(
    "--processor-clock",
    "processor_hz",
    type=Rate(),
    metavar="RATE",
    help="The processor's clock; 8MHz for a link alone.",
)
@click.option("--processor", type=click.Choice(["6502", "65c02"]), help="The board's processor.")
@click.option(
    "--sender-fifo",
    "fifo_depth",
    type=Count(0, 1 << 24),
    metavar="COUNT",
    help="Sender FIFO depth, besides an output register.",
)
@click.option("--receivers", type=Count(1, 256), metavar="COUNT", help="Displays on the link.")
@click.option(
    "--bytes", "filled_bytes", type=Count(1, 1 << 20), metavar="COUNT", help="Fill COUNT bytes."
)
@click.option(
    "--burst-stores",
    type=Count(1, 1_000_000),
    multiple=True,
    metavar="COUNT",
    help="Show bursts of COUNT stores.",
)
@click.option("--uart-rate", "uart_hz", type=Rate(), metavar="RATE", help="The UART's bit rate.")
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
    metavar="COUNT|LOOP|trace",
    multiple=True,
    help=f"Require COUNT stores a second, a loop without loss ({LOOPS}), or the trace without"
    " loss.",
)
@explore_options
@see_options
@full_option
@json_option
@renamed("--processor-hz", "--processor-clock")
@renamed("--fifo", "--sender-fifo")
@renamed("--burst", "--burst-stores")
@renamed("--uart-hz", "--uart-rate")
@renamed("--max-wire-hz", "--max-wire-rate")
@renamed("--clock-hz", "--clock-rate")
@renamed("--rate", "--can-it-see RATE")
def command(
    source: str | None,
    processor_hz: int | None,
    processor: str | None,
    fifo_depth: int | None,
    receivers: int | None,
    filled_bytes: int | None,
    burst_stores: tuple[int, ...],
    uart_hz: int | None,
    trace_path: Path | None,
    needed: tuple[str, ...],
    search: ExploreRequest,
    full: bool,
    as_json: bool,
    see: SeeRequest,
) -> int:
    """Work out what a link can carry, and what it would take otherwise.

    LINK-or-BOARD is a TOML file, or the name of a shipped link or board. Shows pins, rates and
    overhead; the fastest bursts and the sender FIFO they need; how long common loops take to
    fill the displays; the same over shared memory, SPI and UART. --explore searches lanes,
    edges, clocks, framing and checks, and shows the Pareto front.
    --can-it-see answers whether a logic analyser is fast enough for the link.

    A FIFO depth counts a place for the frame that waits for the next start on the slot grid. A
    sender with an output register for that frame needs one less; --sender-fifo and a board's
    sender.fifo_depth are depths beside such a register.

    Exit status: 0; 1 if a --need is not met, --explore finds no link within the limits or the
    analyser cannot see the link; 2 for wrong use; 130 if interrupted.
    """
    from busplay.analysis.plan import plan, stores_hz_of
    from busplay.analysis.plan_text import full_text, short_text, verdict_text
    from busplay.cli.progress import shares_bar
    from busplay.link.load import load_link_or_board

    if see != SeeRequest():
        others = (fifo_depth, receivers, filled_bytes, uart_hz, processor)
        is_other = any(one is not None for one in others) or search != ExploreRequest()
        if needed or burst_stores or is_other:
            raise click.UsageError(
                "--can-it-see is a question of its own; with it go --processor-clock, --trace and"
                " what is said of the analyser"
            )
        if source is None:
            raise click.UsageError("Missing argument 'LINK-or-BOARD'.")
        return see_and_report(
            load_link_or_board(source),
            see,
            processor_hz=processor_hz,
            trace_path=trace_path,
            as_json=as_json,
        )
    if source is None:
        raise click.UsageError("Missing argument 'LINK-or-BOARD'.")
    if not search.explore and search != ExploreRequest():
        raise click.UsageError("the limits, --plot and --write go with --explore")
    _require_needs(needed, trace_path, explore=search.explore)
    described = load_link_or_board(source)
    chosen: Processor | None = None
    if processor is not None:
        chosen = "6502" if processor == "6502" else "65c02"
    if search.explore:
        return explore_and_report(
            described,
            search,
            processor_hz=processor_hz,
            receivers=receivers,
            min_frame_hz=max((stores_hz_of(one) or 0 for one in needed), default=0),
            full=full,
            as_json=as_json,
        )
    with shares_bar(label="trace") as progress:
        report = plan(
            described,
            trace=trace_path,
            needs=needed,
            processor_hz=processor_hz,
            processor=chosen,
            fifo_depth=fifo_depth,
            receivers=receivers,
            filled_bytes=filled_bytes,
            burst_stores=burst_stores,
            uart_hz=uart_hz,
            progress=progress,
        )
    if as_json:
        print_json(report)
    else:
        lost = any(row.stores_lost for row in report.loops)
        ok = report.meets_needs if report.needs else not lost
        click.echo(verdict(verdict_text(report), ok=ok))
        click.echo("\n".join(full_text(report) if full else short_text(report)))
    if report.interrupted:
        return say_interrupted("; the trace is left out")
    return 0 if report.meets_needs else 1


def _require_needs(needed: tuple[str, ...], trace_path: Path | None, *, explore: bool) -> None:
    from busplay.analysis.budget_loops import LOOP_NAMES
    from busplay.analysis.plan import stores_hz_of

    if explore and trace_path is not None:
        raise click.UsageError("--trace does not go with --explore")
    for one in needed:
        if explore and stores_hz_of(one) is None:
            raise click.UsageError(
                f"--need {one!r} does not go with --explore; give stores a second, or"
                " --max-slot-cycles"
            )
        if one == "trace":
            if trace_path is None:
                raise click.UsageError("--need trace goes with --trace")
        elif one not in LOOP_NAMES and stores_hz_of(one) is None:
            names = ", ".join(LOOP_NAMES)
            raise click.UsageError(
                f"--need {one!r} is neither a number of stores a second nor one of {names}, trace"
            )
