"""`busplay decode`: a capture of the wires to frames, a trace, the picture, and a health report."""

from __future__ import annotations

import json
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from busplay.cli.capture_options import require_part
from busplay.cli.files import Described, InFile, OutFile
from busplay.cli.options import Snapshot, SnapshotParam
from busplay.cli.report import Figures
from busplay.errors import InputError

if TYPE_CHECKING:
    from busplay.capture.decode import DecodeSettings, Decoding
    from busplay.capture.find_map import FoundMap
    from busplay.description.board import Board
    from busplay.description.link import Link
    from busplay.formats.capture import Capture
    from busplay.link.layout import FrameLayout

EYE_SUFFIXES = (".png", ".svg")


@dataclass(frozen=True, slots=True)
class _Given:
    """What the command line asks for besides the capture and the link."""

    map_text: str | None
    finds_map: bool
    settings: DecodeSettings
    output: Path | None
    snapshots: tuple[Snapshot, ...]
    eye: Path | None
    expect: Path | None
    labels: Path | None
    lists_all: bool
    mends: bool
    as_json: bool


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
    help="Board file or shipped board: gives units and windows, and the link if --link does not.",
)
@click.option("--output", "-o", type=OutFile(), help="Write a trace that replays.")
@click.option(
    "--map",
    "map_text",
    metavar="clock=CH0,lane0=!CH1,…",
    help="Which signal is which wire; ! marks an inverted probe. Plain names are found without.",
)
@click.option("--find-map", is_flag=True, help="Find clock, strobe, order and inversion by trying.")
@click.option(
    "--sample-at",
    metavar="TIME",
    help="Read all lanes at this time from the clock's edge, such as -5ns. Default: from the data.",
)
@click.option(
    "--glitch",
    metavar="TIME",
    help="Levels shorter than this are glitches. Default: a quarter of a clock level; 0: none.",
)
@click.option(
    "--clock",
    "clock_kind",
    type=click.Choice(["auto", "steady", "seen"]),
    default="auto",
    help="steady: edges where an even clock must have them; seen: where the samples show them.",
)
@click.option("--mend", is_flag=True, help="Let the receiver mend one wrong bit in a frame.")
@click.option("--expect", type=InFile(), help="Compare with this trace.")
@click.option("--labels", type=InFile(), help="Labels of the program, for --expect.")
@click.option("--all", "list_all", is_flag=True, help="List all that --expect finds.")
@click.option(
    "--snapshot",
    "snapshots",
    type=SnapshotParam(),
    multiple=True,
    help="Write the last picture as PNG; @UNIT picks one unit. Needs --board.",
)
@click.option("--eye", type=OutFile(*EYE_SUFFIXES), help="Draw the eyes, as .png or .svg.")
@click.option("--rate", metavar="RATE", help="Sample rate of raw samples, such as 24MHz.")
@click.option("--bits", metavar="BITS", help="Bits of raw samples that are wires, such as 0-5.")
@click.option("--timescale", metavar="TIME", help="Unit of the file's times, such as 1ns.")
@click.option("--from", "from_text", metavar="TIME", help="Leave out what is earlier.")
@click.option("--to", "to_text", metavar="TIME", help="Leave out what is later.")
@click.option("--first", type=click.IntRange(min=1), help="Take so many changes at most.")
@click.option("--keep-going", is_flag=True, help="Read a broken file up to the damage.")
@click.option("--json", "as_json", is_flag=True, help="Print the figures as JSON.")
def command(
    capture: Path,
    link_source: str | None,
    board_source: str | None,
    output: Path | None,
    map_text: str | None,
    find_map: bool,
    sample_at: str | None,
    glitch: str | None,
    clock_kind: str,
    mend: bool,
    expect: Path | None,
    labels: Path | None,
    list_all: bool,
    snapshots: tuple[Snapshot, ...],
    eye: Path | None,
    rate: str | None,
    bits: str | None,
    timescale: str | None,
    from_text: str | None,
    to_text: str | None,
    first: int | None,
    keep_going: bool,
    as_json: bool,
) -> int:
    """Decode CAPTURE, a recording of the link's wires by a logic analyser.

    Reads VCD, CSV, session files (.sr) and raw samples. Prints how the clock and the lanes
    look, what a receiver makes of them, and what was damaged, where. Exit status 1 if
    anything was damaged, lost or missing; with --expect, writes that the capture's time does not
    reach are counted, but no fault.
    """
    from busplay.capture.decode import DecodeSettings
    from busplay.cli.notice import tell_of_compiling
    from busplay.formats.capture import open_capture
    from busplay.formats.quantities import parse_rate_hz

    tell_of_compiling()
    board, link = _descriptions(board_source, link_source)
    given = _Given(
        map_text=map_text,
        finds_map=find_map,
        settings=DecodeSettings(
            sample_at_ps=_optional_time(sample_at, "--sample-at"),
            glitch_ps=_optional_time(glitch, "--glitch"),
            steady_clock=None if clock_kind == "auto" else clock_kind == "steady",
        ),
        output=output,
        snapshots=snapshots,
        eye=eye,
        expect=expect,
        labels=labels,
        lists_all=list_all,
        mends=mend,
        as_json=as_json,
    )
    _require_possible(given, board)
    from_ps, to_ps = _optional_time(from_text, "--from"), _optional_time(to_text, "--to")
    require_part({"from_ps": from_ps, "to_ps": to_ps})
    with open_capture(
        capture,
        rate_hz=None if rate is None else parse_rate_hz(rate, name="--rate"),
        bits=bits,
        timescale=timescale,
        keep_going=keep_going,
        from_ps=from_ps,
        to_ps=to_ps,
        first=first,
    ) as opened:
        return _decode(opened, link, board, given)


