"""What `replay` does: play a trace and report."""

from __future__ import annotations

from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import click

from busplay.cli.finishing import Ending, NamedLosses, PlayRequest, play_and_report
from busplay.cli.notice import tell_of_compiling
from busplay.cli.playing import Bench, require_snapshot_units
from busplay.cli.progress import late_bar
from busplay.cli.run_options import stop_cycle
from busplay.core.devices.interface import UntrustedCodeError
from busplay.errors import InputError, printable
from busplay.formats.quantities import time_text
from busplay.history.program_history import MEMORY_MB, ProgramHistory
from busplay.history.rerun import Rerun
from busplay.player.inspector import ErrorRow
from busplay.program.labels import Labels, labels_for
from busplay.program.pages import FullAddresses
from busplay.run.inputs import RunInputs
from busplay.run.replay import Replay
from busplay.run.store_pc import StorePcFinder
from busplay.trace.reader import TraceReader
from busplay.units import PS_PER_S

PIECE_CYCLES = 1_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class ReplayRequest(PlayRequest):
    """What to replay and what to write, as the user gave it."""

    trace: Path
    from_ps: int | None
    to_ps: int | None
    cycles: int | None
    program: Path | None
    load_address: int | None
    labels: Path | None
    against: Path | None


def replay_and_report(request: ReplayRequest) -> int:
    """Replay, write pictures and files, print the figures; return the exit status.

    Raises:
        BusplayError: for whatever a user can cause.
    """
    tell_of_compiling()
    with TraceReader(request.trace) as reader:
        labels = labels_for(request.labels, request.program, reader.header.banks)
        plan = request.faults.plan_for(reader.header.link)
        units = [unit.name for unit in reader.header.units]
        require_snapshot_units(request.play.snapshots, units)
    with ExitStack() as stack:
        replay = stack.enter_context(
            Replay(request.trace, faults=plan, record_received=request.losses.record_received)
        )
        # The names are asked for when the trace is closed.
        pages = replay.reader.shown_pages.kept()
        program: ProgramHistory | None = None
        # In the window it goes beside the trace as one looks at it, so that one can go back.
        if request.program is not None and (
            request.play.headless or request.losses.losses_path or not replay.can_seek
        ):
            program = ProgramHistory.of_trace(
                replay.reader, request.program, load_address=request.load_address
            )
            replay.run_beside(Rerun(program))
        stop = stop_cycle(request.cycles, request.to_ps, replay.clock_hz)
        if request.from_ps is not None:
            _go_to(replay, _first_cycle(replay, request.from_ps, stop), from_start=plan is not None)
        if replay.cut_reason and not request.as_json:
            click.echo(f"{printable(request.trace)}: {replay.cut_reason}", err=True)
        return play_and_report(
            replay,
            title=request.trace.name,
            stop_cycle=stop,
            options=request,
            losses=lambda: NamedLosses(
                replay.pipeline,
                labels=labels,
                by_edge=FullAddresses(replay.board.banks, pages),
                make_finder=None if program is None else lambda: _finder(replay, program),
                unknown="no program counters: a trace holds none; --program FILE runs its program"
                " again",
            ),
            ending=lambda: _ending(replay),
            stack=stack,
            bench=lambda: _bench(replay, request, labels, stack),
        )


def _finder(replay: Replay, program: ProgramHistory) -> StorePcFinder:
    return StorePcFinder(program.start, RunInputs.of_trace(replay.reader))


def _bench(replay: Replay, request: ReplayRequest, labels: Labels, stack: ExitStack) -> Bench:
    """Return what the window shows of the recording: its frames, marks, program.

    Raises:
        InputError: the program that was given is another one.
    """
    from busplay.cli.held_against import HeldAgainst, differences_between
    from busplay.cli.window_profile import profile_of_run
    from busplay.history.history import open_history
    from busplay.history.program_inspector import KnownProgram
    from busplay.history.trace_inspector import TraceInspector
    from busplay.player.marks import Marks
    from busplay.run.recorded_program import find_recorded_program

    reader = replay.reader
    with late_bar(reader.frames, label="opening the history") as move_to:
        history = open_history(reader, on_frames=move_to)
    program = None
    if request.program or find_recorded_program(reader.path, reader.header):
        try:
            program = ProgramHistory.of_trace(
                reader,
                request.program,
                load_address=request.load_address,
                labels=request.labels,
                memory_mb=request.play.history_mb or MEMORY_MB,
            )
        except UntrustedCodeError:
            # Nobody asked for the program, so the recording is shown without it.
            if request.program is not None:
                raise
    against: Replay | None = None
    differences: tuple[ErrorRow, ...] = ()
    if request.against is not None:
        against = stack.enter_context(Replay(request.against))
        with late_bar(reader.frames, label="comparing") as move_to:
            differences = differences_between(reader, against.reader, labels, progress=move_to)
    profile_of = None
    if program is not None:
        profile_of = profile_of_run(program, lambda: RunInputs.of_trace(reader))
    inspector = TraceInspector(
        replay,
        history,
        KnownProgram(labels, program, profile_of),
        against=against,
        differences=differences,
    )
    played = None if against is None else HeldAgainst(replay, inspector)
    return Bench(inspector, Marks.beside(request.trace), playable=played)


def _go_to(replay: Replay, cycle: int, *, from_start: bool) -> None:
    """Jump, or play up to there where faults come into it, with a progress bar."""
    with late_bar(cycle, label="up to --from") as move_to:
        while from_start and replay.cycle < cycle:
            replay.run(min(PIECE_CYCLES, cycle - replay.cycle))
            move_to(replay.cycle)
    if not from_start:
        replay.seek(cycle)


def _first_cycle(replay: Replay, from_ps: int, stop: int | None) -> int:
    """Return where to begin.

    Raises:
        InputError: nothing is left to play from there.
    """
    first = from_ps * replay.clock_hz // PS_PER_S
    end = replay.end_cycle if stop is None else min(stop, replay.end_cycle)
    if first and first >= end:
        what = "the recording ends" if stop is None or stop > replay.end_cycle else "it stops"
        raise InputError(
            place="--from",
            found=time_text(from_ps),
            wanted=f"{what} at {time_text(end * PS_PER_S // replay.clock_hz)}, so give less",
        )
    return first


def _ending(replay: Replay) -> Ending:
    # A trace tells stores apart from frames only in its totals: what was lost at the sender's
    # FIFO never became a frame.
    reader = replay.reader
    lost_at_sender = replay.pipeline.counters().accounts.frames.lost_at_sender
    return Ending(
        program=reader.header.program_name,
        complete=reader.complete,
        lost_at_sender=reader.stores - reader.frames if replay.ended else lost_at_sender,
    )
