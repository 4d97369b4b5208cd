"""`busplay profile`: where a program spends its cycles and its stores."""

from __future__ import annotations

from pathlib import Path

import click

from busplay.cli.files import Described, InProgram, OutFile, enter_recorded_program
from busplay.cli.json_output import print_json
from busplay.cli.options import Count, Time, full_option, json_option, load_option, trust_option
from busplay.cli.run_options import keys_option, labels_option, stop_cycle


@click.command("profile", epilog="Example: busplay profile dunlin tides.bin --to 2s")
@click.argument("source", metavar="BOARD-or-TRACE", type=Described())
@click.argument("argument", metavar="[PROGRAM]", required=False, type=InProgram())
@click.option(
    "--program",
    type=InProgram(),
    help="Run this program again beside TRACE.  [default: the one beside it that has its digest]",
)
@load_option
@trust_option
@keys_option
@labels_option
@click.option("--from", "from_ps", type=Time(), help="Leave out what is earlier: 1.5ms.")
@click.option("--to", "to_ps", type=Time(), help="Leave out what is later.")
@click.option("--cycles", type=Count(), help="Stop at processor cycle COUNT.")
@click.option("--csv", "csv_path", type=OutFile(), help="Write all tables as one CSV.")
@click.option(
    "--speedscope", "speedscope_path", type=OutFile(), help="Write a file for speedscope."
)
@click.option(
    "--callgrind",
    "callgrind_path",
    type=OutFile(),
    help="Write a file in callgrind's format, for callgrind_annotate and KCachegrind.",
)
@json_option
@full_option
def command(
    source: str,
    argument: Path | None,
    program: Path | None,
    load_address: int | None,
    keys: Path | None,
    labels: Path | None,
    from_ps: int | None,
    to_ps: int | None,
    cycles: int | None,
    csv_path: Path | None,
    speedscope_path: Path | None,
    callgrind_path: Path | None,
    as_json: bool,
    full: bool,
) -> int:
    """Show where a program spends its cycles and its stores.

    Runs PROGRAM on BOARD, or reruns the program that TRACE was recorded from, with its key presses.
    By routine and source line: cycles, own and with callees, without interrupts; stores, unchanged
    and replaced in the same refresh; link use. Routines come from labels (NAME.lbl, NAME.dbg, ELF),
    else from the calls; lines from ld65's debug file NAME.dbg. Without --to or --cycles TRACE runs
    to its end, PROGRAM for 10 s of BOARD's time.

    Exit status: 0; 2 for wrong use; 130 if interrupted.
    """
    from busplay.analysis.profile.exports import callgrind_of, csv_of, speedscope_of
    from busplay.analysis.profile.profile import clock_of, profile
    from busplay.cli.interrupt import hold_interrupt, say_interrupted
    from busplay.cli.notice import tell_of_compiling
    from busplay.cli.profile_text import profile_text, profile_verdict
    from busplay.cli.progress import shares_bar
    from busplay.cli.style import verdict
    from busplay.formats.keys_csv import read_key_presses
    from busplay.whole_file import write_whole_file

    if argument is not None and program is not None:
        raise click.UsageError("PROGRAM and --program are the same; give one")
    tell_of_compiling()
    clock_hz, is_trace = clock_of(source)
    if is_trace and keys is not None:
        raise click.UsageError("--keys is for a BOARD; a TRACE has the keys that were pressed")
    if is_trace and program is None:
        enter_recorded_program(Path(source))
    with shares_bar(label="profile") as progress, hold_interrupt() as held:

        def move_on(done: int, total: int) -> None:
            progress(done, total)
            if held.pressed:
                # Between two pieces, so that all sums agree.
                raise KeyboardInterrupt

        report = profile(
            source,
            argument or program,
            first_cycle=stop_cycle(None, from_ps, clock_hz) or 0,
            stop_cycle=stop_cycle(cycles, to_ps, clock_hz),
            load_address=load_address,
            labels=labels,
            key_presses=read_key_presses(keys) if keys is not None else (),
            on_progress=move_on,
        )
    for path, make in (
        (csv_path, csv_of),
        (speedscope_path, speedscope_of),
        (callgrind_path, callgrind_of),
    ):
        if path is not None:
            write_whole_file(path, make(report).encode())
    if as_json:
        print_json(report)
    else:
        click.echo(verdict(profile_verdict(report), ok=not report.interrupted))
        click.echo("\n".join(profile_text(report, full=full)))
    return say_interrupted() if report.interrupted else 0
