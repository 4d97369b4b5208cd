"""`busplay convert`: recordings from one form to another."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal, cast

import click

from busplay.cli.report import Figures
from busplay.errors import InputError

if TYPE_CHECKING:
    from busplay.capture.synthetic import Analyser, PutIn
    from busplay.converting import Losses
    from busplay.trace.header import TraceHeader
    from busplay.trace.reader import TraceReader

OutputKind = Literal["trace", "packets", "frames", "stores", "wires", "samples"]

FORMS = "trace, .vcd, .csv, .pcapng, .stores, .sr, .bin"


@dataclass(frozen=True, slots=True)
class _View:
    """How an analyser sees the wires, as the command line says it."""

    rate: str
    jitter: str | None
    skews: tuple[str, ...]
    slow: str | None
    glitch_ppm: int
    lost_every: int
    lost_samples: int
    swaps: tuple[str, ...]
    inverted: tuple[str, ...]
    begin_at: str | None
    seed: int


@click.command("convert", epilog="Example: busplay convert tides.trace tides.vcd --stop 2ms")
@click.argument("source", metavar="IN", type=click.Path(path_type=Path))
@click.argument("target", metavar="OUT", type=click.Path(path_type=Path))
@click.option("--link", "link_source", metavar="LINK", help="Link, where IN does not tell it.")
@click.option("--board", "board_source", metavar="BOARD", help="Board, where IN does not tell it.")
@click.option(
    "--as",
    "wanted",
    type=click.Choice(["frames", "stores", "wires"]),
    help="What a .csv holds: frames (default), stores, or the wires' changes.",
)
@click.option("--clock", "clock", metavar="RATE", help="The link's clock, where nothing tells it.")
@click.option("--stop", "stop_text", metavar="TIME", help="Draw wires up to this link time only.")
@click.option(
    "--tick",
    metavar="TIME",
    help="Round a VCD's times down to this: 1ns suits programs that make a sample of every tick.",
)
@click.option("--no-texts", is_flag=True, help="Leave frames and states as texts out of a VCD.")
@click.option(
    "--rate", metavar="RATE", help="Sample the wires as an analyser of this rate would: 24MHz."
)
@click.option("--jitter", metavar="TIME", help="RMS by which each clock edge strays.")
@click.option(
    "--skew", "skews", metavar="WIRE=TIME", multiple=True, help="A wire comes so much later."
)
@click.option("--slow", metavar="TIME", help="After a change a wire reads either way for so long.")
@click.option("--glitch-ppm", type=click.IntRange(0, 1_000_000), default=0, help="Wrong samples.")
@click.option("--lost-every", type=click.IntRange(min=0), default=0, help="Mean samples to a loss.")
@click.option("--lost-samples", type=click.IntRange(min=1), default=1000, help="Samples a loss.")
@click.option("--swap", "swaps", metavar="WIRE=WIRE", multiple=True, help="Two probes are swapped.")
@click.option("--invert", "inverted", metavar="WIRE", multiple=True, help="A probe is inverted.")
@click.option("--begin-at", metavar="TIME", help="The capture begins at this link time.")
@click.option("--seed", type=int, default=1, help="Of everything random.")
@click.option("--map", "map_text", metavar="clock=CH0,…", help="Wires of a capture that comes in.")
@click.option("--in-rate", metavar="RATE", help="Sample rate of raw samples that come in.")
@click.option("--in-bits", metavar="BITS", help="Which bits of them are wires, such as 0-5.")
@click.option("--json", "as_json", is_flag=True, help="Print the figures as JSON.")
def command(
    source: Path,
    target: Path,
    link_source: str | None,
    board_source: str | None,
    wanted: str | None,
    clock: str | None,
    stop_text: str | None,
    tick: str | None,
    no_texts: bool,
    rate: str | None,
    jitter: str | None,
    skews: tuple[str, ...],
    slow: str | None,
    glitch_ppm: int,
    lost_every: int,
    lost_samples: int,
    swaps: tuple[str, ...],
    inverted: tuple[str, ...],
    begin_at: str | None,
    seed: int,
    map_text: str | None,
    in_rate: str | None,
    in_bits: str | None,
    as_json: bool,
) -> int:
    """Convert IN to OUT; the suffix of OUT says to what.

    \b
    .trace    a trace that replays
    .vcd      the wires, with frames and states as texts, for a waveform viewer
    .csv      frames as rows; with --as: stores, or the wires' changes
    .pcapng   a packet for each frame, link type 147 (USER0), for network analysers
    .stores   stores as records of 16 bytes

    With --rate the wires are sampled as a cheap analyser would see them, mistakes and all, into
    .vcd, .csv, .sr or raw samples (.bin): test data, and a way to see whether an analyser is
    fast enough before it is bought. What a form cannot carry is said.
    """
    from busplay.cli.notice import tell_of_compiling
    from busplay.converting import NOT_CARRIED

    tell_of_compiling()
    kind = _output_kind(target, wanted, has_rate=rate is not None)
    view = None
    if rate is not None:
        view = _View(
            rate, jitter, skews, slow, glitch_ppm, lost_every, lost_samples, swaps, inverted,
            begin_at, seed,
        )  # fmt: skip
    given = _Incoming(link_source, board_source, clock, map_text, in_rate, in_bits)
    with _as_trace(source, target if kind == "trace" else None, given) as incoming:
        losses, put_in = incoming.losses, None
        if kind != "trace":
            from busplay.trace.reader import TraceReader

            with TraceReader(incoming.trace) as reader:
                _override_header(reader, given)
                losses, put_in = _write(
                    reader,
                    target,
                    kind,
                    given,
                    view,
                    stop_text=stop_text,
                    tick_ps=_tick_ps(tick),
                    texts=not no_texts,
                )
    figures: Figures = {
        "from": str(source),
        "from_kind": incoming.kind,
        "to": str(target),
        "to_kind": kind,
        "carried": losses.carried,
        "left_out": losses.left_out,
        "not_carried": list(NOT_CARRIED.get(kind, ())),
        "notes": list(incoming.notes),
    }
    if put_in is not None:
        figures["put_in"] = {
            "samples": put_in.samples,
            "glitches": put_in.glitches,
            "unsure_samples": put_in.unsure,
            "losses": put_in.losses,
            "samples_lost": put_in.samples_lost,
        }
    if as_json:
        click.echo(json.dumps(figures, indent=2))
        return incoming.status
    what = "stores" if kind == "stores" else "frames"
    click.echo(f"{source} ({incoming.kind}) to {target} ({kind}): {losses.carried:,} {what}")
    if losses.left_out:
        click.echo(f"  {losses.left_out:,} left out")
    for one in NOT_CARRIED.get(kind, ()):
        click.echo(f"  not carried: {one}")
    for one in incoming.notes:
        click.echo(f"  {one}")
    if put_in is not None:
        click.echo(
            f"  {put_in.samples:,} samples; put in: {put_in.glitches:,} glitches,"
            f" {put_in.unsure:,} unsure samples, {put_in.losses:,} losses of"
            f" {put_in.samples_lost:,} samples"
        )
    return incoming.status


@dataclass(frozen=True, slots=True)
class _Incoming:
    """What the user says about IN."""

    link_source: str | None
    board_source: str | None
    clock: str | None
    map_text: str | None
    in_rate: str | None
    in_bits: str | None

    @property
    def clock_hz(self) -> int | None:
        """The link's clock, as the user gave it."""
        from busplay.formats.quantities import parse_rate_hz

        return None if self.clock is None else parse_rate_hz(self.clock, name="--clock")


