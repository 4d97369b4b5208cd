"""Why a pixel has its colour: from the store that drew it to the edges on the wires."""

from __future__ import annotations

from contextlib import ExitStack
from os import PathLike, fspath
from pathlib import Path
from typing import Unpack

from busplay.chain.pixel_chain import PixelChain, Progress
from busplay.chain.program import ProgramFiles
from busplay.chain.report import (
    PixelReport,
)
from busplay.conversion.decode import decode
from busplay.description.board import Board
from busplay.description.link import Link
from busplay.errors import InputError
from busplay.formats.capture import ReadOptions
from busplay.trace.reader import TraceReader, is_trace

# What the command calls the arguments that say how a capture is read.
READING_OPTIONS = {
    "rate_hz": "in-rate",
    "bits": "in-bits",
    "timescale": "in-timescale",
    "from_ps": "from",
    "to_ps": "to",
    "max_changes": "max-changes",
    "keep_going": "keep-going",
    "max_unpacked_bytes": "max-unpacked",
}


def why(
    source: str | PathLike[str],
    *,
    unit: str | None = None,
    pixel: tuple[int, int],
    at_ps: int | None = None,
    against: str | PathLike[str] | None = None,
    link: Link | str | Path | None = None,
    board: Board | str | Path | None = None,
    lane_map: str | None = None,
    program: str | Path | None = None,
    load_address: int | None = None,
    labels: str | Path | None = None,
    dbgfile: str | Path | None = None,
    history: int = 0,
    progress: Progress = lambda done, total: None,
    **reading: Unpack[ReadOptions],
) -> PixelReport:
    """Return why a pixel has its colour: palette entry, byte, store, instruction, frame, symbols.

    Args:
        source: a trace, or a capture of the wires.
        unit: name of the unit that shows the pixel; None: the only one that has it.
        pixel: x and y, from the top left.
        at_ps: the moment, in picoseconds since processor cycle 0, or in a capture's own time; None:
            the end of the recording.
        against: a trace of what arrived of `source`, to see whether the last store did.
        link: for a capture: its link; None: the board's link.
        board: for a capture: the board, with the units behind the link.
        lane_map: for a capture: which signal is which wire; found by their names by default.
        program: the recorded program; by default found beside the trace by its digest.
        load_address: where a raw program was loaded; by default the board's
            `program_load_address`.
        labels: list of labels; by default the one beside the program.
        dbgfile: debug file of ld65, for source lines; by default the one beside the program.
        history: count of the last stores to the byte to list.
        progress: called now and then with (done, total).
        reading: how to read a capture, and which part.

    Raises:
        InputError: a file is damaged or missing, there is no such unit or pixel, the moment is
            outside the recording, or the program is not the recorded one.

    >>> import busplay
    >>> found = busplay.why("tides.trace", unit="panel", pixel=(120, 40))
    >>> f"${found.store.address:04X}", found.store.label, found.colour.blue
    ('$543C', 'every_other+26', 204)
    """
    files = ProgramFiles(
        None if program is None else Path(program),
        load_address,
        None if labels is None else Path(labels),
        None if dbgfile is None else Path(dbgfile),
    )
    with ExitStack() as stack:
        if is_trace(Path(source), wanted="give a trace or a capture"):
            _refuse(
                fspath(source), "a trace says that itself", link=link, board=board, map=lane_map
            )
            how_to_read = {READING_OPTIONS[name]: value for name, value in reading.items() if value}
            _refuse(fspath(source), "only captures are read so", **how_to_read)
            reader = stack.enter_context(TraceReader(source))
            chain = PixelChain(reader, None, files, progress)
        else:
            _refuse(
                fspath(source),
                "a capture has no program beside it",
                against=against,
                program=program,
                labels=labels,
                dbgfile=dbgfile,
            )
            if board is None:
                raise InputError(
                    file=fspath(source),
                    found="a capture, and no board",
                    wanted="give the board, whose units show the pixels: --board FILE",
                )
            decoded = decode(fspath(source), link=link, board=board, lane_map=lane_map, **reading)
            reader = stack.enter_context(decoded.trace)
            chain = PixelChain(reader, decoded, files, progress)
        received = None if against is None else stack.enter_context(TraceReader(against))
        return chain.report(Path(fspath(source)), unit, pixel, at_ps, received, history, reading)


def _refuse(file: str, wanted: str, **given: object) -> None:
    """Refuse arguments that do not apply to a file of its kind."""
    for name, value in given.items():
        if value is not None:
            raise InputError(file=file, place=f"--{name}", found=str(value), wanted=wanted)
