"""`busplay decode`: a capture of the wires to frames, a trace, the picture, and a health report."""

from __future__ import annotations

from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal, Unpack

import click

from busplay.cli.capture_options import capture_options, map_option
from busplay.cli.files import Described, InFile, OutFile
from busplay.cli.interrupt import say_interrupted
from busplay.cli.options import PictureFile, Time, full_option, json_option, snapshot_option
from busplay.cli.renamed import renamed
from busplay.errors import InputError

if TYPE_CHECKING:
    from busplay.capture.found_map import MapReport
    from busplay.capture.report import DecodeReport
    from busplay.conversion.expect import ExpectReport
    from busplay.description.board import Board
    from busplay.formats.capture import ReadOptions

EYE_SUFFIXES = (".png", ".svg")


@dataclass(frozen=True, slots=True)
class DecodeOutput:
    """What `busplay decode --json` prints.

    Attributes:
        health: what came of the capture.
        found_map: what `--find-map` found; null without it.
        expected: how the frames compare with `--expect`; null without it.
        trace: the trace that was written; null: none was asked for.
        pictures: the pictures that were written.
        eye: the drawing of the eyes; null: none was asked for.
    """

    health: DecodeReport
    found_map: MapReport | None
    expected: ExpectReport | None
    trace: Path | None
    pictures: tuple[Path, ...]
    eye: Path | None


@click.command(
    "decode", epilog="Example: busplay decode run3.vcd --link guarded --board dunlin -o run3.trace"
)
@click.argument("capture", metavar="CAPTURE", type=InFile())
@click.option(
    "--link",
    "link_source",
    metavar="LINK",
    type=Described(),
    help="Link file, or a shipped link's name.",
)
@click.option(
    "--board",
    "board_source",
    metavar="BOARD",
    type=Described(),
    help="Board file or shipped board: units and windows, and the link if --link is not given.",
)
@click.option("--output", "-o", type=OutFile(), help="Write a trace that replays.")
@map_option
@click.option("--find-map", is_flag=True, help="Find which probe is on which wire.")
@click.option(
    "--sample-at",
    type=Time(can_be_negative=True),
    help="Read all lanes at TIME from the clock's edge, such as -5ns. Default: from the data.",
)
@click.option(
    "--glitch-filter",
    type=Time(),
    help="Count levels shorter than TIME as glitches. Default: a quarter of a clock level.",
)
@click.option(
    "--clock-recovery",
    type=click.Choice(["auto", "steady", "seen"]),
    default="auto",
    help="Take edges where an even clock must have them (steady), or where samples show them.",
)
@click.option("--correct", is_flag=True, help="Correct one bit error in a frame.")
@click.option("--expect", type=InFile(), help="Compare with this trace of what was sent.")
@click.option("--labels", type=InFile(), help="Labels of the program, for --expect.")
@full_option
@snapshot_option(
    "Write the last picture as PNG, of all units or of one. Needs --board. Repeatable."
)
@click.option("--eye", type=OutFile(*EYE_SUFFIXES), help="Draw the eyes, as .png or .svg.")
@capture_options
@json_option
@renamed("--mend", "--correct")
@renamed("--glitch", "--glitch-filter")
@renamed("--clock", "--clock-recovery")
@renamed("--all", "--full")
@renamed("--rate", "--in-rate")
@renamed("--bits", "--in-bits")
def command(
    capture: Path,
    link_source: str | None,
    board_source: str | None,
    output: Path | None,
    map_text: str | None,
    find_map: bool,
    sample_at: int | None,
    glitch_filter: int | None,
    clock_recovery: Literal["auto", "steady", "seen"],
    correct: bool,
    expect: Path | None,
    labels: Path | None,
    full: bool,
    snapshots: tuple[PictureFile, ...],
    eye: Path | None,
    as_json: bool,
    **reading: Unpack[ReadOptions],
) -> int:
    """Decode CAPTURE, a recording of the link's wires by a logic analyser.

    Reads VCD, CSV, session files (.sr) and raw samples. Prints whether the frames are whole, how
    the clock and the lanes look, and what was damaged, where; --full prints all of it. Exit
    status 1 if anything was damaged, lost or missing; with --expect, writes that the capture's
    time does not reach are counted, but no fault.
    """
    from busplay.cli.decode_progress import decode_progress
    from busplay.cli.decode_report import report_lines
    from busplay.cli.json_output import print_json
    from busplay.cli.notice import tell_of_compiling
    from busplay.cli.playing import require_snapshot_units, write_snapshots
    from busplay.conversion.decode import decode
    from busplay.conversion.expect import ROWS_MOST
    from busplay.link.load import load_board

    tell_of_compiling()
    board: Board | None = None if board_source is None else load_board(board_source)
    if snapshots and board is None:
        raise InputError(
            place="--snapshot", found="no board", wanted="a picture needs --board BOARD"
        )
    if eye is not None:
        from busplay.export.eye import require_can_draw

        require_can_draw(eye)
    if board is not None:
        require_snapshot_units(snapshots, [unit.name for unit in board.units])
    with ExitStack() as stack:
        decoded = decode(
            capture,
            link=link_source,
            board=board,
            output=output,
            lane_map=map_text,
            finds_map=find_map,
            sample_at_ps=sample_at,
            glitch_filter_ps=glitch_filter,
            clock_recovery=clock_recovery,
            correct=correct,
            expect=expect,
            labels=labels,
            differences_most=None if full else ROWS_MOST,
            watch=decode_progress(stack),
            finish_on_interrupt=True,
            **reading,
        )
    health = decoded.health
    write_snapshots(snapshots, decoded.displays)
    if eye is not None:
        from busplay.export.eye import write_eyes

        write_eyes(eye, health.lanes, title=f"Eyes of {health.file}, link {health.link}")
    files = DecodeOutput(
        health=health,
        found_map=decoded.found_map,
        expected=decoded.expected,
        trace=None if output is None else decoded.path,
        pictures=tuple(one.path for one in snapshots),
        eye=eye,
    )
    if as_json:
        print_json(files)
    else:
        click.echo("\n".join(report_lines(decoded, full=full)))
        for name, paths in (("trace", [files.trace]), ("pictures", files.pictures), ("eye", [eye])):
            if shown := ", ".join(str(path) for path in paths if path is not None):
                click.echo(f"{name:9} {shown}")
        if output is not None and board is None:
            click.echo("          holds no board: decode with --board to see pictures in a replay")
    if health.is_interrupted:
        return say_interrupted()
    if decoded.expected is not None and decoded.expected.different_in_capture:
        return 1
    return 0 if health.is_clean else 1