def _output_kind(target: Path, wanted: str | None, *, has_rate: bool) -> OutputKind:
    suffix = target.suffix.lower()
    if has_rate:
        if suffix not in (".vcd", ".csv", ".sr", ".bin", ".raw"):
            raise InputError(
                place="OUT",
                found=str(target),
                wanted="samples go to .vcd, .csv, .sr, or raw to .bin",
            )
        return "samples"
    kinds: dict[str, OutputKind] = {
        ".trace": "trace",
        ".vcd": "wires",
        ".csv": cast(OutputKind, wanted or "frames"),
        ".pcapng": "packets",
        ".stores": "stores",
    }
    if suffix in (".sr", ".bin", ".raw"):
        raise InputError(
            place="OUT", found=str(target), wanted="samples need a rate, such as --rate 24MHz"
        )
    if suffix not in kinds:
        raise InputError(place="OUT", found=str(target), wanted=f"the forms are {FORMS}")
    if wanted is not None and suffix != ".csv":
        raise InputError(
            place="--as", found=f"{wanted} for {target}", wanted="only a .csv can be either"
        )
    return kinds[suffix]


class _as_trace:  # noqa: N801 - reads as a verb at its only use
    """Makes a trace of whatever comes in, in a folder that is thrown away if it is not OUT."""

    def __init__(self, source: Path, target: Path | None, given: _Incoming) -> None:
        from busplay.converting import Losses

        self.kind = ""
        self.trace = source
        self.status = 0
        self.notes: tuple[str, ...] = ()
        self.losses: Losses = Losses(0)
        self._source = source
        self._target = target
        self._given = given
        self._folder: Path | None = None

    def __enter__(self) -> _as_trace:
        from busplay.converting import find_kind, frames_to_trace, stores_to_trace

        given, source = self._given, self._source
        kind = find_kind(source, has_rate=given.in_rate is not None)
        self.kind = kind
        if kind == "trace":
            if self._target is not None:
                self._rewrite()
            return self
        self.trace = self._target or self._temporary()
        if kind == "capture":
            self._decode()
        elif kind == "stores":
            board = _board(given)
            if board is None:
                raise InputError(
                    place="--board",
                    found="stores and no board",
                    wanted="a board's windows and link make frames of stores: give --board",
                )
            self.losses = stores_to_trace(source, self.trace, board=board)
        else:
            header = _header(source, given)
            self.losses = frames_to_trace(source, self.trace, kind=kind, header=header)
        return self

    def __exit__(self, *_: object) -> None:
        if self._folder is not None:
            import shutil

            shutil.rmtree(self._folder, ignore_errors=True)

    def _temporary(self) -> Path:
        import tempfile

        self._folder = Path(tempfile.mkdtemp(prefix="busplay-"))
        return self._folder / "between.trace"

    def _rewrite(self) -> None:
        """Write a trace anew, with another board or what a cut one still has."""
        from busplay.converting import rewrite_trace

        assert self._target is not None
        self.losses = rewrite_trace(self._source, self._target, header=_told_header(self._given))

    def _decode(self) -> None:
        from busplay.capture.lane_map import default_map, parse_map
        from busplay.decoding import Decoding
        from busplay.formats.capture import open_capture
        from busplay.formats.quantities import parse_rate_hz
        from busplay.link.layout import FrameLayout

        given = self._given
        header = _header(self._source, given)
        rate = None if given.in_rate is None else parse_rate_hz(given.in_rate, name="--in-rate")
        with open_capture(self._source, rate_hz=rate, bits=given.in_bits) as capture:
            try:
                if given.map_text is None:
                    lane_map = default_map(link=header.link, signals=capture.signals)
                else:
                    lane_map = parse_map(given.map_text, link=header.link, signals=capture.signals)
            except InputError as error:
                error.file = error.file or str(self._source)
                raise
            report = Decoding(
                capture,
                FrameLayout(header.link),
                lane_map,
                board=header.board,
                output=self.trace,
            ).run()
        from busplay.converting import Losses

        self.losses = Losses(report.receiver.frames_received, report.frames_damaged)
        if not report.is_clean:
            self.status = 1
            self.notes = ("the capture was damaged; busplay decode says where",)


