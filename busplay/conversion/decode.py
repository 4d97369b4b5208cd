"""From a capture file to a trace, pictures and a report: the one way, for every command.

decoded = busplay.decode("run3.vcd", link="guarded", board="dunlin")
decoded.health.is_clean
decoded.save("run3.trace")
"""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from os import PathLike
from pathlib import Path
from typing import Unpack

from busplay.batch import FrameBatch
from busplay.capture.decode import CaptureDecoder, trace_summary
from busplay.capture.find_map import find_map
from busplay.capture.found_map import FoundMap, MapReport
from busplay.capture.look_ahead import ClockRecovery, DecodeSettings, look_ahead, sample_ps_of
from busplay.capture.report import CaptureSampling, DecodedEdges, DecodeReport
from busplay.conversion.capture_map import map_capture
from busplay.conversion.expect import ROWS_MOST, ExpectReport, hold_against
from busplay.description.board import Board
from busplay.description.link import Link
from busplay.display.bank import DisplayBank
from busplay.display.display import Display
from busplay.errors import InputError
from busplay.formats.capture import Capture, ReadOptions, open_capture
from busplay.link.board_fit import require_link_fits
from busplay.link.layout import FrameLayout
from busplay.link.load import load_board, load_link
from busplay.run.trace_writer import TraceWriter
from busplay.trace.header import TraceHeader
from busplay.trace.reader import TraceReader
from busplay.whole_file import no_way_to_write, place_beside, require_other_file


class DecodeWatch:
    """Follows a decode; a command overrides what it shows."""

    def opened(self, capture: Capture) -> None:
        """The capture is open."""

    def tried(self, maps: int) -> None:
        """`maps` maps have been tried."""

    def moved(self, decoder: CaptureDecoder) -> None:
        """Another batch has been decoded."""


@dataclass(frozen=True, eq=False)
class DecodedCapture:
    """What `decode` returns.

    Attributes:
        health: counters, eyes, what was damaged, and where.
        path: file of the trace; a temporary one where no output was named.
        displays: the board's displays, by name, with what arrived on them; none without a board.
        found_map: what the search for the map found; None: there was none.
        expected: how the frames compare with what was sent; None: that is not known.
        edges: where link edges of the trace lie in the capture.
        sampling: how the capture was read.
    """

    health: DecodeReport
    path: Path
    displays: Mapping[str, Display]
    found_map: MapReport | None = None
    expected: ExpectReport | None = None
    edges: DecodedEdges | None = field(default=None, repr=False)
    sampling: CaptureSampling | None = field(default=None, repr=False)
    _folder: tempfile.TemporaryDirectory[str] | None = field(default=None, repr=False)

    def __fspath__(self) -> str:
        """Return the path of the trace, as text: what is decoded is taken wherever a trace is."""
        return str(self.path)

    @cached_property
    def trace(self) -> TraceReader:
        """The frames, as a trace that is open for reading."""
        return TraceReader(self.path)

    def save(self, path: str | Path) -> None:
        """Write the trace to a file, which takes its name once it is whole.

        Raises:
            OutputError: it cannot be written; what was there before is still there.
        """
        try:
            with place_beside(Path(path)) as beside:
                shutil.copyfile(self.path, beside)
        except OSError as error:
            raise no_way_to_write(Path(path), error) from error


