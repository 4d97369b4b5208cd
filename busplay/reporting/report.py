"""Make a report: one HTML file on a trace, a capture, or the state of a sweep."""

from __future__ import annotations

import shlex
from dataclasses import dataclass
from os import PathLike
from pathlib import Path
from typing import Literal, Unpack

from busplay.analysis.flashes import SCREEN_PX
from busplay.analysis.stress.state import is_state
from busplay.conversion.decode import DecodeWatch
from busplay.description.board import Board
from busplay.description.link import Link
from busplay.errors import InputError
from busplay.formats.byte_source import require_plain_file
from busplay.formats.capture import ReadOptions
from busplay.reporting.page import ReportPage, render, require_can_report
from busplay.reporting.trace_report import Progress, ReportRequest
from busplay.trace.reader import is_trace
from busplay.whole_file import require_other_file, write_whole_file

ReportKind = Literal["trace", "capture", "sweep"]
_HEAD_BYTES = 64


@dataclass(frozen=True, slots=True)
class WrittenReport:
    """A report that was written.

    Attributes:
        file: the HTML file.
        kind: of what it is a report: `trace`, `capture` or `sweep`.
        title: what it is of.
        verdict: the most important, in a sentence.
        is_fine: nothing was wrong.
        sections: titles of its sections.
        figures: how many pictures it has.
        file_bytes: its size.
    """

    file: Path
    kind: ReportKind
    title: str
    verdict: str
    is_fine: bool
    sections: tuple[str, ...]
    figures: int
    file_bytes: int


def report(
    source: str | PathLike[str],
    output: str | Path,
    *,
    against: str | Path | None = None,
    program: str | Path | None = None,
    labels: str | Path | None = None,
    link: Link | str | Path | None = None,
    board: Board | str | Path | None = None,
    lane_map: str | None = None,
    screen_px: tuple[int, int] = SCREEN_PX,
    words: str | None = None,
    watch: DecodeWatch | None = None,
    progress: Progress | None = None,
    **reading: Unpack[ReadOptions],
) -> WrittenReport:
    """Write a report on a trace, a capture, or the state file of a sweep, as one HTML file.

    The page needs no script and nothing from outside. The same files give the same page.

    Args:
        source: a trace with a board, a capture, or a file of `stress --state`.
        output: the HTML file; one that was there is replaced once the new one is whole.
        against: of a trace or a capture with a board: another recording of the run. It is taken as
            the actual one, unless the source is of what arrived.
        program: that was recorded; found by its digest beside a trace by default.
        labels: of the program; found beside it by default.
        link, board, lane_map: of a capture, as for `busplay.decode`.
        screen_px: size of the screen on which flashes are looked at.
        words: the command that makes the report, as it says itself.
        watch: follows the decode of a capture.
        progress: called with what is being done, how much is done, and of how much.
        reading: how to read a capture, and which part of it.

    Raises:
        InputError: a file cannot be read, is damaged, or does not go with the others.
        OutputError: the report cannot be written.
        BusplayError: a package is missing.

    >>> import busplay
    >>> found = busplay.report("tides.trace", "tides.html")
    >>> found.kind, found.is_fine, found.sections[0]
    ('trace', True, 'What ran')
    """
    path, target = Path(source), Path(output)
    require_can_report()
    require_other_file(target, path, against, program, labels)
    require_plain_file(path)
    kind = _kind_of(path)
    request = ReportRequest(
        against=None if against is None else Path(against),
        program=None if program is None else Path(program),
        labels=None if labels is None else Path(labels),
        screen_px=screen_px,
        progress=progress or (lambda what, done, total: None),
    )
    if words is None:
        words = f"busplay report {shlex.quote(path.name)} -o {shlex.quote(target.name)}"
    page: ReportPage
    if kind == "capture":
        from busplay.reporting.capture_report import capture_page

        page = capture_page(
            path,
            request,
            words=words,
            link=link,
            board=board,
            lane_map=lane_map,
            watch=watch,
            **reading,
        )
    else:
        _refuse_wires(path, kind, link=link, board=board, lane_map=lane_map)
        if any(value not in (None, False) for value in reading.values()):
            raise InputError(
                file=str(path),
                found=f"a {kind}, and options of a capture",
                wanted="leave out those that say how to read a capture, and which part",
            )
        if kind == "trace":
            from busplay.reporting.trace_report import trace_page

            page = trace_page(path, request, words=words)
        else:
            from busplay.reporting.stress_report import stress_page

            _refuse_recordings(path, request)
            page = stress_page(path, words=words)
    content = render(page).encode()
    write_whole_file(target, content)
    return WrittenReport(
        file=target,
        kind=kind,
        title=page.title,
        verdict=page.verdict,
        is_fine=page.is_fine,
        sections=tuple(one.title for one in page.sections),
        figures=page.figures,
        file_bytes=len(content),
    )


def _kind_of(path: Path) -> ReportKind:
    """Return of what a file is, by its first bytes."""
    wanted = "give a trace, a capture, or a file of stress --state"
    if path.suffix.lower() == ".toml":
        raise InputError(
            file=str(path), found="a description", wanted=f"busplay check {path} reads it"
        )
    if is_trace(path, wanted=wanted):
        return "trace"
    if path.stat().st_size == 0:
        raise InputError(file=str(path), found="an empty file", wanted=wanted)
    with path.open("rb") as stream:
        return "sweep" if is_state(stream.read(_HEAD_BYTES)) else "capture"


def _refuse_wires(path: Path, kind: ReportKind, **given: object) -> None:
    names = {"link": "--link", "board": "--board", "lane_map": "--map"}
    for name, value in given.items():
        if value is not None:
            raise InputError(
                place=names[name],
                found=f"{path}, a {kind}",
                wanted="it is for captures; a trace has its board" if kind == "trace"
                else "it is for captures",
            )  # fmt: skip


def _refuse_recordings(path: Path, request: ReportRequest) -> None:
    for name, value in (
        ("--against", request.against),
        ("--program", request.program),
        ("--labels", request.labels),
    ):
        if value is not None:
            raise InputError(
                place=name, found=f"{path}, a sweep", wanted="it is for traces and captures"
            )
