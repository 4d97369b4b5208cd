"""Run the shipped programs for long on both cores, side by side; stop at the first difference.

Run: python -m tests.bench.long_lockstep [--cycles COUNT]

The tests do the same for 2,400,000 cycles a program. Registers, memory, stores, counters and
the host port are compared after pieces of random length, with random keys pressed between.
"""

from __future__ import annotations

import argparse
import time

import numpy as np

from tests.core.compiled.test_lockstep import PROGRAMS, press_now_and_then, program_pair


def main() -> None:
    """Run and print what was compared."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cycles", type=int, default=30_000_000)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    for program in PROGRAMS:
        pair = program_pair(program)
        rng = np.random.default_rng(arguments.seed)
        start = time.perf_counter()
        while pair.compiled.cycle < arguments.cycles and pair.compiled.stop is None:
            press_now_and_then(pair, rng)
            pair.run(int(rng.integers(1, 400_000)))
        seconds = time.perf_counter() - start
        print(
            f"{program:8} {pair.compiled.cycle:12,} cycles, {pair.stores:10,} stores alike,"
            f" {pair.compiled.counters.interrupts_taken:,} interrupts, {seconds:.0f} s"
        )


if __name__ == "__main__":
    main()
