"""Recordings from one form to another: trace, wires, frames as rows or packets, stores.

    busplay.convert("tides.trace", "tides.vcd")

Everything goes by way of a trace. What comes in becomes one (a capture is decoded, stores are
encoded, frames are checked against their link), and what goes out is drawn from one. What a format
cannot carry is listed.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from os import PathLike
from pathlib import Path
from typing import Unpack

from busplay.analysis.flashes import SCREEN_PX
from busplay.capture.synthetic import InjectedFaults
from busplay.conversion import from_trace, to_trace, wires
from busplay.conversion.analyser_view import AnalyserView
from busplay.conversion.carried_header import carried_header, with_clock
from busplay.conversion.decode import DecodeWatch, decode, header_of
from busplay.conversion.from_trace import CarriedCount
from busplay.conversion.kinds import (
    NOT_CARRIED,
    CsvContent,
    SourceKind,
    TargetKind,
    find_source_kind,
    find_target_kind,
)
from busplay.description.board import Board
from busplay.description.link import Link
from busplay.errors import InputError
from busplay.export.film import FilmReport, require_can_film, write_film
from busplay.formats.capture import ReadOptions
from busplay.formats.quantities import time_text
from busplay.trace.header import TraceHeader
from busplay.trace.reader import TraceReader
from busplay.whole_file import no_way_to_write, place_beside, require_other_file

# The options that say how a capture is read, as the command line has them.
_READING = {
    "rate_hz": "--in-rate",
    "bits": "--in-bits",
    "timescale": "--in-timescale",
    "from_ps": "--from",
    "to_ps": "--to",
    "max_changes": "--max-changes",
    "keep_going": "--keep-going",
}


@dataclass(frozen=True, slots=True)
class ConvertReport:
    """What a conversion did.

    Attributes:
        source, target: the files.
        source_kind: `trace`, `pcapng`, `frames`, `stores` or `capture`.
        target_kind: `trace`, `pcapng`, `frames`, `stores`, `wires`, `samples`, `film` or
            `pictures`.
        carried: frames that were written; stores or pictures, where these are what the target
            holds.
        left_out: frames, or pictures, that the target cannot hold.
        not_carried: what else it cannot hold, in words.
        is_clean: the source was whole and undamaged.
        notes: what the user should know.
        injected: what was done to the samples, as the simulated analyser was asked to; None:
            there was none.
        film: the film or the pictures that were written; None: the target is something else.
    """

    source: str
    target: str
    source_kind: SourceKind
    target_kind: TargetKind
    carried: int
    left_out: int
    not_carried: tuple[str, ...]
    is_clean: bool
    notes: tuple[str, ...]
    injected: InjectedFaults | None = None
    film: FilmReport | None = None


@dataclass(frozen=True, slots=True)
class _Arrived:
    """What came in, as a trace."""

    trace: Path
    carried: CarriedCount
    notes: tuple[str, ...] = ()


def convert(
    source: str | PathLike[str],
    target: str | Path,
    *,
    link: Link | str | Path | None = None,
    board: Board | str | Path | None = None,
    csv_content: CsvContent | None = None,
    clock_hz: int | None = None,
    lane_map: str | None = None,
    analyser: AnalyserView | None = None,
    stop_ps: int | None = None,
    tick_ps: int | None = None,
    texts: bool = True,
    unit: str | None = None,
    scale: int | None = None,
    screen_px: tuple[int, int] | None = None,
    watch: DecodeWatch | None = None,
    progress: Callable[[int, int], None] | None = None,
    **reading: Unpack[ReadOptions],
) -> ConvertReport:
    """Convert a recording; the suffix of `target` says to what.

    Args:
        source: a trace, a capture, packets, or CSV or records of frames or stores.
        target: `.trace`, `.vcd`, `.csv`, `.pcapng`, `.stores`, for samples `.sr` or `.bin` too,
            for films as `busplay.export.film.write_film`. It takes the place of a file of that
            name once it is whole.
        link, board: where the source does not state them.
        csv_content: what a .csv holds; None: frames.
        clock_hz: the link's clock, where nothing else states it.
        lane_map: which signal of a capture is which wire, as `decode` takes it.
        analyser: sample the wires as it would; None: exact wires.
        stop_ps: draw wires up to this link time only.
        tick_ps: unit of a VCD's times, to which they are rounded down; None: exact.
        texts: in a VCD, write frames and the receiver's state as readable texts too.
        unit: of a film, this unit alone; None: all.
        scale: of a film, side of a pixel's square; None: 2 for videos, 1 for others.
        screen_px: of a film, the screen on which flashes are looked at; None: 1024 x 768.
        watch: follows the decode of a capture.
        progress: called with how much is drawn and how much there is: link edges, or pictures.
        reading: how a capture is read, and which part of it. For a film `from_ps` and `to_ps`
            choose the part of any other recording, too.

    Raises:
        InputError: a file cannot be read, is damaged, lacks what the target needs, or an
            argument does nothing to the target.
        OutputError: the target cannot be written; what was there before is still there.

    >>> import busplay
    >>> report = busplay.convert("tides.trace", "tides.vcd")
    >>> report.target_kind, report.carried, report.is_clean
    ('wires', 37420, True)
    """
    source, target = Path(source), Path(target)
    require_other_file(target, source)
    kind = find_target_kind(target, csv_content=csv_content, is_sampled=analyser is not None)
    is_film = kind in ("film", "pictures")
    _require_of_use(kind, target, stop_ps=stop_ps, tick_ps=tick_ps, texts=texts)
    if is_film:
        require_can_film(target)
    for option, value in (("--unit", unit), ("--scale", scale), ("--screen", screen_px)):
        if is_film or value is None:
            continue
        raise InputError(
            place=option,
            found=f"a conversion to {kind}",
            wanted="it is for films: .gif, .apng, .webp, .mp4, .webm and pictures",
        )
    given = header_of(link=link, board=board)
    came = find_source_kind(source, has_rate=reading.get("rate_hz") is not None)
    has_part = came == "capture" or is_film
    unused = [
        option
        for name, option in _READING.items()
        if reading.get(name) not in (None, False)
        and not (has_part and name in ("from_ps", "to_ps"))
    ]
    if came != "capture" and unused:
        raise InputError(
            file=str(source),
            found=f"{'packets' if came == 'pcapng' else came}, and options of a capture",
            wanted=f"leave out {', '.join(unused)}",
        )
    injected = film = None
    with _arriving(
        source, came, target if kind == "trace" else None, given, clock_hz, lane_map, watch, reading
    ) as arrived:
        carried = arrived.carried
        if is_film:
            with _with_board(arrived.trace, source, given) as trace:
                film = write_film(
                    trace,
                    target,
                    unit=unit,
                    scale=scale,
                    screen_px=screen_px or SCREEN_PX,
                    from_ps=None if came == "capture" else reading.get("from_ps"),
                    to_ps=None if came == "capture" else reading.get("to_ps"),
                    progress=progress,
                )
            carried = CarriedCount(film.refreshes - film.left_out, film.left_out)
        elif kind != "trace":
            with TraceReader(arrived.trace) as reader:
                reader.header = with_clock(_completed(reader.header, given), clock_hz)
                move = None if progress is None else _moving(progress, reader.stop_edge)
                carried, injected = _write(
                    reader, target, kind, analyser, stop_ps, tick_ps, texts=texts, on_edge=move
                )
    return ConvertReport(
        source=str(source),
        target=str(target),
        source_kind=came,
        target_kind=kind,
        carried=carried.carried,
        left_out=carried.left_out,
        not_carried=NOT_CARRIED[kind],
        is_clean=not arrived.notes,
        notes=arrived.notes,
        injected=injected,
        film=film,
    )


def _moving(progress: Callable[[int, int], None], stop_edge: int) -> Callable[[int], None]:
    return lambda edge: progress(edge, stop_edge)


@contextmanager
def _with_board(trace: Path, source: Path, given: TraceHeader | None) -> Iterator[Path]:
    """Return a trace with its board: the one that it has, or for the time of the context a copy.

    Raises:
        InputError: it has none and none is given.
    """
    with TraceReader(trace) as reader:
        has_board = reader.header.board is not None
    if has_board:
        yield trace
        return
    if given is None or given.board is None:
        raise InputError(
            file=str(source),
            found="a recording without a board",
            wanted="a film shows a board's units, so give --board",
        )
    with _new_trace(None) as new:
        to_trace.rewrite_trace(trace, new, header=given)
        yield new


def _require_of_use(
    kind: TargetKind, target: Path, *, stop_ps: int | None, tick_ps: int | None, texts: bool
) -> None:
    """Refuse arguments that do nothing to what is written."""
    if stop_ps is not None and kind not in ("wires", "samples"):
        raise InputError(
            place="--out-to",
            found=f"a conversion to {kind}",
            wanted="only wires are drawn up to it",
        )
    if stop_ps is not None and stop_ps <= 0:
        raise InputError(place="--out-to", found=time_text(stop_ps), wanted="give a time above 0")
    is_dump = kind == "wires" and target.suffix.lower() == ".vcd"
    if not is_dump and (tick_ps is not None or not texts):
        raise InputError(
            place="--no-texts" if tick_ps is None else "--out-tick",
            found=f"a conversion of {kind} to {target}",
            wanted="it is for a .vcd without --out-rate",
        )
    if tick_ps is not None and tick_ps not in [10**power for power in range(13)]:
        raise InputError(
            place="--out-tick",
            found=time_text(tick_ps),
            wanted="a VCD counts in 1, 10 or 100 of s, ms, us, ns or ps",
        )


@contextmanager
def _arriving(
    source: Path,
    kind: SourceKind,
    target: Path | None,
    given: TraceHeader | None,
    clock_hz: int | None,
    lane_map: str | None,
    watch: DecodeWatch | None,
    reading: ReadOptions,
) -> Iterator[_Arrived]:
    """Make a trace of whatever comes in: at `target`, or for the time of the context."""
    notes = _cut_notes(source) if kind == "trace" else ()
    if kind == "trace" and target is None:
        yield _Arrived(source, CarriedCount(0), notes)
        return
    with _new_trace(target) as new:
        if kind == "trace":
            header = None if given is None else with_clock(given, clock_hz)
            yield _Arrived(new, to_trace.rewrite_trace(source, new, header=header), notes)
        elif kind == "stores":
            if given is None or given.board is None:
                raise InputError(
                    place="--board",
                    found="stores and no board",
                    wanted="a board's windows and link make frames of stores: give --board",
                )
            yield _Arrived(new, to_trace.stores_to_trace(source, new, board=given.board))
        else:
            header = given or carried_header(source)
            if header is None:
                raise InputError(
                    file=str(source),
                    found="nothing that names its link",
                    wanted="give --link LINK, or --board BOARD",
                )
            if kind == "capture":
                yield _decoded(source, new, header, lane_map, watch, reading)
            else:
                header = with_clock(header, clock_hz)
                count = to_trace.frames_to_trace(source, new, kind=kind, header=header)
                yield _Arrived(new, count)


def _cut_notes(trace: Path) -> tuple[str, ...]:
    with TraceReader(trace) as reader:
        return (f"the trace is cut: {reader.cut_reason}",) if reader.cut_reason else ()


@contextmanager
def _new_trace(target: Path | None) -> Iterator[Path]:
    """Return where to write a trace: beside the target, or in a folder that is thrown away."""
    if target is None:
        with tempfile.TemporaryDirectory(prefix="busplay-") as folder:
            yield Path(folder) / "between.trace"
        return
    try:
        with place_beside(target) as beside:
            yield beside
    except OSError as error:
        raise no_way_to_write(target, error) from error


def _decoded(
    source: Path,
    target: Path,
    header: TraceHeader,
    lane_map: str | None,
    watch: DecodeWatch | None,
    reading: ReadOptions,
) -> _Arrived:
    try:
        health = decode(
            source,
            link=header.link,
            board=header.board,
            output=target,
            lane_map=lane_map,
            watch=watch,
            **reading,
        ).health
    except InputError as error:
        if error.found is None:
            raise
        raise InputError(
            file=error.file,
            place=error.place,
            found=error.found,
            wanted=(error.wanted or "").replace("--find-map", "busplay decode --find-map"),
        ) from None
    notes = []
    if not health.is_clean:
        notes.append("the capture is damaged; busplay decode lists where")
    if not health.is_complete:
        notes.append(f"the capture ends early: {health.cut_reason}")
    count = CarriedCount(health.receiver.frames_received, health.frames_damaged)
    return _Arrived(target, count, tuple(notes))


def _completed(header: TraceHeader, given: TraceHeader | None) -> TraceHeader:
    """Return a trace's header with the board that was given, where it has none."""
    if header.board is not None or given is None or given.board is None:
        return header
    board = given.board
    if replace(board.link, file="") != replace(header.link, file=""):
        board = replace(board, link=header.link)
    return replace(header, board=board, link=board.link)


def _write(
    reader: TraceReader,
    target: Path,
    kind: TargetKind,
    analyser: AnalyserView | None,
    stop_ps: int | None,
    tick_ps: int | None,
    *,
    texts: bool,
    on_edge: Callable[[int], None] | None,
) -> tuple[CarriedCount, InjectedFaults | None]:
    if kind == "frames":
        return from_trace.trace_to_frames_csv(reader, target), None
    if kind == "pcapng":
        return from_trace.trace_to_pcapng(reader, target), None
    if kind == "stores":
        is_binary = target.suffix.lower() != ".csv"
        return from_trace.trace_to_stores(reader, target, binary=is_binary), None
    if analyser is None:
        count = wires.write_wires(
            reader, target, stop_ps=stop_ps, texts=texts, tick_ps=tick_ps, on_edge=on_edge
        )
        return count, None
    seen = analyser.resolved(reader)
    return wires.write_capture(reader, target, analyser=seen, stop_ps=stop_ps, on_edge=on_edge)
