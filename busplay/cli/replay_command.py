"""`busplay replay`: the player for recorded traces."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import click

from busplay.cli.fault_options import FaultRequest, fault_options
from busplay.cli.options import Count, GivenSpeed, Seconds, Snapshot
from busplay.cli.playing import (
    PlayOptions,
    play,
    play_options,
    require_snapshot_units,
    write_snapshots,
)
from busplay.cli.report import print_figures, road_figures


@click.command("replay", epilog="Example: busplay replay tides.trace --from 0.5")
@click.argument("trace", metavar="TRACE", type=click.Path(path_type=Path))
@click.option("--from", "from_seconds", type=Seconds(), help="Begin at this machine time.")
@click.option("--cycles", type=Count(), help="Stop at this processor cycle of the recording.")
@click.option("--seconds", type=Seconds(), help="Stop at this machine time of the recording.")
@click.option("--json", "as_json", is_flag=True, help="Print the figures as JSON.")
@fault_options
@play_options
def command(
    trace: Path,
    from_seconds: Fraction | None,
    cycles: int | None,
    seconds: Fraction | None,
    as_json: bool,
    headless: bool,
    speed: GivenSpeed | None,
    snapshots: tuple[Snapshot, ...],
    scale: int | None,
    full_screen: bool,
    faults: FaultRequest,
) -> int:
    """Play TRACE through the same receiver and displays that the program's run went through.

    In the window: pause, single pictures, jumps, speed; F1 shows the keys.
    """
    from busplay.cli.books_report import BookReport
    from busplay.cli.notice import tell_of_compiling
    from busplay.replay import Replay
    from busplay.trace.reader import TraceReader

    tell_of_compiling()

    plan = None
    if not faults.is_empty:
        with TraceReader(trace) as reader:
            plan = faults.plan_for(reader.header.link)
    with Replay(trace, faults=plan) as replay:
        require_snapshot_units(snapshots, replay.displays)
        stops = [
            stop
            for stop in (
                cycles,
                int(seconds * replay.clock_hz) if seconds is not None else None,
            )
            if stop is not None
        ]
        if from_seconds is not None:
            replay.seek(min(int(from_seconds * replay.clock_hz), replay.end_cycle))
        if replay.cut_reason and not as_json:
            click.echo(f"{trace}: {replay.cut_reason}", err=True)
        options = PlayOptions(headless, speed, snapshots, scale, full_screen)
        play(
            replay,
            title=trace.name,
            board=replay.board,
            options=options,
            stop_cycle=min(stops) if stops else None,
        )
        write_snapshots(snapshots, replay.displays)
        figures = road_figures(replay.road, cycles=replay.cycle)
        # A trace tells stores apart from frames only in its totals: what was lost at the
        # sender's FIFO never became a frame.
        figures["stores"] = replay.reader.stores
        figures["frames_overrun"] = replay.reader.stores - replay.reader.frames
        figures["complete"] = replay.reader.complete
        figures["pictures"] = [str(snapshot.path) for snapshot in snapshots]
        if headless or as_json:
            books = BookReport(replay.road)
            figures |= books.figures()
            print_figures(figures, as_json=as_json, title=f"Replayed {trace.name}")
            if not as_json:
                books.print()
    return 0
