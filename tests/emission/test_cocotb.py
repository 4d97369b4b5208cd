"""The emitted cocotb bench drives the logic from a trace, and finds what is wrong."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import replace
from importlib.util import find_spec
from pathlib import Path

import pytest

import busplay
from tests.emission.firmware import missing

ABSENT = missing("iverilog") or ("" if find_spec("cocotb") else "cocotb is not installed")
needs_cocotb = pytest.mark.skipif(bool(ABSENT), reason=ABSENT)


def emit(name: str, folder: Path) -> tuple[Path, Path]:
    """Emit a link's logic; return the bench, and a trace of a program that draws over the link."""
    busplay.emit(name, folder, only=["verilog"])
    board = replace(busplay.load_board("dunlin"), link=busplay.load_link(name))
    trace = folder / "tides.trace"
    with busplay.Session(board, program="tides.bin", record=trace) as session:
        session.run(cycles=40_000)
    return folder / f"verilog/{name}_cocotb.py", trace


def run(bench: Path, *words: str | Path) -> subprocess.CompletedProcess[str]:
    line = [sys.executable, str(bench), *map(str, words)]
    env = {**os.environ, "PYTHONPATH": str(Path(busplay.__file__).parent.parent)}
    # By it cocotb knows pytest, and exits at the first failure.
    env.pop("PYTEST_CURRENT_TEST", None)
    return subprocess.run(
        line,
        capture_output=True,
        text=True,
        cwd=bench.parent.parent,
        env=env,
    )


@pytest.mark.thorough
@needs_cocotb
@pytest.mark.source("cocotb, Icarus Verilog", part="drive the logic from a trace", kind="library")
@pytest.mark.parametrize(
    ("name", "modules"), [("guarded", 4), ("marked", 2), ("serial", 2), ("strobed", 2)]
)
def test_bench_drives_each_module_from_a_trace(name: str, modules: int, tmp_path: Path) -> None:
    done = run(*emit(name, tmp_path), "40")
    assert done.returncode == 0, done.stdout[-900:] + done.stderr
    assert done.stdout.splitlines()[-1] == f"PASS: {modules} modules, 40 frames"


@pytest.mark.thorough
@needs_cocotb
@pytest.mark.parametrize(
    ("file", "old", "new"),
    [
        ("fifo", "assign full = count ==", "assign full = count >"),
        ("sender_core", "n_window << 6", "n_window << 5"),
    ],
)
def test_bench_fails_for_logic_that_is_wrong(file: str, old: str, new: str, tmp_path: Path) -> None:
    bench, trace = emit("strobed", tmp_path)
    source = bench.with_name(f"strobed_{file}.v")
    text = source.read_text(encoding="utf-8")
    assert text.count(old) == 1
    source.write_text(text.replace(old, new), encoding="utf-8")
    done = run(bench, trace, "40")
    assert done.returncode == 1
    assert done.stdout.splitlines()[-1].startswith("FAIL: ")


@pytest.mark.thorough
@needs_cocotb
def test_bench_refuses_what_is_no_trace_of_its_wire(tmp_path: Path) -> None:
    bench, _ = emit("lean", tmp_path / "lean")
    _, trace = emit("guarded", tmp_path / "guarded")
    done = run(bench, trace)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr == (
        f"{trace}: found wire format b040f2957dab965f; wanted frames of"
        f" {busplay.emit('lean', tmp_path / 'lean', only=['verilog']).wire_digest}\n"
    )
    assert run(bench, tmp_path / "none.trace").returncode == 2
    assert run(bench, trace, "none").stderr == "FRAMES: found none; wanted a whole number from 1\n"
    assert run(bench).returncode == 2
