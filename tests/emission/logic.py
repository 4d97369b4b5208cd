"""Simulate emitted Verilog, beside busplay's own receiver and layout."""

from __future__ import annotations

import subprocess
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

import busplay
from busplay.batch import SymbolColumn
from busplay.description.board import Board
from busplay.description.link import Link
from busplay.emission.framing_model import COUNTERS
from busplay.emission.model import LinkModel
from busplay.receiver import registers as places
from tests.emission.firmware import received_here

HARNESS = Path(__file__).with_name("harness.v")
SENDER_HARNESS = Path(__file__).with_name("sender_harness.v")
ICARUS = ("iverilog", "-g2005", "-Wall")
VERILATED = ("verilator", "--binary", "-Wno-fatal", "-O3", "-CFLAGS", "-O1")


def emit_verilog(described: Link | Board | str, folder: Path) -> Path:
    """Emit the Verilog and its vectors; return the folder of both."""
    busplay.emit(described, folder, only=["verilog", "vectors"])
    return folder


def design(folder: Path) -> list[Path]:
    """Return the sources without the test bench."""
    return [one for one in sorted(folder.glob("verilog/*.v")) if not one.stem.endswith("_test")]


def quiet(words: Sequence[str | Path], folder: Path) -> str:
    """Run a tool that must succeed and warn of nothing; return what it prints."""
    done = subprocess.run(list(map(str, words)), capture_output=True, text=True, cwd=folder)
    assert (done.returncode, done.stderr) == (0, ""), done.stderr[:900]
    return done.stdout


def simulate(sources: Sequence[Path], folder: Path) -> str:
    """Compile by Icarus and run in the folder; return what is printed."""
    quiet([*ICARUS, "-o", "simulation", *sources], folder)
    return quiet(["vvp", "simulation"], folder)


def run_test_bench(folder: Path, ident: str) -> str:
    return simulate([*design(folder), folder / f"verilog/{ident}_test.v"], folder)


def _registers(model: LinkModel) -> dict[int, str]:
    """Return a receiver's registers that the link needs, by busplay's number for each."""
    found = {places.STATE: "core.state", places.WINDOW: "core.window"}
    found[places.POSITION] = "core.position"
    if model.framing.method != "strobe":
        found[places.FILLED] = "core.filled"
    if model.framing.confirm_frames:
        found[places.VALID_RUN] = "core.valid_run"
    if model.framing.release_frames and model.can_fail:
        found[places.INVALID_RUN] = "core.invalid_run"
    if model.corrects:
        found[places.MAY_CORRECT] = "core.may_correct"
    if model.sequence_bits:
        found[places.EXPECTED] = "core.expects ? {32'd0, core.expected} : ~64'd0"
    if model.framing.is_held:
        found[places.WAS_ACTIVE] = "core.was_active"
    for index, name in enumerate(COUNTERS):
        found[places.FIRST_COUNTER + index] = f"core.{name}"
    return found


@dataclass(frozen=True, slots=True)
class Drive:
    """Symbols for the receiver of an emitted link.

    Attributes:
        folder: of the emitted files.
        model: the link.
        symbols: what is on the wires.
        step: symbols that the logic takes in a clock.
        every: clocks from one look at all registers to the next.
    """

    folder: Path
    model: LinkModel
    symbols: SymbolColumn
    step: int
    every: int = 1

    @property
    def name(self) -> str:
        """Name of the harness."""
        return f"{self.model.ident}_harness_{self.step}"


def assert_logic_agrees(drive: Drive) -> int:
    """Simulate by Icarus and compare with the receiver; return the frames delivered."""
    source = _write_harness(drive, drive.folder)
    simulate([*design(drive.folder), source], drive.folder)
    return _compare(drive, drive.folder)


def assert_all_agree(drives: Sequence[Drive], folder: Path) -> int:
    """Simulate several receivers by one program that Verilator makes, and compare each.

    Args:
        drives: of links with different names.
        folder: where the program is made.

    Returns:
        The frames delivered.
    """
    sources = [_write_harness(drive, folder) for drive in drives]
    every = sorted({source for drive in drives for source in design(drive.folder)})
    top = folder / "harnesses.v"
    instances = "".join(f"    {drive.name} {drive.name}();\n" for drive in drives)
    top.write_text(f"module harnesses;\n{instances}endmodule\n", encoding="utf-8")
    words = [*VERILATED, "--top-module", "harnesses", "-o", "simulation", top, *sources, *every]
    done = subprocess.run(list(map(str, words)), capture_output=True, text=True, cwd=folder)
    assert done.returncode == 0, done.stderr[:900]
    quiet([folder / "obj_dir/simulation"], folder)
    return sum(_compare(drive, folder) for drive in drives)


