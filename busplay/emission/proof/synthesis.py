"""The emitted Verilog on an FPGA: cells by Yosys, and the clock that nextpnr reaches.

How to think about it. Each top module is synthesized by itself, so the cells are its own. It has
more ports than a chip has pins. So it is placed within a frame: wires of the link go to pins, and
shift registers with the module's clock stand for the logic of its user. The clock reached is that
of the slowest path between flip-flops; times of pins, which a board decides, are not in it.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

from busplay.emission.model import LinkModel
from busplay.emission.proof.tools import Proof, judged, run
from busplay.emission.rendering import RenderedFile
from busplay.emission.verilog_text import TOPS

DEVICE = "iCE40 HX8K, package CT256"
PLACED = ("nextpnr-ice40", "-q", "--hx8k", "--package", "ct256", "--seed", "1")
# More than is reached, so that the placer does its best.
ASKED = ("--freq", "200", "--timing-allow-fail")
CLOCKS = ("clock", "clock_2x", "link_clock")
# Wires of the link: nothing but a pin is behind them.
PINS = ("lanes", "strobe")


@dataclass(frozen=True, slots=True)
class LogicFigures:
    """A module on an FPGA.

    Attributes:
        module: its name.
        device: which FPGA, in which package.
        tools: names and versions of what made the figures.
        lookup_tables: of four inputs.
        flip_flops: of all kinds.
        carry_cells: of adders.
        memory_blocks: of 4,096 bits.
        symbols_a_clock: how many symbols a clock cycle takes; the link's clock follows from it.
        clock_hz: that the module reaches; None: it was not placed.
    """

    module: str
    device: str
    tools: str
    lookup_tables: int
    flip_flops: int
    carry_cells: int
    memory_blocks: int
    symbols_a_clock: int
    clock_hz: int | None


def synthesize(
    model: LinkModel, files: Sequence[RenderedFile]
) -> tuple[tuple[Proof, ...], tuple[LogicFigures, ...]]:
    """Synthesize each top module; return what the tools say, and the figures."""
    proofs: list[Proof] = []
    figures: list[LogicFigures] = []
    with TemporaryDirectory() as name:
        folder = Path(name)
        for one in files:
            if one.path.suffix == ".v" and not one.path.stem.endswith("_test"):
                (folder / one.path.name).write_bytes(one.content)
        for top in TOPS:
            if not (folder / f"{model.ident}_{top}.v").exists():
                continue
            for tool in ("yosys", PLACED[0]):
                if shutil.which(tool) is None:
                    proofs.append(_not_installed(top, tool))
            if shutil.which("yosys") is not None:
                more, found = _synthesize_one(model, top, folder)
                proofs += more
                figures += found
    return tuple(proofs), tuple(figures)


def _not_installed(top: str, tool: str) -> Proof:
    return Proof(f"{top} for an iCE40", tool, "not run", f"{tool} is not installed")


def _synthesize_one(
    model: LinkModel, top: str, folder: Path
) -> tuple[list[Proof], list[LogicFigures]]:
    module = f"{model.ident}_{top}"
    name = f"{top} for an iCE40"
    sources = " ".join(sorted(one.name for one in folder.glob(f"{model.ident}_*.v")))
    script = (
        f"read_verilog {sources}; synth_ice40 -top {module} -json netlist.json;"
        " check -assert; tee -q -o cells.json stat -json"
    )
    done = run(["yosys", "-q", "-p", script], folder)
    made = judged(name, "yosys", done, may_warn=False)
    if made.status != "passed":
        return [made], []
    report = json.loads((folder / "cells.json").read_text(encoding="utf-8"))
    cells: dict[str, int] = report["design"]["num_cells_by_type"]
    tools, proofs = [report["creator"].partition(" (")[0]], [made]
    clock_hz = None
    if shutil.which(PLACED[0]) is not None:
        placed, clock_hz = _placed(module, name, folder)
        proofs.append(placed)
        tools.append(_version(folder))
    figures = LogicFigures(
        module=module,
        device=DEVICE,
        tools=", ".join(tools),
        lookup_tables=cells.get("SB_LUT4", 0),
        flip_flops=sum(count for kind, count in cells.items() if kind.startswith("SB_DFF")),
        carry_cells=cells.get("SB_CARRY", 0),
        memory_blocks=sum(count for kind, count in cells.items() if kind.startswith("SB_RAM")),
        symbols_a_clock=2 if model.link.edges == "both" and not top.endswith("_2x") else 1,
        clock_hz=clock_hz,
    )
    return proofs, [figures]


def _version(folder: Path) -> str:
    done = run([PLACED[0], "--version"], folder)
    words = (done.stdout + done.stderr).replace(")", " ").split()
    return f"nextpnr {words[words.index('(Version') + 1]}" if "(Version" in words else "nextpnr"


def _placed(module: str, name: str, folder: Path) -> tuple[Proof, int | None]:
    """Place and route a module within its frame; return the clock that it reaches."""
    netlist = json.loads((folder / "netlist.json").read_text(encoding="utf-8"))
    ports = netlist["modules"][module]["ports"]
    (folder / "placed_frame.v").write_text(
        placed_frame(
            module,
            {port: (row["direction"], len(row["bits"])) for port, row in ports.items()},
            edge="negedge" if _samples_on_falling(netlist["modules"][module]) else "posedge",
        ),
        encoding="utf-8",
    )
    script = (
        "read_json netlist.json; read_verilog placed_frame.v;"
        " synth_ice40 -top placed_frame -json placed.json"
    )
    done = run(["yosys", "-q", "-p", script], folder)
    if done.returncode == 0:
        words = [*PLACED, *ASKED, "--json", "placed.json", "--report", "report.json"]
        done = run(words, folder)
    proof = judged(name, "nextpnr-ice40", done)
    if proof.status != "passed":
        return proof, None
    report = json.loads((folder / "report.json").read_text(encoding="utf-8"))
    slowest = min(row["achieved"] for row in report["fmax"].values())
    return proof, round(slowest * 1e6)


def _samples_on_falling(module: dict[str, dict[str, dict[str, str]]]) -> bool:
    """Return whether most flip-flops take the clock's falling edge."""
    kinds = [cell["type"] for cell in module["cells"].values()]
    falling = sum(kind.startswith("SB_DFFN") for kind in kinds)
    return 2 * falling > sum(kind.startswith("SB_DFF") for kind in kinds)


