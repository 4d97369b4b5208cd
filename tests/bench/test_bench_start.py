"""How long a command takes before it does anything, and how long the shortest whole job takes.

Each beside a bare Python and an import of NumPy, which are what the machine itself costs. The
job is a tenth of a second of the board's time, with compiled code kept from an earlier run and
without.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from pytest_benchmark.fixture import BenchmarkFixture

PROJECT = Path(__file__).parents[2]
RUN = ["-m", "busplay", "demo", "fill", "--headless", "--cycles", "800000"]
CASES = {
    "bare Python": (["-c", "pass"], ""),
    "import numpy": (["-c", "import numpy"], ""),
    "import busplay": (["-c", "import busplay"], ""),
    "busplay --help": (["-m", "busplay", "--help"], "Usage"),
    "busplay run --help": (["-m", "busplay", "run", "--help"], "Usage"),
    "info on a trace": (["-m", "busplay", "info", str(PROJECT / "traces" / "fill.trace")], "trace"),
    "run of 0.1 s": (RUN, "fill.bin"),
}


def start(arguments: list[str], **environment: str) -> str:
    return subprocess.run(
        [sys.executable, *arguments],
        cwd=PROJECT,
        env=os.environ | environment,
        capture_output=True,
        text=True,
        check=True,
    ).stdout


@pytest.mark.parametrize("case", CASES)
def test_start(benchmark: BenchmarkFixture, case: str) -> None:
    arguments, said = CASES[case]
    shown = benchmark.pedantic(start, [arguments], rounds=7, warmup_rounds=1)
    assert shown.startswith(said)


def test_start_on_an_empty_cache(benchmark: BenchmarkFixture, tmp_path: Path) -> None:
    def empty() -> tuple[tuple[list[str]], dict[str, str]]:
        # Among the tests, where nothing is timed, the usual cache does.
        cache = tmp_path / "cache"
        shutil.rmtree(cache, ignore_errors=True)
        return (RUN,), {"BUSPLAY_CACHE_DIR": str(cache)} if benchmark.enabled else {}

    shown = benchmark.pedantic(start, setup=empty, rounds=3)
    assert shown.startswith("fill.bin")


# Imported where pytest is loaded already, as it is there: what a run that does not use it pays.
PLUGIN = """
import sys, time, pytest
begun = time.perf_counter()
import busplay.pytest_plugin
print(time.perf_counter() - begun)
assert not {"numba", "numpy"} & set(sys.modules)
"""


def test_import_of_the_pytest_plugin(benchmark: BenchmarkFixture) -> None:
    """To be under 20 ms; the figure that counts is `least_s`, without the start of Python."""
    times_s: list[float] = []
    benchmark.pedantic(lambda: times_s.append(float(start(["-c", PLUGIN]))), rounds=7)
    benchmark.extra_info["least_s"] = min(times_s)