def _write_harness(drive: Drive, folder: Path) -> Path:
    """Write the harness of a drive, and its symbols; return the source."""
    model, step, bits = drive.model, drive.step, drive.model.symbol_bits
    registers = _registers(model)
    text = HARNESS.read_text(encoding="utf-8")
    for old, new in {
        "SYMBOL_BITS": str(bits),
        "FRAME_BITS": str(model.layout.frame_bits),
        "COUNTERS": ", ".join(f".{name}()" for name in COUNTERS),
        "FORMAT": " ".join(["%0d"] * len(registers)),
        "REGISTERS": ", ".join(registers.values()),
        "EVERY": str(drive.every),
        "STEP": str(step),
        "LINK": model.ident,
    }.items():
        text = text.replace(old, new)
    source = folder / f"{drive.name}.v"
    source.write_text(text, encoding="utf-8")
    missing = -len(drive.symbols) % step
    symbols = np.pad(drive.symbols, (0, missing)).astype(np.uint64)
    joined = ((1 << step) - 1 << bits * step) * np.ones(len(symbols) // step, np.uint64)
    if missing:
        joined[-1] -= np.uint64((1 << missing) - 1 << bits * step)
    for index in range(step):
        joined += symbols[index::step] << np.uint64(bits * (step - 1 - index))
    rows = "\n".join(map("{:x}".format, joined.tolist()))
    (folder / f"{model.ident}_symbols_{step}.txt").write_text(rows + "\n")
    return source


def _compare(drive: Drive, folder: Path) -> int:
    """Compare what a harness wrote with the receiver; return the frames delivered."""
    model, step = drive.model, drive.step
    registers = _registers(model)
    clocks = -(-len(drive.symbols) // step)
    expected, frames = received_here(model, drive.symbols, step=step * drive.every)
    wanted = expected[: clocks // drive.every, list(registers)].astype(np.uint64)
    found = np.fromfile(folder / f"{model.ident}_states_{step}.txt", np.uint64, sep=" ")
    found = found.reshape(-1, len(registers))
    assert found.shape == wanted.shape
    differs = np.flatnonzero((found != wanted).any(axis=1))
    assert not len(differs), (differs[0], found[differs[0]], wanted[differs[0]], registers)
    words = np.fromfile(folder / f"{model.ident}_frames_{step}.txt", np.uint64, sep=" ")
    assert list(map(tuple, words.reshape(-1, 2).tolist())) == frames
    return len(frames)


def sent_symbols(
    folder: Path, model: LinkModel, sends: NDArray[np.bool_], fields: list[dict[str, int]]
) -> tuple[list[int], list[dict[str, int]], int, int]:
    """Return an emitted sender's symbols, the fields it accepted, and its two counters."""
    inputs = [one for one in model.inputs if one.name != "sequence"]
    field_bits = sum(one.bits for one in inputs)
    ports, at = "", field_bits
    for field in inputs:
        ports += f".field_{field.name}(fields[{at - 1}:{at - field.bits}]), "
        at -= field.bits
    text = SENDER_HARNESS.read_text(encoding="utf-8")
    for old, new in {
        "FIELD_BITS": str(field_bits),
        "FIELDS": ports,
        "PORT(clock)": ".clock(clock)",
        "STROBE": ".strobe()," if model.framing.strobe_mask else "",
        "LINK": model.ident,
    }.items():
        text = text.replace(old, new)
    source = folder / "sender_harness.v"
    source.write_text(text, encoding="utf-8")
    rows = []
    for send, values in zip(sends.tolist(), fields, strict=True):
        joined = 0
        for field in inputs:
            joined = joined << field.bits | values[field.name]
        rows.append(f"{int(send)} {joined:x}\n")
    (folder / "sent.txt").write_text("".join(rows))
    simulate([*design(folder), source], folder)
    *lines, counters = (folder / "symbols_out.txt").read_text().splitlines()
    symbols: list[int] = []
    accepted = []
    for line, values in zip(lines, fields, strict=True):
        is_accepted, joined_symbols = (int(one, 16) for one in line.split())
        if is_accepted:
            accepted.append(values)
        if model.link.edges == "both":
            symbols.append(joined_symbols >> model.symbol_bits)
        symbols.append(joined_symbols & (1 << model.symbol_bits) - 1)
    sent, overrun = (int(one, 16) for one in counters.split())
    return symbols, accepted, sent, overrun