def placed_frame(module: str, ports: dict[str, tuple[str, int]], *, edge: str) -> str:
    """Return a module of few pins around one of many.

    Args:
        module: the inner one's name.
        ports: direction and width of each of its ports.
        edge: of its clock, as Verilog writes it.
    """
    clock = next(port for port, row in ports.items() if port in CLOCKS and row[0] == "input")
    inner = {port: row for port, row in ports.items() if port not in (*PINS, clock)}
    outer = {port: row for port, row in ports.items() if port in PINS}
    taken = [port for port, row in inner.items() if row[0] == "input"]
    shown = [port for port, row in inner.items() if row[0] == "output"]
    taken_bits = sum(inner[port][1] for port in taken)
    shown_bits = sum(inner[port][1] for port in shown)
    pins = "".join(
        f"    {direction} wire [{bits - 1}:0] {port},\n"
        for port, (direction, bits) in outer.items()
    )
    wires = "".join(f"    wire [{inner[port][1] - 1}:0] {port};\n" for port in inner)
    joined = ", ".join(f".{port}({port})" for port in ports)
    return f"""module placed_frame (
    input wire {clock},
{pins}    input wire data,
    input wire load,
    output wire seen
);
{wires}    reg [{taken_bits - 1}:0] given;
    reg [{shown_bits - 1}:0] shown;
    reg loads;
    assign {{{", ".join(taken)}}} = given;
    assign seen = shown[{shown_bits - 1}];
    always @({edge} {clock}) begin
        loads <= load;
        given <= {{given, data}};
        shown <= loads ? {{{", ".join(shown)}}} : shown << 1;
    end
    {module} inner ({joined});
endmodule
"""
