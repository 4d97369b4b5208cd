"""How long a command takes before it does anything: `import busplay`, and `busplay --help`.

Each beside a bare Python, which is what the machine itself costs.
"""

from __future__ import annotations

import subprocess
import sys

import pytest
from pytest_benchmark.fixture import BenchmarkFixture

CASES = {
    "bare Python": ["-c", "pass"],
    "import busplay": ["-c", "import busplay"],
    "busplay --help": ["-m", "busplay", "--help"],
    "busplay run --help": ["-m", "busplay", "run", "--help"],
}


@pytest.mark.parametrize("case", CASES)
def test_start(benchmark: BenchmarkFixture, case: str) -> None:
    def start() -> bytes:
        return subprocess.run(
            [sys.executable, *CASES[case]], capture_output=True, check=True
        ).stdout

    shown = benchmark.pedantic(start, rounds=7, warmup_rounds=1)
    assert shown.startswith(b"Usage") == ("--help" in CASES[case])