def _optional_time(text: str | None, name: str) -> int | None:
    from busplay.formats.quantities import parse_time_ps

    return None if text is None else parse_time_ps(text, name=name)


def _descriptions(board_source: str | None, link_source: str | None) -> tuple[Board | None, Link]:
    from dataclasses import replace

    from busplay.link.board_fit import require_link_fits
    from busplay.link.load import load_board, load_link

    board = None if board_source is None else load_board(board_source)
    if link_source is not None:
        link = load_link(link_source)
        if board is not None:
            board = require_link_fits(replace(board, link=link))
        return board, link
    if board is None:
        raise InputError(
            place="--link",
            found="no link",
            wanted="say what the wires carry: --link FILE, a shipped link's name, or --board",
        )
    return board, board.link


def _require_possible(given: _Given, board: Board | None) -> None:
    """Refuse what cannot be done before a long file is read."""
    if given.snapshots and board is None:
        raise InputError(
            place="--snapshot", found="no board", wanted="a picture needs --board BOARD"
        )
    for snapshot in given.snapshots:
        units = [unit.name for unit in board.units] if board is not None else []
        if snapshot.unit is not None and snapshot.unit not in units:
            raise InputError(
                place=f"--snapshot {snapshot.path}@{snapshot.unit}",
                found=f"unit {snapshot.unit!r}",
                wanted=f"the units are {', '.join(units)}",
            )
    if given.settings.glitch_ps is not None and given.settings.glitch_ps < 0:
        raise InputError(
            place="--glitch",
            found=f"{given.settings.glitch_ps:,} ps",
            wanted="give a time of 0 or more; 0: nothing is a glitch",
        )
    if given.labels is not None and given.expect is None:
        raise InputError(
            place="--labels", found="no --expect", wanted="labels name what a comparison finds"
        )
    if given.map_text is not None and given.finds_map:
        raise InputError(
            place="--find-map", found="--map besides it", wanted="give one or the other"
        )