def _board(given: _Incoming) -> Board | None:
    from dataclasses import replace

    from busplay.description.link_fit import require_link_fits
    from busplay.description.read_board import load_board
    from busplay.description.read_link import load_link

    if given.board_source is None:
        return None
    board = load_board(given.board_source)
    if given.link_source is not None:
        board = require_link_fits(replace(board, link=load_link(given.link_source)))
    return board


def _told_header(given: _Incoming) -> TraceHeader | None:
    """Give the header that the command line tells, or None."""
    from busplay import __version__
    from busplay.converting import with_clock
    from busplay.description.read_link import load_link
    from busplay.trace.header import TraceHeader

    board = _board(given)
    if board is not None:
        return TraceHeader(link=board.link, board=board, busplay_version=__version__)
    if given.link_source is not None:
        link = load_link(given.link_source)
        return with_clock(TraceHeader(link=link, busplay_version=__version__), given.clock_hz)
    return None


def _header(source: Path, given: _Incoming) -> TraceHeader:
    from busplay.converting import carried_header

    header = _told_header(given) or carried_header(source)
    if header is None:
        raise InputError(
            file=str(source),
            found="nothing that tells its link",
            wanted="give --link LINK, or --board BOARD",
        )
    return header


def _override_header(reader: TraceReader, given: _Incoming) -> None:
    """Let a board or clock on the command line add what a trace does not tell."""
    from dataclasses import replace

    from busplay.converting import with_clock

    if reader.header.board is None:
        board = _board(given)
        if board is not None:
            if replace(board.link, file="") != replace(reader.header.link, file=""):
                board = replace(board, link=reader.header.link)
            reader.header = replace(reader.header, board=board)
    reader.header = with_clock(reader.header, given.clock_hz)


