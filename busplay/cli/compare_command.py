"""`busplay compare`: what got lost, damaged, added or late between two traces."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import click

from busplay.cli.files import InFile, OutFile
from busplay.cli.json_output import print_json
from busplay.cli.options import Count, full_option, json_option
from busplay.cli.renamed import renamed
from busplay.cli.style import verdict

PIECE_CYCLES = 1_000_000


@click.command(
    "compare", epilog="Example: busplay compare sent.trace received.trace --picture both.png"
)
@click.argument("expected", metavar="EXPECTED", type=InFile())
@click.argument("actual", metavar="ACTUAL", type=InFile())
@click.option("--list", "listed", type=Count(), help="List COUNT differences.", metavar="COUNT")
@full_option
@click.option(
    "--labels",
    type=InFile(),
    help="Name addresses by the labels in FILE.",
)
@click.option(
    "--picture",
    type=OutFile(".png"),
    help="Draw both last screens and their difference, side by side.",
)
@click.option("--ignore-time", is_flag=True, help="Accept frames that come late.")
@json_option
@renamed("--first", "--list")
@renamed("--all", "--full")
def command(
    expected: Path,
    actual: Path,
    listed: int | None,
    full: bool,
    labels: Path | None,
    picture: Path | None,
    ignore_time: bool,
    as_json: bool,
) -> int:
    """Compare the trace ACTUAL with the trace EXPECTED of the same program, frame by frame.

    Counts and lists frames that are missing, changed (which bits, on which lanes), added or out
    of order, and reports what they have in common: a lane, a range of addresses, a frequency,
    bursts; each with the probability that it means nothing. A constant delay is no difference,
    one that changes is. Over different links frames are compared by space, unit, address and
    data, and their times are not judged.

    Where ACTUAL was recorded with --record-received from EXPECTED, a frame counts as the accounts
    of that run count it: by the link edge at which it was sent.

    Exit status: 0 equal; 1 different; 2 wrong use, or nothing to compare; 130 interrupted.
    """
    from busplay.analysis.compare.compare import DIFFERENCES_LISTED, compare
    from busplay.analysis.compare.report import SHORT_LISTED, comparison_text, verdict_text
    from busplay.cli.interrupt import hold_interrupt, say_interrupted
    from busplay.cli.notice import tell_of_compiling
    from busplay.cli.progress import shares_bar

    tell_of_compiling()
    listed_most = listed if listed is not None or full else DIFFERENCES_LISTED
    with shares_bar(label="comparing") as progress, hold_interrupt() as held:
        found = compare(
            expected,
            actual,
            labels=labels,
            ignore_time=ignore_time,
            list_most=listed_most,
            progress=progress,
            should_stop=lambda: held.pressed,
        )
    if picture is not None and not found.interrupted:
        pixels = _write_picture(picture, expected, actual)
        found = replace(found, picture=str(picture), pixels_different=pixels)
    if as_json:
        print_json(found)
    else:
        click.echo(verdict(verdict_text(found), ok=found.equal))
        shown = SHORT_LISTED if listed is None and not full else listed
        click.echo(comparison_text(found, full=full, listed_most=shown))
        if picture is not None and found.pixels_different is not None:
            click.echo(_picture_text(picture, found.pixels_different))
        if found.frames_different and not full:
            click.echo("\n--full shows all differences and bit errors")
    if found.interrupted:
        return say_interrupted()
    return 0 if found.equal else 1


def _write_picture(picture: Path, expected: Path, actual: Path) -> dict[str, int]:
    """Write the picture; return the number of different pixels by unit."""
    from busplay.export.difference import compose_differences, pixels_different
    from busplay.png import write_png
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
