"""Fuzz one parser: `python -m tests.fuzz.run TARGET --seconds 60`.

With Atheris, if it is installed (`pip install atheris`), else with the damages of
`tests.fuzz.mutate`. An input that makes a bug show is kept as `fuzz-TARGET-DIGEST.bin` in the
current folder, and the exit status is 1.
"""

from __future__ import annotations

import argparse
import hashlib
import importlib.util
import random
import sys
import tempfile
import time
import traceback
from pathlib import Path

from tests.fuzz.limits import INPUT_BYTES_MOST, parse_within_limits
from tests.fuzz.mutate import mutated
from tests.fuzz.targets import TARGETS, FuzzTarget


def main() -> int:
    """Read the command line, fuzz, and return the exit status."""
    parser = argparse.ArgumentParser(description="Fuzz one parser, or all of them in turn.")
    parser.add_argument("target", choices=[*TARGETS, "all"])
    parser.add_argument("--seconds", type=float, default=60.0, help="time for each target")
    parser.add_argument("--seed", type=int, default=1, help="random seed")
    parser.add_argument("--mutate", action="store_true", help="do without Atheris")
    given = parser.parse_args()
    names = list(TARGETS) if given.target == "all" else [given.target]
    uses_atheris = importlib.util.find_spec("atheris") is not None and not given.mutate
    if uses_atheris and len(names) > 1:
        parser.error("Atheris takes one target a process; name it, or add --mutate")
    failed = False
    for name in names:
        if uses_atheris:
            _run_atheris(name, TARGETS[name], seconds=given.seconds, seed=given.seed)
        else:
            failed |= not _run_mutations(
                name, TARGETS[name], seconds=given.seconds, seed=given.seed
            )
    return 1 if failed else 0


def _run_mutations(name: str, target: FuzzTarget, *, seconds: float, seed: int) -> bool:
    """Parse damaged seeds until the time is over; return whether all went well."""
    draw = random.Random(seed)
    seeds = target.seeds()
    for content in seeds:  # kernels compile here, outside the limits
        _parse_once(target, content)
    stop_s = time.monotonic() + seconds
    count = taken = 0
    while time.monotonic() < stop_s:
        content = mutated(seeds, draw)
        count += 1
        try:
            taken += parse_within_limits(target.parse, content)
        except Exception:
            file = Path(f"fuzz-{name}-{hashlib.sha256(content).hexdigest()[:12]}.bin")
            file.write_bytes(content)
            traceback.print_exc()
            print(f"{name}: input {count:,} of seed {seed} is kept as {file}", file=sys.stderr)
            return False
    print(f"{name}: {count:,} inputs, {taken:,} parsed, the others refused")
    return True


def _run_atheris(name: str, target: FuzzTarget, *, seconds: float, seed: int) -> None:
    import atheris

    for content in target.seeds():
        _parse_once(target, content)
    found = tempfile.mkdtemp(prefix=f"busplay-fuzz-{name}-")
    atheris.instrument_all()
    arguments = [
        f"-max_total_time={max(1, int(seconds))}",
        f"-max_len={INPUT_BYTES_MOST}",
        f"-seed={seed}",
        f"-artifact_prefix=fuzz-{name}-",
    ]
    atheris.Setup(
        [sys.argv[0], *arguments, found, str(target.corpus)],
        lambda content: parse_within_limits(target.parse, content) and None,
    )
    atheris.Fuzz()


def _parse_once(target: FuzzTarget, content: bytes) -> None:
    from busplay.errors import InputError

    try:
        target.parse(content)
    except InputError:
        return


if __name__ == "__main__":
    sys.exit(main())
