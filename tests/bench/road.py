"""Print how fast the pipeline after the core is, next to a plain copy of its symbols, in one run.

    python -m tests.bench.road [LINK ...] [--stores N] [--rounds N]

Columns are nanoseconds a frame and millions of frames a second; all in one process, on one
core, the things compared taking turns, the best of all rounds. Every slot carries a frame:
stores at random addresses of the panel, as fast as the link takes them, and the receiver is in
step.

- `copy`: the symbols' own bytes, a byte a symbol, from one array in memory to another that is
  there; `fresh copy`: to an array made for it, as `array.copy()` does. Both far larger than
  any cache.
- `stores`: fused engine, stores to display memory; `kept`: frames are kept for a recorder.
- `frames`: fused engine, frames (of a trace) to display memory.
- `stages`: encoder, expander, receiver and displays, one after the other.
- `machine`: the receiver's symbol machine alone, on symbols without a gap; `gaps`: on slots with
  an idle slot behind each.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable

import numpy as np

from busplay.batch import StoreBatch, SymbolBatch
from busplay.display.bank import DisplayBank
from busplay.engine.engine import FusedEngine
from busplay.link.load import load_link
from busplay.receiver.receiver import Receiver
from busplay.sender.encoder import Encoder
from busplay.sender.expander import SymbolExpander
from tests.boards import board_with

LINKS = ["lean", "guarded", "strobed", "marked", "serial"]
WARM_STORES = 4096
COPY_BYTES = 1 << 27


def busy_stores(encoder: Encoder, count: int) -> StoreBatch:
    """Make stores that leave no slot idle, at random addresses of the panel's memory."""
    ratio = encoder.edges_per_cycle
    apart = -(-encoder.step_edges * ratio.denominator // ratio.numerator)
    random = np.random.default_rng(4)
    return StoreBatch(
        np.arange(count, dtype=np.uint64) * np.uint64(apart),
        random.integers(0x4000, 0xA000, count).astype(np.uint16),
        random.integers(0, 256, count).astype(np.uint8),
    )


def tasks(name: str, count: int) -> dict[str, Callable[[], object]]:
    """Make everything that is compared for one link; each task does `count` frames."""
    board = board_with(load_link(name))
    encoder = Encoder(board)
    layout = encoder.layout
    receiver, bank, expander = Receiver(layout), DisplayBank(board, layout), SymbolExpander(layout)
    engine = FusedEngine(encoder, receiver, bank)
    stores = busy_stores(encoder, count + WARM_STORES)
    first_cycle = int(stores.cycle[WARM_STORES])
    engine.feed(
        StoreBatch(*(column[:WARM_STORES] for column in columns(stores))), stop_cycle=first_cycle
    )
    stores = StoreBatch(*(column[WARM_STORES:] for column in columns(stores)))
    stop_cycle = int(stores.cycle[-1]) + 1
    sender_start, receiver_start, edge_start = encoder.snapshot(), receiver.snapshot(), engine.edge
    frames = encoder.feed(stores, stop_cycle=stop_cycle)
    spelled = expander.expand(frames, first_edge=edge_start, stop_edge=encoder.settled_edge)
    slots = np.arange(count, dtype=np.uint64) * np.uint64(2 * layout.slot_symbols)
    slots += np.uint64(edge_start)
    apart = SymbolBatch(
        slots, spelled.symbols, edge_start, int(slots[-1]) + 2 * layout.slot_symbols
    )

    def start() -> None:
        encoder.restore(sender_start)
        receiver.restore(receiver_start)
        engine.edge = edge_start

    def fused(keep_frames: bool) -> None:
        start()
        engine.feed(stores, stop_cycle=stop_cycle, keep_frames=keep_frames)

    def fused_frames() -> None:
        start()
        engine.feed_frames(frames, stop_edge=0)

    def stages() -> None:
        start()
        sent = encoder.feed(stores, stop_cycle=stop_cycle)
        batch = expander.expand(sent, first_edge=edge_start, stop_edge=encoder.settled_edge)
        bank.feed(receiver.feed(batch))

    def machine() -> None:
        start()
        receiver.feed_symbols(spelled.symbols, edge_start)

    def gaps() -> None:
        start()
        receiver.feed(apart)

    return {
        "stores": lambda: fused(False),
        "kept": lambda: fused(True),
        "frames": fused_frames,
        "stages": stages,
        "machine": machine,
        "gaps": gaps,
    }


def columns(stores: StoreBatch) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    return stores.cycle, stores.address, stores.data


def best_seconds(things: dict[str, Callable[[], object]], rounds: int) -> dict[str, float]:
    """Run all in turn, each a few times running; give the best time of each."""
    best = dict.fromkeys(things, float("inf"))
    for thing in things.values():
        thing()
    for _ in range(rounds):
        for name, thing in things.items():
            for _ in range(3):
                begun = time.perf_counter()
                thing()
                best[name] = min(best[name], time.perf_counter() - begun)
    return best


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("links", nargs="*", default=LINKS, metavar="LINK")
    parser.add_argument("--stores", type=int, default=250_000)
    parser.add_argument("--rounds", type=int, default=10)
    options = parser.parse_args()
    source = np.ones(COPY_BYTES, np.uint8)
    target = np.ones(COPY_BYTES, np.uint8)
    first = None
    for name in options.links:
        things = tasks(name, options.stores)
        things["copy"] = lambda: np.copyto(target, source)
        things["fresh copy"] = source.copy
        best = best_seconds(things, options.rounds)
        slot_symbols = Encoder(board_with(load_link(name))).layout.slot_symbols
        each = {
            task: seconds * 1e9 / options.stores
            if "copy" not in task
            else seconds * 1e9 / COPY_BYTES * slot_symbols
            for task, seconds in best.items()
        }
        first = first or each["stores"]
        print(f"{name}: {slot_symbols} symbols a slot; stores {each['stores'] / first:.2f} x lean")
        for task, ns in each.items():
            print(
                f"  {task:10} {ns:7.2f} ns {1e3 / ns:7.0f} M frames/s"
                f"   {each['copy'] / ns:5.2f} of copy {each['fresh copy'] / ns:5.2f} of fresh copy"
            )


if __name__ == "__main__":
    main()