def decode(
    capture: str | Path,
    *,
    link: Link | str | Path | None = None,
    board: Board | str | Path | None = None,
    output: str | Path | None = None,
    lane_map: str | None = None,
    finds_map: bool = False,
    sample_at_ps: int | None = None,
    glitch_filter_ps: int | None = None,
    clock_recovery: ClockRecovery = "auto",
    correct: bool = False,
    expect: str | PathLike[str] | None = None,
    labels: str | Path | None = None,
    differences_most: int | None = ROWS_MOST,
    watch: DecodeWatch | None = None,
    finish_on_interrupt: bool = False,
    **reading: Unpack[ReadOptions],
) -> DecodedCapture:
    """Decode a capture of a link's wires.

    Args:
        capture: VCD, CSV, a session file (.sr) or raw samples; .gz and .zst too.
        link: what the wires carry: description, file, or a shipped link's name; None: the
            board's link.
        board: has the units and windows, for displays and for the trace; None: only frames.
        output: the trace; it takes the place of a file of that name once it is whole.
        lane_map: which signal is which wire, such as `clock=CH0,lane0=!CH1`; wires that it
            leaves out are found by the names of signals.
        finds_map: find out which signal is which wire by trying.
        sample_at_ps: read all lanes at this time from the clock's edge; None: from the data.
        glitch_filter_ps: levels shorter than this are glitches; None: a quarter of a clock level.
        clock_recovery: `steady`, `seen` or `auto`, as `DecodeSettings` has it.
        correct: let the receiver correct one bit error in a frame.
        expect: a trace of what was sent, to compare with.
        labels: of the program, to name what the comparison finds.
        differences_most: differences to list; None: all.
        watch: follows the decode.
        finish_on_interrupt: when the user interrupts, return what was read until then. The
            trace is left without its end, as one that was cut; one that was there before stays.
        reading: how to read the capture, and which part of it.

    Raises:
        InputError: a file cannot be read, is damaged or says something impossible; the frames
            before the damage are in `output` (or beside it, where a file was there before).
        OutputError: the trace cannot be written.

    >>> import busplay
    >>> decoded = busplay.decode("run3.vcd", link="guarded", board="dunlin")
    >>> decoded.health.is_clean, decoded.trace.frames
    (True, 618)
    """
    require_other_file(output, capture, expect, labels)
    watch = watch or DecodeWatch()
    header = header_of(link=link, board=board)
    if header is None:
        raise InputError(
            place="--link",
            found="no link",
            wanted="say what the wires carry: --link FILE, a shipped link's name, or --board",
        )
    if lane_map is not None and finds_map:
        raise InputError(
            place="--find-map", found="--map besides it", wanted="give one or the other"
        )
    if labels is not None and expect is None:
        raise InputError(
            place="--labels", found="no --expect", wanted="labels name what a comparison finds"
        )
    if glitch_filter_ps is not None and glitch_filter_ps < 0:
        raise InputError(
            place="--glitch-filter",
            found=f"{glitch_filter_ps:,} ps",
            wanted="give a time of 0 or more; 0: nothing is a glitch",
        )
    settings = DecodeSettings(sample_at_ps, glitch_filter_ps, clock_recovery, correct)
    layout = FrameLayout(header.link)
    folder = None
    if output is None:
        folder = tempfile.TemporaryDirectory(prefix="busplay-")
        output = Path(folder.name) / "decoded.trace"
    with open_capture(capture, **reading) as opened:
        watch.opened(opened)
        found: FoundMap | None = None
        if finds_map:
            found = _find_map(opened, layout, settings, watch)
            wires = found.best.lane_map
        else:
            wires = map_capture(opened, header.link, lane_map)
        bank = DisplayBank(header.board, layout) if header.board is not None else None
        decoder = CaptureDecoder(opened, layout, wires, settings=settings)
        # The file comes into being once it is known that there is something to decode.
        with TraceWriter(output, header=header) as writer:

            def deliver(frames: FrameBatch, stop_edge: int) -> None:
                if bank is not None:
                    bank.feed(frames)
                writer.write(frames, stop_edge=stop_edge)

            report = decoder.run(
                deliver, on_batch=watch.moved, finish_on_interrupt=finish_on_interrupt
            )
            if report.is_interrupted:
                writer.abandon()
            else:
                writer.close(summary=trace_summary(report))
        path = writer.recording_path if report.is_interrupted else Path(output)
        return DecodedCapture(
            health=report,
            path=path,
            displays={} if bank is None else bank.displays,
            found_map=None if found is None else found.report(),
            expected=_held_against(
                expect, path, report, decoder.edges, labels=labels, rows_most=differences_most
            ),
            edges=decoder.edges,
            sampling=decoder.sampling,
            _folder=folder,
        )


def header_of(
    *, link: Link | str | Path | None, board: Board | str | Path | None
) -> TraceHeader | None:
    """Return the header of a trace with that link and board; None where neither is given.

    Raises:
        DescriptionError: a file cannot be read, or the board's windows do not fit the link.
    """
    if isinstance(link, (str, Path)):
        link = load_link(link)
    if isinstance(board, (str, Path)):
        board = load_board(board)
    if board is not None:
        if link is not None:
            board = require_link_fits(replace(board, link=link))
        return TraceHeader(link=board.link, board=board)
    return None if link is None else TraceHeader(link=link)


def _find_map(
    capture: Capture, layout: FrameLayout, settings: DecodeSettings, watch: DecodeWatch
) -> FoundMap:
    look, _ = look_ahead(capture)
    try:
        return find_map(
            look,
            layout,
            capture.signals,
            sample_ps=sample_ps_of(capture.info),
            glitch_filter_ps=settings.glitch_filter_ps,
            on_trial=watch.tried,
        )
    except InputError as error:
        error.file = error.file or capture.info.file
        raise


def _held_against(
    expect: str | PathLike[str] | None,
    decoded: Path,
    report: DecodeReport,
    edges: DecodedEdges,
    *,
    labels: str | Path | None,
    rows_most: int | None,
) -> ExpectReport | None:
    if expect is None:
        return None
    return hold_against(
        Path(expect),
        decoded,
        report,
        edges,
        labels=None if labels is None else Path(labels),
        rows_most=rows_most,
    )