def _decode(capture: Capture, link: Link, board: Board | None, given: _Given) -> int:
    from busplay.capture.decode import Decoding
    from busplay.cli.capture_map import map_capture
    from busplay.cli.decode_report import (
        JSON_LISTED,
        map_figures,
        map_lines,
        report_figures,
        report_lines,
    )
    from busplay.link.layout import FrameLayout

    layout = FrameLayout(link)
    found: FoundMap | None = None
    if given.finds_map:
        found = _find(capture, layout, given)
        lane_map = found.best.lane_map
        if not given.as_json:
            click.echo("\n".join(map_lines(found)) + "\n")
    else:
        lane_map = map_capture(capture, link, given.map_text)
    with _trace_place(given) as trace:
        decoding = Decoding(
            capture,
            layout,
            lane_map,
            settings=given.settings,
            board=board,
            output=trace,
            mend=given.mends,
        )
        report = _run(decoding, capture)
        figures: Figures = report_figures(report)
        status = 0 if report.is_clean else 1
        if given.expect is not None:
            from busplay.cli.decode_expect import expect_figures, expect_lines, hold_against

            assert trace is not None
            against = hold_against(
                given.expect,
                trace,
                report,
                labels=given.labels,
                rows_most=None if given.lists_all else JSON_LISTED,
            )
            figures["expected"] = expect_figures(against)
            status = 1 if against.inside else status
    if found is not None:
        figures["found_map"] = map_figures(found)
    if given.output is not None:
        figures["trace"] = str(given.output)
    if decoding.bank is not None and given.snapshots:
        from busplay.cli.playing import write_snapshots

        write_snapshots(given.snapshots, decoding.bank.displays)
        figures["pictures"] = [str(one.path) for one in given.snapshots]
    if given.eye is not None:
        from busplay.export.eye import write_eyes

        write_eyes(
            given.eye, report.eyes, title=f"Eyes of {report.info.file}, link {report.link_name}"
        )
        figures["eye"] = str(given.eye)
    if given.as_json:
        click.echo(json.dumps(figures, indent=2))
        return status
    click.echo("\n".join(report_lines(report)))
    if given.expect is not None:
        click.echo("\n".join(["", *expect_lines(against, list_all=given.lists_all)]))
    for name in ("trace", "pictures", "eye"):
        value = figures.get(name)
        if value:
            click.echo(f"{name:9} {', '.join(value) if isinstance(value, list) else value}")
    if given.output is not None and board is None:
        click.echo("          holds no board: decode with --board to see pictures in a replay")
    return status


class _trace_place:  # noqa: N801 - reads as a verb at its only use
    """Where the trace goes: the user's file, or for a comparison alone one that is thrown away."""

    def __init__(self, given: _Given) -> None:
        self._given = given
        self._folder: Path | None = None

    def __enter__(self) -> Path | None:
        if self._given.output is not None or self._given.expect is None:
            return self._given.output
        import tempfile

        self._folder = Path(tempfile.mkdtemp(prefix="busplay-"))
        return self._folder / "decoded.trace"

    def __exit__(self, *_: object) -> None:
        if self._folder is not None:
            import shutil

            shutil.rmtree(self._folder, ignore_errors=True)


def _find(capture: Capture, layout: FrameLayout, given: _Given) -> FoundMap:
    from busplay.capture.decode import look_ahead, sample_ps_of
    from busplay.capture.find_map import find_map

    look, _ = look_ahead(capture)
    shows = sys.stderr.isatty()

    def on_trial(count: int) -> None:
        if shows:
            click.echo(f"\rtried {count:,} maps ", nl=False, err=True)

    try:
        return find_map(
            look,
            layout,
            capture.signals,
            sample_ps=sample_ps_of(capture.info),
            glitch_ps=given.settings.glitch_ps,
            on_trial=on_trial,
        )
    except InputError as error:
        error.file = error.file or capture.info.file
        raise
    finally:
        if shows:
            click.echo("\r" + " " * 30 + "\r", nl=False, err=True)


def _run(decoding: Decoding, capture: Capture) -> DecodeReport:
    """Decode, and on a terminal show how far it is, what was found, and how long it takes yet."""
    from busplay.cli.progress import capture_progress

    def text() -> str:
        seen = decoding.receiver.counters
        damaged = seen.checks_failed + seen.frames_aborted
        return f"{seen.frames_received:,} frames, {damaged:,} damaged"

    with capture_progress(capture, label="decoding", text=text) as move:
        return decoding.run(lambda _: move())


if TYPE_CHECKING:
    from busplay.capture.decode import DecodeReport
