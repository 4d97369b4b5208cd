"""The vectors as files: text for `$readmemh`, CSV, VCD and JSON, all from the same vectors."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Iterator

import numpy as np

from busplay.batch import ChangeBatch
from busplay.emission.emission import Emission
from busplay.emission.framing_model import COUNTERS
from busplay.emission.model import LinkModel
from busplay.emission.rendering import RenderedFile, finished, head_lines
from busplay.emission.vectors import EncodedFrame, Vector, encoded_frames
from busplay.formats.writing.vcd import TextBatch, VcdWriter

# Half of this before an edge that samples, the lanes change.
SYMBOL_PS = 1_000_000
_VCD_TICK_PS = 1_000
COUNTER_BITS = 32


def vector_files(emission: Emission) -> Iterator[RenderedFile]:
    """Return the vectors' files."""
    model = emission.model
    name = f"vectors/{model.ident}"
    encoded = encoded_frames(model)
    yield finished(f"{name}_vectors.json", _json(model, encoded, emission.vectors))
    yield finished(f"{name}_vectors.csv", _csv(model, emission.vectors))
    yield finished(f"{name}_vectors.vcd", _vcd(model, emission.vectors))
    for part, (notes, rows) in _memories(model, encoded, emission.vectors).items():
        lines = [f"// {line}" for line in (*head_lines(model), *notes)]
        yield finished(f"{name}_{part}.hex", "\n".join([*lines, *rows]) + "\n")


def _json(model: LinkModel, encoded: Iterable[EncodedFrame], made: Iterable[Vector]) -> str:
    """Return an object with a line for each frame and each vector."""
    made_by, wire, content = (line.partition(": ") for line in head_lines(model))
    head = {
        "content_digest": content[2],
        "wire_digest": wire[2],
        "made_by": "".join(made_by),
        "link": model.link.name,
        "lanes": model.layout.lanes,
        "symbol_bits": model.symbol_bits,
        "frame_bits": model.layout.frame_bits,
        "frame_symbols": model.layout.frame_symbols,
        "slot_symbols": model.layout.slot_symbols,
        "corrects": model.corrects,
    }
    frames = [{"fields": one.values, "word": one.word, "symbols": one.symbols} for one in encoded]
    vectors = [
        {
            "name": one.name,
            "kind": one.kind,
            "meaning": one.meaning,
            "symbols": one.symbols,
            "states": [state.name.lower() for state in one.states],
            "frames": [
                {"symbol": each.symbol, "first_symbol": each.first_symbol, "word": each.word}
                for each in one.frames
            ],
            "counters": one.counters,
        }
        for one in made
    ]
    lines = [f"  {json.dumps(key)}: {json.dumps(value)}," for key, value in head.items()]
    for key, rows, end in (("encode", frames, ","), ("vectors", vectors, "")):
        lines.append(f"  {json.dumps(key)}: [")
        lines.append(",\n".join(f"    {json.dumps(row)}" for row in rows))
        lines.append(f"  ]{end}")
    return "\n".join(["{", *lines, "}"]) + "\n"


def _csv(model: LinkModel, made: Iterable[Vector]) -> str:
    """Return a row for each symbol, behind the head as lines of comment."""
    out = io.StringIO()
    out.writelines(f"# {line}\n" for line in head_lines(model))
    rows = csv.writer(out, lineterminator="\n")
    rows.writerow(["vector", "kind", "index", "symbol", "state", "first_symbol", "word"])
    for one in made:
        frames = {each.symbol: each for each in one.frames}
        for index, (symbol, state) in enumerate(zip(one.symbols, one.states, strict=True)):
            frame = frames.get(index)
            delivered = (frame.first_symbol, f"0x{frame.word:X}") if frame else ("", "")
            rows.writerow([one.name, one.kind, index, symbol, state.name.lower(), *delivered])
    return out.getvalue()


