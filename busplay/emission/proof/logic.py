"""The emitted Verilog, simulated, checked and proved with what is installed.

How to think about it. Modules that are affine are settled for all inputs (`affine`), the receiver
behind its pins for symbols without end (`induction`). Pins, FIFOs and the sender's slots are only
tested: Icarus Verilog runs the test bench over the vectors, and Verilator reads each top module.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator, Sequence
from pathlib import Path
from tempfile import TemporaryDirectory

from busplay.emission.model import LinkModel
from busplay.emission.proof.affine import prove_affine
from busplay.emission.proof.induction import prove_receiver
from busplay.emission.proof.tools import Proof, judged, run
from busplay.emission.rendering import RenderedFile
from busplay.emission.verilog_text import TOPS

ICARUS = ("iverilog", "-g2005", "-Wall")
VERILATOR = ("verilator", "--lint-only", "-Wall", "-Iverilog")


def prove_logic(model: LinkModel, files: Sequence[RenderedFile]) -> tuple[Proof, ...]:
    """Simulate, check and prove the Verilog.

    Args:
        model: the link.
        files: the Verilog, and the vectors that its test bench reads.
    """
    with TemporaryDirectory() as name:
        folder = Path(name)
        for one in files:
            path = folder / one.path
            path.parent.mkdir(exist_ok=True)
            path.write_bytes(one.content)
        return (
            run_test_bench(folder),
            *find_warnings(model, folder),
            *prove_affine(model, folder / "verilog"),
            *prove_receiver(model, folder / "verilog"),
        )


def run_test_bench(folder: Path) -> Proof:
    """Simulate the test bench of a folder with Verilog and vectors."""
    name = "test bench over the vectors"
    if shutil.which("iverilog") is None:
        return Proof(name, "iverilog", "not run", "iverilog is not installed")
    sources = sorted(folder.glob("verilog/*.v"))
    built = judged(
        name, "iverilog", run([*ICARUS, "-o", "simulation", *sources], folder), may_warn=False
    )
    if built.status != "passed":
        return built
    done = run(["vvp", "simulation"], folder)
    if done.returncode != 0 or done.stdout.startswith("PASS: "):
        return judged(name, "iverilog", done)
    lines = done.stdout.strip().splitlines()
    return Proof(name, "iverilog", "failed", lines[0] if lines else "it prints nothing")


def find_warnings(model: LinkModel, folder: Path) -> Iterator[Proof]:
    for top in TOPS:
        source = folder / f"verilog/{model.ident}_{top}.v"
        if not source.exists():
            continue
        name = f"no warning about the {top}"
        if shutil.which("verilator") is None:
            yield Proof(name, "verilator", "not run", "verilator is not installed")
        else:
            yield judged(name, "verilator", run([*VERILATOR, source], folder))
