"""`busplay convert`: recordings from one form to another."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal, cast

import click
from click.core import ParameterSource

from busplay.cli.capture_options import require_part
from busplay.cli.files import Described, InFile, OutFile
from busplay.cli.options import Rate, Time
from busplay.cli.report import Figures
from busplay.errors import InputError

if TYPE_CHECKING:
    from busplay.capture.synthetic import Analyser, InjectedFaults
    from busplay.convert.traces import Losses
    from busplay.trace.reader import TraceReader

OutputKind = Literal["trace", "packets", "frames", "stores", "wires", "samples"]

# Options that say how an analyser sees the wires, and those of a drawing.
_OF_SAMPLES = (
    "jitter", "skews", "slow", "glitch_ppm", "lost_every", "lost_samples", "swaps", "inverted",
    "begin_at", "seed",
)  # fmt: skip
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
@click.argument("source", metavar="IN", type=InFile())
@click.argument("target", metavar="OUT", type=OutFile())
@click.option(
    "--link",
    "link_source",
    metavar="LINK",
    type=Described(),
    help="Link, where IN does not tell it.",
)
@click.option(
    "--board",
    "board_source",
    metavar="BOARD",
    type=Described(),
    help="Board, where IN does not tell it.",
)
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
@click.option("--in-rate", type=Rate(), help="Rate of samples that come in.")
@click.option("--in-bits", metavar="BITS", help="Which bits of raw ones are wires, such as 0-5.")
@click.option("--timescale", metavar="TIME", help="Unit of a capture's times, such as 1ns.")
@click.option(
    "--from",
    "from_ps",
    type=Time(can_be_negative=True),
    help="Leave out what is earlier in a capture.",
)
@click.option(
    "--to", "to_ps", type=Time(can_be_negative=True), help="Leave out what is later in a capture."
)
@click.option("--first", type=click.IntRange(min=1), metavar="N", help="Its first N changes only.")
@click.option("--keep-going", is_flag=True, help="Read a damaged capture up to the damage.")
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
    in_rate: int | None,
    in_bits: str | None,
    as_json: bool,
    **reading: int | str | bool | None,
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
    from busplay.cli.convert_incoming import Incoming, IncomingTrace, override_header
    from busplay.cli.notice import tell_of_compiling
    from busplay.convert.traces import NOT_CARRIED
    from busplay.formats.quantities import parse_rate_hz

    tell_of_compiling()
    kind = _output_kind(target, wanted, has_rate=rate is not None)
    _require_used(kind, target)
    view = None
    if rate is not None:
        view = _View(
            rate, jitter, skews, slow, glitch_ppm, lost_every, lost_samples, swaps, inverted,
            begin_at, seed,
        )  # fmt: skip
    require_part(reading)
    reading |= {"rate_hz": in_rate, "bits": in_bits}
    clock_hz = None if clock is None else parse_rate_hz(clock, name="--clock")
    given = Incoming(link_source, board_source, clock_hz, map_text, reading)
    with IncomingTrace(source, target if kind == "trace" else None, given) as incoming:
        losses, put_in = incoming.losses, None
        if kind != "trace":
            from busplay.trace.reader import TraceReader

            with TraceReader(incoming.trace) as reader:
                override_header(reader, given)
                losses, put_in = _write(
                    reader,
                    target,
                    kind,
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
            "loss_places": list(put_in.loss_places),
            "map": put_in.map_text,
            "seed": seed,
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
            f"  {put_in.samples:,} samples; injected: {put_in.glitches:,} glitches,"
            f" {put_in.unsure:,} unsure samples, {put_in.losses:,} losses of"
            f" {put_in.samples_lost:,} samples"
        )
        if swaps or inverted:
            click.echo(f"  the probes are on --map {put_in.map_text}")
    return incoming.status


def _require_used(kind: OutputKind, target: Path) -> None:
    """Refuse options that do nothing to what is written."""
    context = click.get_current_context()

    def given(*names: str) -> list[str]:
        sources = {name: context.get_parameter_source(name) for name in names}
        told = [name for name, source in sources.items() if source == ParameterSource.COMMANDLINE]
        flags = {one.name: one.opts[0] for one in context.command.params}
        return [flags[name] for name in told]

    if kind != "samples" and (unused := given(*_OF_SAMPLES)):
        raise InputError(
            place=unused[0],
            found=f"a conversion to {kind}",
            wanted="it says what an analyser sees: give its --rate, or leave it out",
        )
    if kind not in ("wires", "samples") and (unused := given("stop_text")):
        raise InputError(
            place=unused[0], found=f"a conversion to {kind}", wanted="only wires are drawn up to it"
        )
    is_dump = kind == "wires" and target.suffix.lower() == ".vcd"
    if not is_dump and (unused := given("tick", "no_texts")):
        raise InputError(
            place=unused[0],
            found=f"a conversion of {kind} to {target}",
            wanted="it is for a .vcd without --rate",
        )


def _output_kind(target: Path, wanted: str | None, *, has_rate: bool) -> OutputKind:
    suffix = target.suffix.lower()
    if has_rate:
        if wanted is not None:
            raise InputError(
                place="--as", found=f"{wanted} and a rate", wanted="with --rate a .csv has samples"
            )
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
    view: _View | None,
    *,
    stop_text: str | None,
    tick_ps: int | None,
    texts: bool,
) -> tuple[Losses, InjectedFaults | None]:
    from busplay.cli.progress import late_bar
    from busplay.convert import traces, wires

    if kind == "frames":
        return traces.trace_to_frames_csv(reader, target), None
    if kind == "packets":
        return traces.trace_to_pcapng(reader, target), None
    if kind == "stores":
        binary = target.suffix.lower() != ".csv"
        return traces.trace_to_stores(reader, target, binary=binary), None
    stop_ps = None
    if stop_text is not None:
        from busplay.formats.quantities import parse_time_ps

        stop_ps = parse_time_ps(stop_text, name="--stop")
        if stop_ps <= 0:
            raise InputError(place="--stop", found=stop_text, wanted="give a time above 0")
    with late_bar(reader.stop_edge, label="drawing") as move:
        if view is None:
            losses = wires.write_wires(
                reader, target, stop_ps=stop_ps, texts=texts, tick_ps=tick_ps, on_edge=move
            )
            return losses, None
        analyser = _analyser(view, reader)
        return wires.write_capture(reader, target, analyser=analyser, stop_ps=stop_ps, on_edge=move)


def _analyser(view: _View, reader: TraceReader) -> Analyser:
    from busplay.capture.lane_map import wires_of
    from busplay.capture.synthetic import Analyser
    from busplay.convert.wires import drawer_for
    from busplay.formats.quantities import parse_rate_hz, parse_time_ps

    wires = wires_of(reader.header.link)

    def wire_index(name: str, option: str) -> int:
        if name not in wires:
            raise InputError(
                place=option, found=f"wire {name!r}", wanted=f"the wires are {', '.join(wires)}"
            )
        return wires.index(name)

    def time_ps(text: str | None, option: str, *, least_ps: int | None = 0) -> int:
        found_ps = 0 if text is None else parse_time_ps(text, name=option)
        if least_ps is not None and found_ps < least_ps:
            raise InputError(
                place=option, found=str(text), wanted="give a time that is not below 0"
            )
        return found_ps

    skews = [0] * (len(wires) - 1)
    for one in view.skews:
        wire, _, text = one.partition("=")
        index = wire_index(wire, "--skew")
        if index == 0:
            raise InputError(place="--skew", found=one, wanted="skew is against the clock")
        skews[index - 1] = time_ps(text, "--skew", least_ps=None)
    channels = list(range(len(wires)))
    for one in view.swaps:
        first, _, second = one.partition("=")
        a, b = wire_index(first, "--swap"), wire_index(second, "--swap")
        channels[a], channels[b] = channels[b], channels[a]
    for wire in view.inverted:
        wire_index(wire, "--invert")
    begin_ps = time_ps(view.begin_at, "--begin-at")
    rate = drawer_for(reader).edges_per_second
    first_edge = begin_ps * rate // 10**12
    if first_edge and first_edge >= reader.stop_edge:
        raise InputError(
            place="--begin-at",
            found=str(view.begin_at),
            wanted=f"the trace ends at {reader.stop_edge * 10**6 // rate:,} us",
        )
    return Analyser(
        rate_hz=parse_rate_hz(view.rate, name="--rate"),
        jitter_ps=time_ps(view.jitter, "--jitter"),
        skew_ps=tuple(skews),
        slow_ps=time_ps(view.slow, "--slow"),
        glitch_ppm=view.glitch_ppm,
        lost_every=view.lost_every,
        lost_samples=view.lost_samples,
        first_edge=first_edge,
        channels=tuple(channels),
        inverted=frozenset(view.inverted),
        seed=view.seed,
    )
