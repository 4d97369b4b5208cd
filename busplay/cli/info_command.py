"""`busplay info`: what is in a file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Unpack

import click

from busplay.cli.capture_options import capture_options
from busplay.cli.files import InFile
from busplay.cli.json_output import print_json
from busplay.cli.options import json_option
from busplay.cli.renamed import renamed
from busplay.errors import printable

if TYPE_CHECKING:
    from busplay.formats.capture import ReadOptions
    from busplay.trace.info import TraceInfo


@click.command("info", epilog="Example: busplay info tides.trace --json")
@click.argument("file", metavar="FILE", type=InFile())
@json_option
@click.option("--verify", is_flag=True, help="Read every chunk of a trace and check its CRC.")
@capture_options
@renamed("--rate", "--in-rate")
@renamed("--bits", "--in-bits")
def command(file: Path, as_json: bool, verify: bool, **reading: Unpack[ReadOptions]) -> int:
    """Show what is in a trace or a capture, and whether it is whole.

    A trace: program, board, link, frames, stores, time. A capture (VCD, CSV, .sr, raw samples;
    .gz and .zst too): signals, values recorded for each, time, rate; the options below say how
    to read it. Exit status 1: it is damaged, and was read up to there with --keep-going.
    """
    from busplay.cli.capture_report import print_capture
    from busplay.cli.progress import late_bar
    from busplay.conversion.info import info
    from busplay.trace.info import TraceInfo

    length = file.stat().st_size if file.is_file() else None
    with late_bar(length, label="reading") as move_to:
        found = info(file, verify=verify, on_bytes=move_to, **reading)
    if as_json:
        print_json(found)
    elif isinstance(found, TraceInfo):
        _print(found)
    else:
        print_capture(found)
    return 0 if found.complete or not reading.get("keep_going") else 1


def _print(info: TraceInfo) -> None:
    whole = "complete" if info.complete else f"CUT: {info.cut_reason}"
    board = f"{info.board}, {info.processor}" if info.board else "not recorded"
    if info.clock_hz is not None:
        board += f" at {info.clock_hz / 1e6:g} MHz"
    rows = {
        "trace": f"{printable(info.file)}, {info.file_bytes:,} bytes, {whole}",
        "program": info.program or "none (stores from elsewhere, or ROM alone)",
        "board": board,
        "link": f"{info.link}, {info.frame_bits} bits a frame, wire digest {info.wire_digest}",
        "units": ", ".join(info.units),
        "time": f"{info.cycles:,} cycles, {info.duration_s} s",
        "stores": f"{info.stores:,}, of them {info.stores_lost:,} lost at the sender",
        "frames": f"{info.frames:,}",
        "history": _history_text(info),
        "arrived": f"these frames did, of {info.arrived_of:,} that were sent"
        if info.arrived_of is not None
        else "",
        "keys": f"{info.key_presses:,} pressed",
        "resets": f"{info.resets:,}" if info.resets else "",
    }
    for name, value in rows.items():
        if value:
            click.echo(f"{name:8} {value}")


def _history_text(info: TraceInfo) -> str:
    if info.frames_indexed == info.frames:
        return "all writes are indexed"
    if info.frames_indexed:
        return f"the writes of {info.frames_indexed:,} frames are indexed"
    return "writes are indexed when they are first searched"
