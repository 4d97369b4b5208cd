"""What `replay` does: play a trace, write pictures and files, print the figures."""

from __future__ import annotations

from contextlib import ExitStack
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import click

from busplay.cli.accounts_report import AccountsReport, open_loss_file
from busplay.cli.fault_options import FaultRequest
from busplay.cli.notice import tell_of_compiling
from busplay.cli.playing import PlayOptions, play, require_snapshot_units, write_snapshots
from busplay.cli.report import Figures, pipeline_figures, print_figures
from busplay.losses.lost_stores import Labels
from busplay.program.labels import find_labels_beside, read_labels
from busplay.run.replay import Replay
from busplay.run.rerun import Rerun
from busplay.trace.reader import TraceReader


@dataclass(frozen=True, slots=True)
class ReplayRequest:
    """What to replay and what to write, as the user gave it."""

    trace: Path
    from_seconds: Fraction | None
    cycles: int | None
    seconds: Fraction | None
    record_received: Path | None
    losses: Path | None
    program: Path | None
    load_address: int | None
    labels: Path | None
    faults: FaultRequest

    def stop_cycle(self, clock_hz: int) -> int | None:
        """Return the cycle at which to stop, the earlier of the two limits; None is no limit."""
        stops = [] if self.cycles is None else [self.cycles]
        if self.seconds is not None:
            stops.append(int(self.seconds * clock_hz))
        return min(stops, default=None)


def replay_and_report(request: ReplayRequest, options: PlayOptions, *, as_json: bool) -> int:
    """Replay, write pictures, print the figures; give the exit status.

    Raises:
        BusplayError: for whatever a user can cause.
    """
    tell_of_compiling()
    labels = _labels(request)
    plan = None
    if not request.faults.is_empty:
        with TraceReader(request.trace) as reader:
            plan = request.faults.plan_for(reader.header.link)
    with ExitStack() as stack:
        replay = stack.enter_context(
            Replay(request.trace, faults=plan, record_received=request.record_received)
        )
        again = None
        if request.program is not None:
            again = Rerun(replay.reader, request.program, load_address=request.load_address)
            replay.run_beside(again)
        loss_file = open_loss_file(request.losses, replay.pipeline, stack)
        require_snapshot_units(options.snapshots, replay.displays)
        if request.from_seconds is not None:
            replay.seek(min(int(request.from_seconds * replay.clock_hz), replay.end_cycle))
        if replay.cut_reason and not as_json:
            click.echo(f"{request.trace}: {replay.cut_reason}", err=True)
        play(
            replay,
            title=request.trace.name,
            board=replay.board,
            options=options,
            stop_cycle=request.stop_cycle(replay.clock_hz),
        )
        write_snapshots(options.snapshots, replay.displays)
        if loss_file is not None:
            _report(replay, again, labels).write(loss_file)
        accounts = _report(replay, again, labels)
        if options.headless or as_json or accounts.tell_of_losses:
            _print(replay, request, options, accounts, as_json=as_json)
    return 0


def _labels(request: ReplayRequest) -> Labels:
    if request.labels is not None:
        return read_labels(request.labels)
    beside = None if request.program is None else find_labels_beside(request.program)
    return {} if beside is None else read_labels(beside)


def _report(replay: Replay, again: Rerun | None, labels: Labels) -> AccountsReport:
    return AccountsReport(
        replay.pipeline,
        labels=labels,
        find_counters=None if again is None else again.store_pc_finder().find,
        unknown="no program counters: a trace holds none; --program FILE runs its program again",
    )


def _print(
    replay: Replay,
    request: ReplayRequest,
    options: PlayOptions,
    accounts: AccountsReport,
    *,
    as_json: bool,
) -> None:
    figures: Figures = pipeline_figures(replay.pipeline, cycles=replay.cycle)
    # A trace tells stores apart from frames only in its totals: what was lost at the
    # sender's FIFO never became a frame.
    figures["stores"] = replay.reader.stores
    figures["frames_overrun"] = replay.reader.stores - replay.reader.frames
    figures["complete"] = replay.reader.complete
    received, losses = request.record_received, request.losses
    figures["received_trace"] = None if received is None else str(received)
    figures["losses_file"] = None if losses is None else str(losses)
    figures["pictures"] = [str(snapshot.path) for snapshot in options.snapshots]
    figures |= accounts.figures()
    print_figures(figures, as_json=as_json, title=f"Replayed {request.trace.name}")
    if not as_json:
        accounts.print()
