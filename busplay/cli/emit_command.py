"""`busplay emit`: firmware, test vectors and documents from a description."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from busplay.cli.files import Described, OutFolder
from busplay.cli.json_output import print_json
from busplay.cli.options import Parsed, full_option, json_option
from busplay.errors import printable

if TYPE_CHECKING:
    from busplay.emission.emit import EmitReport
    from busplay.emission.proof.firmware import TargetFigures
    from busplay.emission.proof.synthesis import LogicFigures


class PartNames(Parsed[tuple[str, ...]]):
    """Names of parts, separated by commas."""

    name = "parts"

    def parse(self, text: str) -> tuple[str, ...]:
        """Split the names; the library refuses one that it does not know."""
        names = tuple(one.strip() for one in text.split(",") if one.strip())
        if not names:
            raise ValueError("found no name of a part; leave --only out for all parts")
        return names


@click.command("emit", epilog="Example: busplay emit guarded --to firmware --only c,vectors")
@click.argument("source", metavar="LINK-or-BOARD", type=Described())
@click.option(
    "--to",
    "folder",
    type=OutFolder(),
    required=True,
    help="Write the files here, each part to a folder of its own.",
)
@click.option(
    "--only",
    type=PartNames(),
    default=(),
    metavar="PART,...",
    help="Leave out all other parts.  [default: all]",
)
@click.option(
    "--overwrite", is_flag=True, help="Replace files that were changed since they were emitted."
)
@click.option(
    "--prove",
    is_flag=True,
    help="Check firmware and logic, and prove the logic, with the tools that are installed.",
)
@full_option
@json_option
def command(
    source: str,
    folder: Path,
    only: tuple[str, ...],
    overwrite: bool,
    prove: bool,
    full: bool,
    as_json: bool,
) -> int:
    """Write what implements a link: firmware, logic, vectors, a board's headers, a data sheet.

    Give a file, or the name of a shipped link or board. The parts are c (a sender and a receiver
    in C99, display memory, a port to complete, a self-test), verilog (a sender and a receiver in
    Verilog-2005, two test benches), vectors (for $readmemh, CSV, VCD, JSON), headers (a board's
    addresses for ca65 and cc65) and datasheet (HTML and Markdown). The same description gives the
    same bytes; the digest of the wire format stands in every file. A file that was changed since
    it was emitted is not replaced.

    --prove gives the C to gcc, Clang and cppcheck, runs its self-test under the sanitizers, and
    compiles it for a Cortex-M0+ and an AVR, whose sizes and cycles the data sheet then states. It
    runs the test bench in Icarus Verilog, gives the Verilog to Verilator, and by Yosys proves
    encoder, check and syndrome equal to the link for all inputs, and the receiver equal to the
    table of states for symbols without end. Pins, FIFOs and the sender's slots are only tested.
    Yosys and nextpnr also make cells of an iCE40; the data sheet states their count, and the clock.
    Exit status is 1 if any of it fails.
    """
    from busplay.cli.progress import shares_bar
    from busplay.emission.emit import emit

    with shares_bar(label="emitting") as progress:
        report = emit(
            source, folder, only=only, overwrite=overwrite, prove=prove, progress=progress
        )
    if as_json:
        print_json(report)
    else:
        _print(report, full=full)
    return 0 if report.is_proved else 1


def _print(report: EmitReport, *, full: bool) -> None:
    from busplay.cli.style import verdict, warning
    from busplay.wording import counted

    new = sum(one.changed for one in report.files)
    text = f"{printable(report.folder)}: {counted(len(report.files), 'file')}, {new} written"
    click.echo(verdict(text, ok=report.is_proved))
    board = f", board {report.board}" if report.board else ""
    click.echo(f"  link    {printable(report.link + board)}")
    click.echo(f"  wire    format digest {report.wire_digest}")
    parts: dict[str, list[int]] = {}
    for one in report.files:
        parts.setdefault(one.path.partition("/")[0], []).append(one.file_bytes)
    for name, sizes in parts.items():
        click.echo(f"  {name:9} {counted(len(sizes), 'file')}, {sum(sizes):,} bytes")
    for status in ("passed", "failed", "not run"):
        proofs = [one for one in report.proofs if one.status == status]
        if proofs and (status == "passed" or full):
            exhaustive = sum(one.is_exhaustive for one in proofs)
            held = f", {exhaustive} of them for all inputs" if exhaustive else ""
            click.echo(f"  {status:9} {counted(len(proofs), 'check')}{held}")
        for proof in proofs:
            text = f"  {status:9} {proof.tool}: {proof.name}"
            text += f": {printable(proof.detail)}" if proof.detail else ""
            if status != "passed":
                click.echo(warning(text))
            elif full:
                click.echo(text)
    for target in report.firmware:
        click.echo(f"  {target.target}: {target.code_bytes:,} bytes, {_cycles_text(target)}")
    for module in report.logic:
        click.echo(f"  {module.module}: {_cells_text(module)}")
    for missing in report.left_out:
        click.echo(warning(f"  left out  {missing.part}: {printable(missing.reason)}"))
    if full:
        for one in report.files:
            state = "written" if one.changed else "as it was"
            click.echo(f"  {one.path}: {one.file_bytes:,} bytes, {state}")
    else:
        click.echo("--full lists the files.")


def _cycles_text(target: TargetFigures) -> str:
    if target.packed_frame_cycles is None:
        return "cycles are not known"
    return f"at most {target.packed_frame_cycles:,} cycles a frame at once, in sync"


def _cells_text(module: LogicFigures) -> str:
    from busplay.wording import counted, hertz

    cells = f"{counted(module.lookup_tables, 'LUT')}, {counted(module.flip_flops, 'flip-flop')}"
    if module.clock_hz is None:
        return f"{cells}, clock not known"
    return f"{cells}, clock at most {hertz(round(module.clock_hz, -5))}"