def _memories(
    model: LinkModel, encoded: Iterable[EncodedFrame], made: tuple[Vector, ...]
) -> dict[str, tuple[list[str], list[str]]]:
    """Return notes and rows of the files for `$readmemh`, by what they hold."""
    layout = model.layout
    bits = model.symbol_bits
    symbols = []
    for one in made:
        ends = {each.symbol for each in one.frames}
        last = len(one.symbols) - 1
        for index, (symbol, state) in enumerate(zip(one.symbols, one.states, strict=True)):
            flags = (index == 0) << 4 | (index == last) << 3 | (index in ends) << 2 | state
            symbols.append(_hex(flags << bits | symbol, bits + 5))
    words = [_hex(each.word, layout.frame_bits) for one in made for each in one.frames]
    counters = [_hex(one.counters[name], COUNTER_BITS) for one in made for name in COUNTERS]
    inputs = model.inputs
    input_bits = sum(one.bits for one in inputs)
    frames = []
    for frame in encoded:
        joined = 0
        for field in inputs:
            joined = joined << field.bits | frame.values[field.name]
        row = joined << layout.frame_bits | frame.word
        frames.append(_hex(row, input_bits + layout.frame_bits))
    names = ", ".join(f"{one.name} {one.bits}" for one in inputs)
    return {
        "symbols": (
            [
                f"{len(symbols)} rows of {bits + 5} bits, one a symbol; highest first:",
                "reset before it 1, last of its vector 1, it completes a delivered frame 1,"
                f" state after it 2 (0 hunt, 1 presync, 2 sync), symbol {bits}",
            ],
            symbols,
        ),
        "frames": (
            [f"{len(words)} rows of {layout.frame_bits} bits: the frames delivered, in order"],
            words,
        ),
        "counters": (
            [
                f"{len(counters)} rows of {COUNTER_BITS} bits, {len(COUNTERS)} at the end of each"
                " vector:",
                ", ".join(COUNTERS),
            ],
            counters,
        ),
        "encode": (
            [
                f"{len(frames)} rows of {input_bits + layout.frame_bits} bits: fields"
                f" ({names}), then the word of {layout.frame_bits}",
            ],
            frames,
        ),
    }


def _hex(value: int, bits: int) -> str:
    return f"{value:0{-(-bits // 4)}X}"


def _vcd(model: LinkModel, made: Iterable[Vector]) -> str:
    """Return a dump of all vectors, one behind the other, each after a pulse on `reset`."""
    lanes = model.layout.lanes
    wires = ["clock", "reset", *(f"lane{lane}" for lane in range(lanes))]
    if model.framing.strobe_mask:
        wires.append("strobe")
    edges = model.link.edges
    clock = 1 if edges == "falling" else 0
    rows: list[tuple[int, int]] = []
    names: list[tuple[int, str]] = []
    at = 0
    symbol = 0
    for one in made:
        names.append((at, one.name))
        rows.append((at, symbol << 2 | 2 | clock))
        at += SYMBOL_PS
        for symbol in one.symbols:
            if edges != "both":
                clock = 1 if edges == "falling" else 0
            rows.append((at, symbol << 2 | clock))
            clock ^= 1
            rows.append((at + SYMBOL_PS // 2, symbol << 2 | clock))
            at += SYMBOL_PS
        if edges != "both":
            clock = 1 if edges == "falling" else 0
    levels = np.array([level for _, level in rows], np.uint64)
    times = np.array([time for time, _ in rows], np.uint64)
    moves = np.concatenate([[True], levels[1:] != levels[:-1]])
    out = io.BytesIO()
    writer = VcdWriter(
        out,
        wires=wires,
        texts=("vector",),
        scope=model.ident,
        tick_ps=_VCD_TICK_PS,
        comment="; ".join(head_lines(model)),
    )
    writer.write(
        ChangeBatch(times[moves], levels[moves], np.zeros(int(moves.sum()), np.uint64)),
        TextBatch(
            np.array([time for time, _ in names], np.uint64),
            np.zeros(len(names), np.int64),
            [name for _, name in names],
        ),
    )
    writer.close(stop_ps=at)
    return out.getvalue().decode("utf-8")
