"""Print how fast the pipeline after the core is, stage by stage; next to another checkout's.

    python -m tests.bench.road [LINK ...] [--frames N] [--rounds N] [--against FOLDER]

Columns are nanoseconds of processor time a frame: the median of all rounds, and with
`--against` the median of the ratios to the checkout in FOLDER, and the quarters between which
half of them lie. Each checkout has a process of its own, which runs its own file of this name,
so its parts may have other names than ours; the two take turns, round by round, so that a
machine that is busy with something else slows both. Every slot carries a frame, unless it says
otherwise: stores at random addresses of the panel, as fast as the link takes them, the receiver
in sync.

- `stores`: stores to display memory, through the whole pipeline, accounts included.
- `frames`: the same from a trace's frames on; `ber 1e-6` to `ber 1e-3`: with bits flipped.
- `stuck`, `edges`: frames with a lane stuck, and with an edge in 10,000 lost.
- `encode`, `receive`, `show`: the stages alone.
- `gaps`: the receiver, an idle slot behind each frame; `symbols`: all of them given one by one.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from busplay.batch import FrameBatch, StoreBatch, WireBatch
from busplay.description.faults import BitFlips, Faults, LostEdges, StuckLane
from busplay.display.bank import DisplayBank
from busplay.link.load import load_link
from busplay.pipeline.pipeline import Pipeline
from busplay.receiver.receiver import Receiver
from busplay.sender.encoder import Encoder
from busplay.wire.expander import expand
from tests.boards import board_with

LINKS = ["lean", "guarded", "strobed", "marked", "serial"]
PLANS = {
    "frames": Faults(),
    **{f"ber {ber:.0e}": Faults(bit_flips=(BitFlips(ber),)) for ber in (1e-6, 1e-5, 1e-4, 1e-3)},
    "stuck": Faults(stuck_lanes=(StuckLane(0, 1),)),
    "edges": Faults(lost_edges=(LostEdges(1e-4),)),
}
TASKS = ["stores", *PLANS, "encode", "receive", "gaps", "symbols", "show"]
WARM_FRAMES = 4_096
HERE = Path(__file__).resolve().parents[2]
PLACE = Path(__file__).resolve().relative_to(HERE)


class Bench:
    """What is measured on one link; each task takes `count` frames, later ones each time."""

    def __init__(self, name: str, count: int) -> None:
        board = board_with(load_link(name))
        self._count = count
        self._next_cycle: dict[str, int] = {}
        self._encoder = Encoder(board)
        layout = self._encoder.layout
        ratio, step = self._encoder.edges_per_cycle, self._encoder.step_edges
        self._apart = -(-step * ratio.denominator // ratio.numerator)
        self._random = np.random.default_rng(4)
        self._pipeline = Pipeline(board)
        self._pipeline.feed(**self._stores("stores", WARM_FRAMES))
        warm = self._encoder.feed(**self._stores("encode", WARM_FRAMES))
        first = self._encoder.settled_edge
        self._receiver, self._bank = Receiver(layout), DisplayBank(board, layout)
        self._receiver.feed(WireBatch.of_words(warm, first_edge=0, stop_edge=first))
        self._in_sync = self._receiver.snapshot()
        self._frames = self._encoder.feed(**self._stores("encode", count))
        stop = self._encoder.settled_edge
        self._words = WireBatch.of_words(self._frames, first_edge=first, stop_edge=stop)
        symbols = expand(self._frames, layout, first_edge=first, stop_edge=stop)
        self._symbols = WireBatch.of_symbols(symbols, first)
        edges = np.arange(count, dtype=np.uint64) * np.uint64(2 * layout.slot_symbols)
        far = FrameBatch(edges + np.uint64(first), self._frames.word)
        stop = first + 2 * count * layout.slot_symbols
        self._far = WireBatch.of_words(far, first_edge=first, stop_edge=stop)
        self._faulty = {plan: Pipeline(board, faults=PLANS[plan]) for plan in PLANS}
        for pipeline in self._faulty.values():
            pipeline.feed_frames(warm, stop_edge=first)

    def _stores(self, kind: str, count: int) -> dict[str, object]:
        """Make the next stores of a kind, and say at which cycle they stop."""
        first = self._next_cycle.get(kind, 0)
        stop = self._next_cycle[kind] = first + count * self._apart
        cycle = np.arange(first, stop, self._apart, dtype=np.uint64)
        address = self._random.integers(0x4000, 0xA000, count).astype(np.uint16)
        data = self._random.integers(0, 256, count).astype(np.uint8)
        return {"stores": StoreBatch(cycle, address, data), "stop_cycle": stop}

    def seconds(self, task: str) -> float:
        """Do one task; return the processor time that it took."""
        do = self._prepared(task)
        begun = time.thread_time()
        do()
        return time.thread_time() - begun

    def _prepared(self, task: str) -> Callable[[], object]:
        if task in self._faulty:
            pipeline = self._faulty[task]
            shift = np.uint64(pipeline.edge - self._words.first_edge)
            frames = FrameBatch(self._frames.edge + shift, self._frames.word)
            return lambda: pipeline.feed_frames(frames, stop_edge=0)
        if task in ("stores", "encode"):
            stores = self._stores(task, self._count)
            feed = self._pipeline.feed if task == "stores" else self._encoder.feed
            return lambda: feed(**stores)
        if task == "show":
            return lambda: self._bank.feed(self._frames)
        self._receiver.restore(self._in_sync)
        batch = {"receive": self._words, "gaps": self._far, "symbols": self._symbols}[task]
        return lambda: self._receiver.feed(batch)


def serve(names: list[str], count: int) -> None:
    """Do what is asked for, a task a line, and answer with its seconds; nan: not known here."""
    benches = {name: Bench(name, count) for name in names}
    for line in sys.stdin:
        name, task = line.rstrip("\n").split("\t")
        print(benches[name].seconds(task) if task in TASKS else float("nan"), flush=True)


class Worker:
    """A process that measures one checkout."""

    def __init__(self, folder: Path, options: list[str]) -> None:
        command = [sys.executable, str(folder / PLACE), "--serve", *options]
        self._process = subprocess.Popen(
            command,
            env=os.environ | {"PYTHONPATH": str(folder)},
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    def seconds(self, name: str, task: str) -> float:
        """Time one task."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(f"{name}\t{task}\n")
        self._process.stdin.flush()
        return float(self._process.stdout.readline())

    def close(self) -> None:
        """End the process."""
        self._process.communicate()


