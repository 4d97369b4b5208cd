"""How long `busplay check` takes, the whole command in a process of its own.

Run: pytest tests/bench/test_bench_check.py --benchmark-enable
`nothing` is the same process with `--version`, so the ratio in brackets is that of the work.
The wide frames have 64 bits: on 8 lanes, on one lane with as many places to begin, and on one
lane with a marker that a check confirms, which is the most work that was found.
"""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from pytest_benchmark.fixture import BenchmarkFixture

from busplay.description.link import Link, MarkerFraming
from busplay.description.write_link import link_toml
from busplay.link.load import load_link

ROUNDS = 5


def wide(lanes: int) -> Link:
    """Return a frame of 64 bits, 8 of them check."""
    link = load_link("guarded")
    bits = {"unit": 6, "sequence": 8, "address": 24, "data": 8, "space": 2, "check": 8}
    fields = [replace(one, bits=bits[one.name]) for one in link.fields]
    fields.insert(-1, replace(fields[0], name="more", bits=8))
    check = link.check
    assert check is not None
    covers = tuple(one.name for one in fields if one.name != "check")
    return replace(
        link,
        name="wide",
        lanes=lanes,
        fields=tuple(fields),
        check=replace(check, covers=covers),
        file="",
    )


@pytest.mark.benchmark(group="check")
@pytest.mark.parametrize(
    "name", ["nothing", "lean", "guarded", "marked", "wide 8", "wide 1", "wide 1 confirmed"]
)
def test_whole_command(benchmark: BenchmarkFixture, name: str, tmp_path: Path) -> None:
    source = name
    if name.startswith("wide"):
        source = str(tmp_path / "wide.toml")
        link = wide(int(name.split()[1]))
        if name.endswith("confirmed"):
            framing = MarkerFraming(symbols=(0, 0, 1, 0, 1, 0, 1, 1), rule="confirm")
            link = replace(link, framing=framing)
        Path(source).write_text(link_toml(link), encoding="utf-8")
    words = ["--version"] if name == "nothing" else ["check", source]

    def call() -> int:
        command = [sys.executable, "-m", "busplay", *words]
        return subprocess.run(command, capture_output=True, check=False).returncode

    assert benchmark.pedantic(call, rounds=ROUNDS, warmup_rounds=1) == 0
