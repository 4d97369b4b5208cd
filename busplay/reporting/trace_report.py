"""A report on a trace."""

from __future__ import annotations

import shlex
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path

from busplay.analysis.compare.compare import compare
from busplay.analysis.flashes import SCREEN_PX
from busplay.analysis.plan import plan
from busplay.analysis.profile.profile import profile
from busplay.analysis.profile.report import ProfileReport
from busplay.analysis.soundness.report import check
from busplay.description.board import Board
from busplay.description.shipped_files import shipped_boards
from busplay.errors import InputError
from busplay.history.history import open_history
from busplay.link.load import load_board
from busplay.program.labels import Labels, labels_for
from busplay.reporting import trace_sections
from busplay.reporting.against_section import DIFFERENCES_LISTED, against_section
from busplay.reporting.page import CommandList, ReportPage, ReportPart, ReportProse, ReportSection
from busplay.reporting.played import PlayedTrace, find_moments, play_through
from busplay.run.recorded_program import find_recorded_program, require_recorded_program
from busplay.run.replay import Replay
from busplay.trace.info import TraceInfo, trace_info
from busplay.version import VERSION
from busplay.wording import counted

Progress = Callable[[str, int, int], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportRequest:
    """What a report is asked to look at besides its file.

    Attributes:
        against: another recording of the same run.
        program: the program that was recorded; found by its digest by default.
        labels: of the program; found beside it by default.
        screen_px: size of the screen on which flashes are looked at.
        progress: called with what is being done, how much is done, and of how much.
    """

    against: Path | None = None
    program: Path | None = None
    labels: Path | None = None
    screen_px: tuple[int, int] = SCREEN_PX
    progress: Progress = lambda what, done, total: None


@dataclass(frozen=True, slots=True)
class TraceContents:
    """What a report says of a trace's contents.

    Attributes:
        sections: in order.
        verdict: whether all stores were received, and what another recording has different.
        is_fine: nothing was wrong.
        compared: the verdict's part on the other recording; None: there is none.
    """

    sections: tuple[ReportSection, ...]
    verdict: str
    is_fine: bool
    compared: str | None


def trace_page(path: Path, request: ReportRequest, *, words: str) -> ReportPage:
    """Return the report on a trace.

    Args:
        path: of the trace.
        request: what else to look at.
        words: the command that makes the report.

    Raises:
        InputError: the trace has no board with units, or a file is damaged or of another run.
    """
    with Replay(path) as replay:
        program = _program_of(replay, request)
        labels = labels_for(request.labels, program, replay.board.banks)
        found = trace_part(replay, request, program=program, labels=labels)
        info = trace_info(replay.reader)
        made = _made_section(info, replay, request, program, words)
        title = f"{info.program or path.name} on {replay.board.name}"
    return ReportPage(title, found.verdict, found.is_fine, (*found.sections, made))


def trace_part(
    replay: Replay,
    request: ReportRequest,
    *,
    program: Path | None,
    labels: Labels,
    captured: bool = False,
) -> TraceContents:
    """Return what a report says of a trace's contents.

    Args:
        replay: of the trace, at its beginning; it is moved.
        request: what else to look at.
        program: that was recorded; None: it is not there.
        labels: of it.
        captured: the trace was decoded from a capture, so it is of what arrived.

    Raises:
        InputError: the board has no units, or a file is damaged or of another run.
    """
    reader, board = replay.reader, replay.board

    def steps(what: str) -> Callable[[int, int], None]:
        return lambda done, total: request.progress(what, done, total)

    history = open_history(
        reader, on_frames=lambda done: request.progress("indexing", done, reader.frames)
    )
    played = play_through(replay, screen_px=request.screen_px, progress=steps("playing"))
    pipeline = replay.pipeline
    totals = trace_sections.whole_totals(
        played.counters.accounts.frames, lost_at_sender=max(0, reader.stores - reader.frames)
    )
    info = trace_info(reader)
    arrived = captured or info.arrived_of is not None
    errors = trace_sections.errors_section(played, replay, labels, totals, arrived=arrived)
    addresses = trace_sections.addresses_section(history, replay, labels)
    accounts = trace_sections.accounts_section(
        played.counters.accounts, totals, pipeline, arrived=arrived
    )
    moments = find_moments(replay, played)
    planned = plan(board, trace=reader.path, progress=steps("planning"))
    if planned.interrupted:
        raise KeyboardInterrupt
    profiled = _profile(reader.path, program, request, reader.cycles)
    sections = [
        trace_sections.ran_section(info, board, reader),
        trace_sections.screens_section(moments, board.clock_hz),
    ]
    verdict, is_fine = _verdict(played, totals.stores, totals.lost, sent=info.arrived_of)
    compared = None
    if request.against is not None:
        section, compared, is_equal = _against(replay, request, arrived=arrived)
        sections.append(section)
        verdict, is_fine = f"{verdict}; {compared}", is_fine and is_equal
    sections += [
        trace_sections.link_section(history, moments, planned, profiled, pipeline),
        errors,
        addresses,
        trace_sections.routines_section(profiled, _no_program_text(replay)),
        trace_sections.flashes_section(played.flashes),
        trace_sections.plan_section(planned),
        trace_sections.check_section(
            check(board, progress=steps("checking")), trace_sections.symbol_ns_of(board)
        ),
        accounts,
    ]
    return TraceContents(tuple(sections), verdict, is_fine, compared)


def _program_of(replay: Replay, request: ReportRequest) -> Path | None:
    header = replay.reader.header
    if request.program is None:
        return find_recorded_program(replay.reader.path, header)
    require_recorded_program(replay.reader.path, header, request.program)
    return request.program


def _profile(
    trace: Path, program: Path | None, request: ReportRequest, cycles: int
) -> ProfileReport | None:
    if program is None or not cycles:
        return None
    try:
        found = profile(
            trace,
            program,
            labels=request.labels,
            on_progress=lambda done, total: request.progress("profiling", done, total),
        )
        if found.interrupted:
            # Half a profile would be one of another run.
            raise KeyboardInterrupt
        return found
    except InputError:
        if request.program is not None:
            raise
        # Found by its digest, it need not fit the recorded board: stores may come from elsewhere.
        return None


def _no_program_text(replay: Replay) -> str:
    name = replay.reader.header.program_name
    if name is None:
        return "The trace names no program, so no routines are known."
    return (
        f"{name} is not beside the trace, so no routines are known; busplay report --program FILE"
        " runs it again."
    )


def _verdict(played: PlayedTrace, stores: int, lost: int, *, sent: int | None) -> tuple[str, bool]:
    """Return whether all stores were received as sent and nothing flashes.

    Args:
        played: the trace.
        stores, lost: of its accounts.
        sent: frames that were sent, of a recording of what arrived.
    """
    missing = 0 if sent is None else max(0, sent - stores)
    if not stores:
        text = "no store in a window"
    elif sent is not None:
        text = f"a recording of what arrived: {stores:,} of {counted(sent, 'frame')}"
    elif lost:
        text = f"{lost:,} of {counted(stores, 'store')} not received as sent"
    else:
        text = f"{'all ' if stores > 1 else ''}{counted(stores, 'store')} received as sent"
    flashing = not played.flashes.is_below
    if flashing:
        text += "; the pictures flash over the thresholds of WCAG 2.2"
    return text, bool(stores) and not (lost or missing or flashing)


def _against(
    replay: Replay, request: ReportRequest, *, arrived: bool
) -> tuple[ReportSection, str, bool]:
    """Return what two recordings have different; what arrived is the actual one of the two."""
    assert request.against is not None
    with ExitStack() as stack:
        other = stack.enter_context(Replay(request.against))
        expected, actual = (other, replay) if arrived else (replay, other)
        found = compare(
            expected.reader,
            actual.reader,
            labels=request.labels,
            list_most=DIFFERENCES_LISTED,
            progress=lambda done, total: request.progress("comparing", done, total),
        )
        section = against_section(
            found,
            request.against.name,
            expected=expected,
            actual=actual,
            other_is_actual=not arrived,
        )
    text = "equal to" if found.equal else "different from"
    return section, f"{text} {request.against.name}", found.equal


def _board_word(board: Board) -> tuple[str, bool]:
    """Return how a command names a board, and whether it is a shipped one as it is."""
    for name in shipped_boards():
        if _plain(load_board(name)) == _plain(board):
            return name, True
    return "BOARD.toml", False


def _plain(board: Board) -> Board:
    """Return a board without names of files and images, which a trace does not hold."""
    memory = tuple(replace(one, image=None) for one in board.memory)
    link = replace(board.link, file="", description="")
    return replace(board, file="", description="", link=link, memory=memory)


def _made_section(
    info: TraceInfo, replay: Replay, request: ReportRequest, program: Path | None, words: str
) -> ReportSection:
    """Return how the report and its trace were made, so that somebody else can repeat it."""
    board, is_shipped = _board_word(replay.board)
    trace = shlex.quote(info.file.name)
    rows = [(words, "makes this page; the same files give the same page, byte for byte.")]
    if info.program is not None:
        keys = " --keys KEYS.csv" if info.key_presses else ""
        name = shlex.quote(program.name if program is not None else info.program)
        digest = f", SHA-256 {info.program_sha256}" if info.program_sha256 else ""
        rows.append(
            (
                f"busplay run {board} {name}{keys} --headless --cycles {info.cycles}"
                " --record again.trace",
                f"records the run anew{digest}"
                + (
                    "; the keys are listed above, with the columns cycle and code." if keys else "."
                ),
            )
        )
        rows.append((f"busplay compare {trace} again.trace", "says whether the two are equal."))
        rows.append((f"busplay profile {trace} --full", "lists all routines, lines and bursts."))
    if request.against is not None:
        other = shlex.quote(request.against.name)
        pair = f"{trace} {other}" if info.arrived_of is None else f"{other} {trace}"
        rows.append((f"busplay compare {pair} --full", "lists all differences."))
    rows += [
        (f"busplay replay {trace} --headless --json", "has the accounts and the flashes."),
        (f"busplay plan {board} --trace {trace} --full", "has the whole plan."),
        (f"busplay check {board} --full", "has all that the check found."),
    ]
    parts: list[ReportPart] = [
        ReportProse(f"Made by busplay {VERSION} from {info.file.name}, {info.file_bytes:,} bytes.")
    ]
    if not is_shipped:
        parts.append(
            ReportProse(
                f"BOARD.toml stands for the file of board {replay.board.name}, whose description"
                " the trace holds."
            )
        )
    return ReportSection("How this was made", (*parts, CommandList(tuple(rows))))
