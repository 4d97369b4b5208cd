"""What comes in to `busplay convert`: whatever it is becomes a trace first."""

from __future__ import annotations

from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Self

from busplay.errors import InputError
from busplay.whole_file import no_way_to_write, place_beside

if TYPE_CHECKING:
    from types import TracebackType

    from busplay.convert.traces import Losses
    from busplay.description.board import Board
    from busplay.trace.header import TraceHeader
    from busplay.trace.reader import TraceReader

# The options that say how a capture is read, by their names for `open_capture`.
OPTION_NAMES = {
    "rate_hz": "--in-rate",
    "bits": "--in-bits",
    "timescale": "--timescale",
    "from_ps": "--from",
    "to_ps": "--to",
    "first": "--first",
    "keep_going": "--keep-going",
}


@dataclass(frozen=True, slots=True)
class Incoming:
    """What the user says about IN.

    Attributes:
        link_source, board_source: file or name.
        clock_hz: the link's clock.
        map_text: the wires of a capture, as `--map` has it.
        reading: how a capture is read, as `open_capture` takes it.
    """

    link_source: str | None = None
    board_source: str | None = None
    clock_hz: int | None = None
    map_text: str | None = None
    reading: dict[str, int | str | bool | None] = field(default_factory=dict)

    def board(self) -> Board | None:
        """Load the board that was given, with the link that was given."""
        from busplay.link.board_fit import require_link_fits
        from busplay.link.load import load_board, load_link

        if self.board_source is None:
            return None
        board = load_board(self.board_source)
        if self.link_source is not None:
            board = require_link_fits(replace(board, link=load_link(self.link_source)))
        return board

    def told_header(self) -> TraceHeader | None:
        """Return the header that the command line tells, or None."""
        from busplay.convert.traces import with_clock
        from busplay.link.load import load_link
        from busplay.trace.header import TraceHeader
        from busplay.version import VERSION

        board = self.board()
        if board is not None:
            return TraceHeader(link=board.link, board=board, busplay_version=VERSION)
        if self.link_source is not None:
            link = load_link(self.link_source)
            return with_clock(TraceHeader(link=link, busplay_version=VERSION), self.clock_hz)
        return None

    def header(self, source: Path) -> TraceHeader:
        """Return the header that the command line or the file itself tells.

        Raises:
            InputError: neither does.
        """
        from busplay.convert.traces import carried_header

        header = self.told_header() or carried_header(source)
        if header is None:
            raise InputError(
                file=str(source),
                found="nothing that tells its link",
                wanted="give --link LINK, or --board BOARD",
            )
        return header


class IncomingTrace:
    """Makes a trace of whatever comes in; a context manager.

    Where a trace is what is wanted it grows beside its place and takes its name at the end,
    so that a conversion that fails leaves what was there.

    Args:
        source: IN.
        target: OUT, if it is to be a trace, else None: the trace is thrown away at the end.
        given: what the user says about IN.

    Attributes:
        kind: what came in.
        trace: the trace.
        losses: frames that came in.
        notes: what the user should know.
        status: 1 if what came in is damaged or cut off.
    """

    def __init__(self, source: Path, target: Path | None, given: Incoming) -> None:
        from busplay.convert.traces import Losses

        self.kind = ""
        self.trace = source
        self.status = 0
        self.notes: tuple[str, ...] = ()
        self.losses: Losses = Losses(0)
        self._source = source
        self._target = target
        self._given = given
        self._places = ExitStack()

    def __enter__(self) -> Self:
        from busplay.convert.traces import find_kind, frames_to_trace, stores_to_trace

        given, source = self._given, self._source
        is_samples = given.reading.get("rate_hz") is not None
        self.kind = kind = find_kind(source, has_rate=is_samples)
        unused = [name for name, value in given.reading.items() if value not in (None, False)]
        if kind != "capture" and unused:
            raise InputError(
                file=str(source),
                found=f"{kind if kind != 'pcapng' else 'packets'}, and options of a capture",
                wanted=f"leave out {', '.join(OPTION_NAMES[name] for name in unused)}",
            )
        if kind == "trace" and self._target is None:
            return self
        with ExitStack() as places:
            self.trace = self._new_trace(places)
            if kind == "trace":
                self._rewrite()
            elif kind == "capture":
                self._decode()
            elif kind == "stores":
                board = given.board()
                if board is None:
                    raise InputError(
                        place="--board",
                        found="stores and no board",
                        wanted="a board's windows and link make frames of stores: give --board",
                    )
                self.losses = stores_to_trace(source, self.trace, board=board)
            else:
                header = given.header(source)
                self.losses = frames_to_trace(source, self.trace, kind=kind, header=header)
            self._places = places.pop_all()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        try:
            self._places.__exit__(kind, error, trace)
        except OSError as failure:
            if failure is error or self._target is None:
                raise
            raise no_way_to_write(self._target, failure) from failure

    def _new_trace(self, places: ExitStack) -> Path:
        if self._target is not None:
            return places.enter_context(place_beside(self._target))
        return Path(places.enter_context(TemporaryDirectory(prefix="busplay-"))) / "between.trace"

    def _rewrite(self) -> None:
        """Write a trace anew, with another board or what a cut one still has."""
        from busplay.convert.traces import rewrite_trace

        self.losses = rewrite_trace(self._source, self.trace, header=self._given.told_header())

    def _decode(self) -> None:
        from busplay.capture.decode import Decoding
        from busplay.cli.capture_map import map_capture
        from busplay.cli.progress import capture_progress
        from busplay.convert.traces import Losses
        from busplay.formats.capture import open_capture
        from busplay.link.layout import FrameLayout

        header = self._given.header(self._source)
        with open_capture(self._source, **self._given.reading) as capture:  # type: ignore[arg-type]
            try:
                lane_map = map_capture(capture, header.link, self._given.map_text)
            except InputError as error:
                raise InputError(
                    file=error.file,
                    place=error.place,
                    found=error.found,
                    wanted=(error.wanted or "").replace("--find-map", "busplay decode --find-map"),
                ) from None
            decoding = Decoding(
                capture,
                FrameLayout(header.link),
                lane_map,
                board=header.board,
                output=self.trace,
            )
            with capture_progress(capture, label="decoding") as move:
                report = decoding.run(lambda _: move())
            info = capture.info
        self.losses = Losses(report.receiver.frames_received, report.frames_damaged)
        notes = []
        if not report.is_clean:
            notes.append("the capture was damaged; busplay decode says where")
        if not info.complete:
            notes.append(f"the capture ends early: {info.cut_reason}")
        self.notes = tuple(notes)
        self.status = 1 if notes else 0


def override_header(reader: TraceReader, given: Incoming) -> None:
    """Let a board or clock on the command line add what a trace does not tell."""
    from busplay.convert.traces import with_clock

    if reader.header.board is None:
        board = given.board()
        if board is not None:
            if replace(board.link, file="") != replace(reader.header.link, file=""):
                board = replace(board, link=reader.header.link)
            reader.header = replace(reader.header, board=board)
    reader.header = with_clock(reader.header, given.clock_hz)
