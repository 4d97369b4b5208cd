"""Compile and run emitted firmware, beside busplay's own receiver."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

import busplay
from busplay.batch import FrameBatch, SymbolColumn, WireBatch
from busplay.description.board import Board
from busplay.description.faults import Faults
from busplay.description.link import SPACE_MEMORY, Link
from busplay.emission.model import LinkModel, link_model
from busplay.emission.names import FileLines
from busplay.emission.proof.firmware import SANITIZED, STRICT
from busplay.emission.vectors import spelled_out
from busplay.link.layout import FrameLayout
from busplay.receiver import registers as places
from busplay.receiver.receiver import Receiver
from busplay.wire.faulty import FaultyWire

HARNESS = Path(__file__).with_name("harness.c")
STATE_COLUMNS = 21


def correcting(board: Board | str) -> Board:
    """Return a board whose receiver corrects one bit."""
    board = busplay.load_board(board) if isinstance(board, str) else board
    return replace(board, receiver=replace(board.receiver, correct_one_bit=True))


def model_of(described: Link | Board) -> LinkModel:
    link, board = (described.link, described) if isinstance(described, Board) else (described, None)
    return link_model(link, board, lines=FileLines())


def emit_c(described: Link | Board | str, folder: Path) -> Path:
    """Emit the C files; return their folder."""
    busplay.emit(described, folder, only=["c"])
    return folder / "c"


def compile_c(compiler: str, sources: Sequence[Path], output: Path, *flags: str) -> None:
    """Compile and link, or with `-c` compile; what the compiler says fails the test."""
    done = subprocess.run(
        [compiler, *flags, *map(str, sources), "-o", str(output)], capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr
    assert not done.stderr


def self_test(compiler: str, folder: Path, ident: str, *flags: str) -> int:
    """Return the exit status of the emitted self-test."""
    program = folder / f"self_test_{compiler}"
    sources = [folder / f"{ident}_link.c", folder / f"{ident}_test.c"]
    compile_c(compiler, sources, program, *STRICT, f"-D{ident.upper()}_TEST_MAIN", *flags)
    return subprocess.run([program], capture_output=True).returncode


def build_harness(compiler: str, folder: Path, ident: str) -> Path:
    """Compile the harness for a link, under the sanitizers; return the program."""
    text = HARNESS.read_text(encoding="utf-8")
    text = text.replace("link.h", f"{ident}_link.h").replace("LINK_SYMBOL_BITS", "SYMBOL_BITS_")
    text = text.replace("LINK_COUNTERS", f"{ident.upper()}_COUNTERS").replace("LINK_", f"{ident}_")
    text = text.replace("SYMBOL_BITS_", f"{ident.upper()}_SYMBOL_BITS")
    source = folder / f"harness_of_{ident}.c"
    source.write_text(text, encoding="utf-8")
    program = folder / f"harness_{compiler}"
    compile_c(compiler, [source, folder / f"{ident}_link.c"], program, *STRICT, *SANITIZED)
    return program


def run_harness(
    program: Path, symbols: SymbolColumn, *, step: int, form: str
) -> tuple[NDArray[np.int64], list[tuple[int, int]]]:
    """Return the firmware's states after every few symbols, and its frames."""
    folder = program.parent
    given = folder / "symbols.bin"
    given.write_bytes(symbols.astype("<u4").tobytes())
    states, frames = folder / "states.bin", folder / "frames.bin"
    done = subprocess.run(
        [program, given, str(step), form, states, frames], capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr
    rows = np.fromfile(states, "<u8").astype(np.int64).reshape(-1, STATE_COLUMNS)
    pairs = np.fromfile(frames, "<u8").reshape(-1, 2).tolist()
    return rows, [(int(first), int(word)) for first, word in pairs]


def received_here(
    model: LinkModel, symbols: SymbolColumn, *, step: int
) -> tuple[NDArray[np.int64], list[tuple[int, int]]]:
    """Return the same of busplay's receiver."""
    receiver = Receiver(model.layout, correct_one_bit=model.corrects)
    rows = []
    frames: list[tuple[int, int]] = []
    for first in range(0, len(symbols), step):
        delivered = receiver.feed_symbols(symbols[first : first + step], first)
        frames += zip(delivered.edge.tolist(), delivered.word.tolist(), strict=True)
        row = receiver.registers[: places.STOP_COUNTER].copy()
        if row[places.POSITION] == 0:
            row[places.FRAME_EDGE] = 0
        rows.append(row)
    return np.array(rows), frames


def assert_agree(program: Path, model: LinkModel, symbols: SymbolColumn, *, step: int) -> int:
    """Compare firmware and receiver, both forms of the firmware; return the frames delivered."""
    expected, frames = received_here(model, symbols, step=step)
    for form in ("symbols", "packed"):
        found, words = run_harness(program, symbols, step=step, form=form)
        differs = np.flatnonzero((found != expected).any(axis=1))
        assert not len(differs), (form, differs[0], found[differs[0]], expected[differs[0]])
        assert words == frames
    return len(frames)


def sent_words(model: LinkModel, count: int, random: np.random.Generator) -> NDArray[np.uint64]:
    """Return frames of random stores, counted in the sequence field."""
    values: dict[str, NDArray[np.uint64]] = {}
    for field in model.inputs:
        if field.name == "space":
            values["space"] = random.integers(SPACE_MEMORY, 4, count).astype(np.uint64)
        elif field.name == "sequence":
            values["sequence"] = np.arange(count, dtype=np.uint64) & np.uint64(field.value_mask)
        elif field.name in ("address", "data", "unit"):
            values[field.name] = random.integers(0, 1 << field.bits, count).astype(np.uint64)
    return model.layout.pack(**values)


def over_the_wire(
    model: LinkModel, plan: Faults, *, slots: int, seed: int, idle_ratio: float = 0.4
) -> SymbolColumn:
    """Return the symbols of random stores and idle slots after faults."""
    layout: FrameLayout = model.layout
    random = np.random.default_rng(seed)
    busy = np.flatnonzero(random.random(slots) > idle_ratio)
    words = sent_words(model, len(busy), random)
    edges = busy.astype(np.uint64) * np.uint64(layout.slot_symbols)
    batch = WireBatch.of_words(
        FrameBatch(edges, words), first_edge=0, stop_edge=slots * layout.slot_symbols
    )
    wire = FaultyWire(layout, plan, edge_hz=1_000_000)
    return spelled_out(wire.feed(batch), layout)


def missing(*tools: str) -> str:
    """Return a reason to skip: which tools are not installed; empty: all are."""
    absent = [tool for tool in tools if shutil.which(tool) is None]
    return f"not installed, as on CI: {', '.join(absent)}" if absent else ""
