"""Fuzz one parser: `python -m tests.fuzz.run TARGET --seconds 60`.

With Atheris, if it is installed (`pip install atheris`), else with the damages of
`tests.fuzz.mutate`. An input that makes a bug show is kept as `fuzz-TARGET-DIGEST.bin` in the
current folder, and the exit status is 1.
"""

from __future__ import annotations

import argparse
import hashlib
import importlib
import importlib.util
import random
import sys
import tempfile
import time
import traceback
from pathlib import Path
from typing import TYPE_CHECKING

from tests.fuzz.limits import INPUT_BYTES_MOST, parse_within_limits
from tests.fuzz.mutate import mutated

if TYPE_CHECKING:
    from tests.fuzz.targets import FuzzTarget

PROJECT = Path(__file__).parents[2]


def main() -> int:
    """Read the command line, fuzz, and return the exit status."""
    parser = argparse.ArgumentParser(description="Fuzz one parser, or all of them in turn.")
    parser.add_argument("target", help="name of a target, or all")
    parser.add_argument("--seconds", type=float, default=60.0, help="time for each target")
    parser.add_argument("--seed", type=int, default=1, help="random seed")
    parser.add_argument("--mutate", action="store_true", help="do without Atheris")
    given = parser.parse_args()
    uses_atheris = importlib.util.find_spec("atheris") is not None and not given.mutate
    targets = _load_targets(instrumented=uses_atheris)
    names = list(targets) if given.target == "all" else [given.target]
    if unknown := set(names) - set(targets):
        parser.error(f"no target {', '.join(unknown)}; there are {', '.join(targets)}, and all")
    if uses_atheris and len(names) > 1:
        parser.error("Atheris takes one target a process; name it, or add --mutate")
    run = _run_atheris if uses_atheris else _run_mutations
    fine = [run(name, targets[name], seconds=given.seconds, seed=given.seed) for name in names]
    return 0 if all(fine) else 1


def _load_targets(*, instrumented: bool) -> dict[str, FuzzTarget]:
    """Load the parsers; instrumented, so that Atheris sees which branches an input takes."""
    if not instrumented:
        return importlib.import_module("tests.fuzz.targets").TARGETS
    import atheris

    # Compiled kernels are no Python to be instrumented.
    exclude = [
        ".".join(file.relative_to(PROJECT).with_suffix("").parts)
        for file in PROJECT.glob("busplay/**/*.py")
        if "busplay.jit" in file.read_text(encoding="utf-8")
    ]
    with atheris.instrument_imports(
        include=["busplay"], exclude=exclude, enable_loader_override=False
    ):
        return importlib.import_module("tests.fuzz.targets").TARGETS


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


def _run_atheris(name: str, target: FuzzTarget, *, seconds: float, seed: int) -> bool:
    """Fuzz until the time is over or a bug shows, either of which ends the process."""
    import atheris

    for content in target.seeds():
        _parse_once(target, content)

    def parse(content: bytes) -> None:
        parse_within_limits(target.parse, content)

    arguments = [
        f"-max_total_time={max(1, int(seconds))}",
        f"-max_len={INPUT_BYTES_MOST}",
        f"-seed={seed}",
        f"-artifact_prefix=fuzz-{name}-",
    ]
    found = tempfile.mkdtemp(prefix=f"busplay-fuzz-{name}-")
    atheris.Setup([sys.argv[0], *arguments, found, str(target.corpus)], parse)
    atheris.Fuzz()
    return True


def _parse_once(target: FuzzTarget, content: bytes) -> None:
    from busplay.errors import InputError

    try:
        target.parse(content)
    except InputError:
        return


if __name__ == "__main__":
    sys.exit(main())
