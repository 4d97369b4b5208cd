"""`busplay info`: what is in a file."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from busplay.cli.capture_options import capture_options
from busplay.cli.report import Figures
from busplay.errors import InputError

if TYPE_CHECKING:
    from busplay.trace.reader import TraceReader


@click.command("info", epilog="Example: busplay info tides.trace --json")
@click.argument("file", metavar="FILE", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print the figures as JSON.")
@click.option("--verify", is_flag=True, help="Trace: read every chunk, hold it against its CRC.")
@capture_options
def command(file: Path, as_json: bool, verify: bool, **reading: int | str | bool | None) -> int:
    """Say what is in a trace or a capture, and if it is whole.

    A trace: program, board, link, frames, stores, time. A capture (VCD, CSV, .sr, raw samples;
    .gz and .zst too): signals, values recorded for each, time, rate; the options below say how
    to read it. Exit status 1: it is damaged, and was read up to there with --keep-going.
    """
    if file.suffix.lower() == ".toml":
        raise InputError(
            file=str(file), found="a description", wanted=f"busplay check {file} reads it"
        )
    as_samples = reading["rate_hz"] is not None or reading["bits"] is not None
    if as_samples or not _is_trace(file):
        return _show_capture(file, as_json=as_json, **reading)
    from busplay.trace.reader import TraceReader

    with TraceReader(file) as reader:
        if verify:
            reader.verify()
        figures = _figures(reader, file)
    if as_json:
        click.echo(json.dumps(figures, indent=2))
    else:
        _print(figures)
    return 0


def _is_trace(file: Path) -> bool:
    """Tell a trace by its first bytes, or by its suffix where these are damaged."""
    from busplay.trace.container import MAGIC

    try:
        with file.open("rb") as stream:
            head = stream.read(len(MAGIC))
    except OSError:
        head = b""
    return head == MAGIC or file.suffix.lower() == ".trace"


def _show_capture(file: Path, *, as_json: bool, **reading: int | str | bool | None) -> int:
    from busplay.cli.capture_report import capture_figures, count_rows, print_capture
    from busplay.formats.capture import open_capture

    with open_capture(file, **reading) as capture:  # type: ignore[arg-type]
        rows = count_rows(capture)
        info, file_bytes = capture.info, capture.bytes_total
    if as_json:
        figures = capture_figures(info, rows=rows, file_bytes=file_bytes)
        click.echo(json.dumps(figures, indent=2))
    else:
        print_capture(info, rows=rows, file_bytes=file_bytes)
    return 1 if reading["keep_going"] and not info.complete else 0


def _figures(reader: TraceReader, file: Path) -> Figures:
    header = reader.header
    board = header.board
    clock_hz = header.clock_hz
    return {
        "file": str(file),
        "format": "busplay trace",
        "complete": reader.complete,
        "cut_reason": reader.cut_reason or None,
        "program": header.program_name or None,
        "program_sha256": header.program_sha256 or None,
        "board": board.name if board is not None else None,
        "processor": board.processor if board is not None else None,
        "clock_hz": clock_hz,
        "link": header.link.name,
        "frame_bits": header.link.frame_bits,
        "units": [unit.name for unit in header.units],
        "cycles": reader.cycles,
        "seconds": round(reader.cycles / clock_hz, 6) if clock_hz else None,
        "stores": reader.stores,
        "frames": reader.frames,
        "stores_lost": max(0, reader.stores - reader.frames),
        # What a recorder of arrivals notes; None: the trace holds what was sent.
        "arrived_of": reader.summary().get("frames_sent"),
        "key_presses": len(reader.key_presses()),
        "file_bytes": reader.file_bytes,
        "bytes_per_frame": round(reader.file_bytes / reader.frames, 3) if reader.frames else None,
        "recorded_by": header.busplay_version,
    }


def _print(figures: Figures) -> None:
    whole = "complete" if figures["complete"] else f"CUT: {figures['cut_reason']}"
    clock = figures["clock_hz"]
    board = f"{figures['board']}, {figures['processor']}" if figures["board"] else "not recorded"
    if isinstance(clock, int):
        board += f" at {clock / 1e6:g} MHz"
    units = figures["units"]
    rows = {
        "trace": f"{figures['file']}, {figures['file_bytes']:,} bytes, {whole}",
        "program": figures["program"] or "none (stores from elsewhere, or ROM alone)",
        "board": board,
        "link": f"{figures['link']}, {figures['frame_bits']} bits a frame",
        "units": ", ".join(units) if isinstance(units, list) else "",
        "time": f"{figures['cycles']:,} cycles, {figures['seconds']} s",
        "stores": f"{figures['stores']:,}, of them {figures['stores_lost']:,} lost at the sender",
        "frames": f"{figures['frames']:,}",
        "arrived": f"these frames did, of {figures['arrived_of']:,} that were sent"
        if figures["arrived_of"] is not None
        else "",
        "keys": f"{figures['key_presses']:,} pressed",
    }
    for name, value in rows.items():
        if value:
            click.echo(f"{name:8} {value}")
