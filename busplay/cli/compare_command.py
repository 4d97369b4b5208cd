"""`busplay compare`: what got lost, damaged, added or late between two recordings."""

from __future__ import annotations

import json
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import click

from busplay.cli.files import InFile, OutFile
from busplay.cli.options import Count
from busplay.errors import InputError, printable

if TYPE_CHECKING:
    from busplay.analysis.compare.comparison import Comparison
    from busplay.trace.reader import TraceReader

FIRST_DIFFERENCES = 20
PROGRESS_FROM_FRAMES = 10_000_000
PIECE_CYCLES = 1_000_000


@click.command(
    "compare", epilog="Example: busplay compare sent.trace received.trace --picture both.png"
)
@click.argument("expected", metavar="EXPECTED", type=InFile())
@click.argument("actual", metavar="ACTUAL", type=InFile())
@click.option(
    "--first",
    type=Count(),
    default=FIRST_DIFFERENCES,
    show_default=True,
    help="List this many differences one by one.",
)
@click.option("--all", "list_all", is_flag=True, help="List all of them.")
@click.option(
    "--labels",
    type=InFile(),
    help="Name addresses by the labels that an assembler listed.",
)
@click.option(
    "--picture",
    type=OutFile(".png"),
    help="Write both last screens and their difference, side by side.",
)
@click.option("--ignore-time", is_flag=True, help="Take frames that are late for equal.")
@click.option("--json", "as_json", is_flag=True, help="Print the figures as JSON.")
def command(
    expected: Path,
    actual: Path,
    first: int,
    list_all: bool,
    labels: Path | None,
    picture: Path | None,
    ignore_time: bool,
    as_json: bool,
) -> int:
    """Hold the trace ACTUAL against the trace EXPECTED of the same program, frame by frame.

    Counts and lists frames that are missing, changed (which bits, on which lanes), added, or
    out of order, and says what they have in common: a lane, a range of addresses, a frequency,
    bursts; each with the chance that it means nothing. A constant delay is no difference, one
    that changes is. Traces over different links are compared by what frames say, and their
    times are not judged.

    Exit status: 0 equal, 1 different, 2 wrong use or nothing to compare.
    """
    from busplay.analysis.compare.listing import list_differences
    from busplay.analysis.compare.places import Places
    from busplay.analysis.compare.report import comparison_facts, comparison_text
    from busplay.cli.notice import tell_of_compiling
    from busplay.program.labels import read_labels
    from busplay.trace.reader import TraceReader

    tell_of_compiling()
    names = read_labels(labels) if labels is not None else None
    with TraceReader(expected) as before, TraceReader(actual) as after:
        comparison = _compare(before, after, None if list_all else first)
    if not comparison.compared_anything:
        raise InputError(
            file=str(actual),
            found="no frame, and none in the expected trace",
            wanted="record a run that stores something; nothing was compared",
        )
    places = Places(comparison.sides.board, names)
    listed = list(list_differences(comparison, places, first=None if list_all else first))
    pixels = None if picture is None else _write_picture(picture, expected, actual)
    late = comparison.sides.judges_time and not comparison.times_equal and not ignore_time
    equal = comparison.frames_equal and not late
    if as_json:
        facts = {"expected": str(expected), "actual": str(actual), "equal": equal}
        facts |= comparison_facts(comparison, listed)
        if picture is not None:
            facts |= {"picture": str(picture), "pixels_different": pixels}
        click.echo(json.dumps(facts, indent=2))
    else:
        click.echo(
            comparison_text(
                comparison, listed, names=(printable(expected.name), printable(actual.name))
            )
        )
        if picture is not None and pixels is not None:
            click.echo(_picture_text(picture, pixels))
        click.echo(f"\n{'equal' if equal else 'DIFFERENT'}")
    return 0 if equal else 1


def _compare(before: TraceReader, after: TraceReader, first: int | None) -> Comparison:
    from busplay.analysis.compare.compare import KEEP_DIFFERENCES, compare_traces

    hidden = before.frames < PROGRESS_FROM_FRAMES or not sys.stderr.isatty()
    with click.progressbar(length=max(1, before.frames), file=sys.stderr, hidden=hidden) as bar:
        comparison = compare_traces(
            before.chunks(),
            after.chunks(),
            expected_header=before.header,
            actual_header=after.header,
            expected_name=str(before.path),
            actual_name=str(after.path),
            same_run=_holds_what_arrived(before, after),
            keep=max(before.frames + after.frames if first is None else first, KEEP_DIFFERENCES),
            progress=bar.update,
        )
    for reader, name in ((before, "expected"), (after, "actual")):
        if not reader.complete:
            comparison.sides.notes.append(f"the {name} trace is cut: {reader.cut_reason}")
    return comparison


def _holds_what_arrived(before: TraceReader, after: TraceReader) -> bool:
    """Tell whether a trace is what arrived of another's frames, each at its own edge."""
    noted = after.summary()
    return noted.get("frames_sent") == before.frames and noted.get("frames_moved") == 0


def _write_picture(picture: Path, expected: Path, actual: Path) -> dict[str, int]:
    """Write the picture; give the number of different pixels by unit."""
    from busplay.export.difference import compose_differences, pixels_different
    from busplay.export.png import write_png
    from busplay.run.replay import Replay

    with Replay(expected) as before, Replay(actual) as after:
        for replay, path in ((before, expected), (after, actual)):
            while not replay.ended:
                replay.run(PIECE_CYCLES)
            lost = replay.pipeline.counters().error_text()
            if lost:
                click.echo(f"busplay: {path}: in the picture: {lost}", err=True)
        pairs = {
            name: (before.display(name).image(), after.display(name).image())
            for name in before.displays
        }
    write_png(picture, compose_differences(list(pairs.values())))
    return {name: pixels_different(*pair) for name, pair in pairs.items()}


def _picture_text(picture: Path, pixels: Mapping[str, int]) -> str:
    from busplay.explain.text_layout import heading, pairs
    from busplay.wording import counted

    rows = [(name, f"{counted(count, 'pixel')} different") for name, count in pixels.items()]
    title = f"Last screens in {picture}: expected, actual, difference"
    return "\n".join([*heading(title), *pairs(rows)])