def main() -> None:
    """Print the table, or serve as one of those that take turns."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("links", nargs="*", default=LINKS, metavar="LINK")
    parser.add_argument("--frames", type=int, default=250_000)
    parser.add_argument("--rounds", type=int, default=15)
    parser.add_argument("--against", type=Path, metavar="FOLDER")
    parser.add_argument("--serve", action="store_true", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.serve:
        serve(options.links, options.frames)
        return
    asked = [*options.links, "--frames", str(options.frames)]
    folders = [HERE, *([options.against.resolve()] if options.against else [])]
    workers = [Worker(folder, asked) for folder in folders]
    for name in options.links:
        print(name)
        for task in TASKS:
            rounds = [
                [worker.seconds(name, task) for worker in workers]
                for _ in range(options.rounds + 3)
            ][3:]
            text = f"  {task:10}"
            for column in zip(*rounds, strict=True):
                text += f" {statistics.median(column) * 1e9 / options.frames:8.2f} ns"
            if options.against:
                ratios = sorted(here / there for here, there in rounds)
                low, middle, high = statistics.quantiles(ratios, n=4)
                text += f"   {middle:5.2f} ({low:.2f} to {high:.2f})"
            print(text, flush=True)
    for worker in workers:
        worker.close()


if __name__ == "__main__":
    main()