def _tick_ps(text: str | None) -> int | None:
    from busplay.formats.quantities import parse_time_ps

    if text is None:
        return None
    tick_ps = parse_time_ps(text, name="--tick")
    if tick_ps not in [10**power for power in range(13)]:
        raise InputError(
            place="--tick", found=text, wanted="a VCD counts in 1, 10 or 100 of s, ms, us, ns or ps"
        )
    return tick_ps


def _write(
    reader: TraceReader,
    target: Path,
    kind: OutputKind,
    given: _Incoming,
    view: _View | None,
    *,
    stop_text: str | None,
    tick_ps: int | None,
    texts: bool,
) -> tuple[Losses, PutIn | None]:
    from busplay import converting, wires_out

    if kind == "frames":
        return converting.trace_to_frames_csv(reader, target), None
    if kind == "packets":
        return converting.trace_to_pcapng(reader, target), None
    if kind == "stores":
        binary = target.suffix.lower() != ".csv"
        return converting.trace_to_stores(reader, target, binary=binary), None
    stop_ps = None
    if stop_text is not None:
        from busplay.formats.quantities import parse_time_ps

        stop_ps = parse_time_ps(stop_text, name="--stop")
    if view is None:
        return wires_out.write_wires(
            reader, target, stop_ps=stop_ps, texts=texts, tick_ps=tick_ps
        ), None
    analyser = _analyser(view, reader)
    return wires_out.write_capture(reader, target, analyser=analyser, stop_ps=stop_ps)


def _analyser(view: _View, reader: TraceReader) -> Analyser:
    from busplay.capture.lane_map import wires_of
    from busplay.capture.synthetic import Analyser
    from busplay.formats.quantities import parse_rate_hz, parse_time_ps
    from busplay.wires_out import drawer_for

    wires = wires_of(reader.header.link)

    def wire_index(name: str, option: str) -> int:
        if name not in wires:
            raise InputError(
                place=option, found=f"wire {name!r}", wanted=f"the wires are {', '.join(wires)}"
            )
        return wires.index(name)

    def time_ps(text: str | None, option: str) -> int:
        return 0 if text is None else parse_time_ps(text, name=option)

    skews = [0] * (len(wires) - 1)
    for one in view.skews:
        wire, _, text = one.partition("=")
        index = wire_index(wire, "--skew")
        if index == 0:
            raise InputError(place="--skew", found=one, wanted="skew is against the clock")
        skews[index - 1] = time_ps(text, "--skew")
    channels = list(range(len(wires)))
    for one in view.swaps:
        first, _, second = one.partition("=")
        a, b = wire_index(first, "--swap"), wire_index(second, "--swap")
        channels[a], channels[b] = channels[b], channels[a]
    for wire in view.inverted:
        wire_index(wire, "--invert")
    begin_ps = time_ps(view.begin_at, "--begin-at")
    rate = drawer_for(reader).edges_per_second
    return Analyser(
        rate_hz=parse_rate_hz(view.rate, name="--rate"),
        jitter_ps=time_ps(view.jitter, "--jitter"),
        skew_ps=tuple(skews),
        slow_ps=time_ps(view.slow, "--slow"),
        glitch_ppm=view.glitch_ppm,
        lost_every=view.lost_every,
        lost_samples=view.lost_samples,
        first_edge=begin_ps * rate // 10**12,
        channels=tuple(channels),
        inverted=frozenset(view.inverted),
        seed=view.seed,
    )


if TYPE_CHECKING:
    from busplay.description.board import Board
