"""Encoder, check and syndrome in Verilog, proved equal to the layout for all inputs.

How to think about it. All three are affine over GF(2): a constant, XOR a sum of columns, one for
each input bit that is 1. Two affine functions of n bits are equal if they agree for all zeros and
for each single one, so n + 1 vectors settle it. That the emitted one is affine is what its netlist
shows: Yosys maps it to gates, and `netlist` refuses any but XOR and NOT. Then each mutant of the
netlist must differ for some vector, or the comparison would count for nothing.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from busplay.batch import UInt64Column
from busplay.emission.model import CheckModel, LinkModel
from busplay.emission.proof.netlist import Netlist, NotAffineError, read_netlist
from busplay.emission.proof.tools import Proof, judged, run
from busplay.wording import counted

# Choices and loops become gates, and gates of constants go away. What is undefined becomes a cell,
# which is refused; the optimizer would choose what suits it.
TO_GATES = "proc; flatten; setundef -undriven -anyseq; opt -full; techmap; opt -full"


@dataclass(frozen=True, slots=True)
class AffinePart:
    """A module that is to be affine, and what it should do.

    Attributes:
        name: of its file, without the link's.
        inputs: width of each input port.
        output: name of its output port.
        output_bits: width of that.
        expected: uint64[1 + bits of all inputs]; by busplay's layout, for all zeros, then for each
            single input bit, those of the first port first, its lowest bit first.
    """

    name: str
    inputs: Mapping[str, int]
    output: str
    output_bits: int
    expected: UInt64Column

    def is_met_by(self, netlist: Netlist) -> bool:
        """Return whether a netlist has the expected output for every vector."""
        levels: dict[str, list[int]] = {}
        vector = 1
        for port, bits in self.inputs.items():
            levels[port] = [1 << vector + bit for bit in range(bits)]
            vector += bits
        wanted = [
            sum((int(word) >> bit & 1) << at for at, word in enumerate(self.expected))
            for bit in range(self.output_bits)
        ]
        return netlist.outputs_of(levels, len(self.expected)) == {self.output: wanted}


def affine_parts(model: LinkModel) -> Iterator[AffinePart]:
    """Return the affine modules of a link."""
    layout = model.layout
    yield _encoder(model)
    if model.check is not None:
        yield _check(model, model.check)
    if model.can_fail:
        words = _base(layout.frame_bits)
        bits = layout.syndrome_bits
        inputs = {"word": layout.frame_bits}
        yield AffinePart("syndrome", inputs, "syndrome", bits, layout.syndrome(words))


def prove_affine(model: LinkModel, folder: Path) -> Iterator[Proof]:
    """Prove a folder's encoder, check and syndrome equal to the layout; mutants must differ.

    Args:
        model: the link.
        folder: with the emitted Verilog.
    """
    for part in affine_parts(model):
        name = f"{part.name} equals the layout for all inputs"
        if shutil.which("yosys") is None:
            yield Proof(name, "yosys", "not run", "yosys is not installed")
        else:
            yield _proved(model, part, name, folder)


def _proved(model: LinkModel, part: AffinePart, name: str, folder: Path) -> Proof:
    module = f"{model.ident}_{part.name}"
    sources = [f"{model.ident}_check.v"] if model.check else []
    if part.name != "check":
        sources.append(f"{module}.v")
    read = f"read_verilog {' '.join(sources)}; hierarchy -top {module}"
    done = run(["yosys", "-q", "-p", f"{read}; {TO_GATES}; write_json netlist.json"], folder)
    if done.returncode != 0:
        return judged(name, "yosys", done)
    try:
        netlist = read_netlist((folder / "netlist.json").read_text(encoding="utf-8"), module)
    except NotAffineError as error:
        return Proof(name, "yosys", "failed", str(error))
    if not part.is_met_by(netlist):
        return Proof(name, "yosys", "failed", f"{module} differs from the layout")
    mutants = list(netlist.mutants())
    alive = sum(part.is_met_by(mutant) for mutant in mutants)
    if alive:
        found = f"{counted(alive, 'mutant')} of {len(mutants)} would pass, so it proves nothing"
        return Proof(name, "yosys", "failed", found)
    cells = counted(len(netlist.cells), "XOR or NOT cell")
    vectors = counted(len(part.expected), "vector")
    detail = f"affine: {cells}, settled by {vectors}; each of {len(mutants)} mutants differs"
    return Proof(name, "yosys", "passed", detail, is_exhaustive=True)


def _encoder(model: LinkModel) -> AffinePart:
    ports = {f"field_{one.name}": one.bits for one in model.inputs}
    count = 1 + sum(ports.values())
    values = {one.name: np.zeros(count, np.uint64) for one in model.inputs}
    vector = 1
    for one in model.inputs:
        values[one.name][vector : vector + one.bits] = _base(one.bits)[1:]
        vector += one.bits
    layout = model.layout
    return AffinePart("encoder", ports, "word", layout.frame_bits, layout.pack(**values))


def _check(model: LinkModel, check: CheckModel) -> AffinePart:
    layout = model.layout
    places = sorted(place for name in check.covered_names for place in layout.bit_places(name))
    words = [0, *(1 << place for place in places)]
    complete = np.array([layout.with_check(word) for word in words], np.uint64)
    expected = layout.unpack_field(complete, check.field.name)
    return AffinePart("check", {"message": check.covered_bits}, "check", check.bits, expected)


def _base(bits: int) -> UInt64Column:
    """Return uint64[1 + bits]: 0, then each single bit, the lowest first."""
    return np.array([0, *(1 << bit for bit in range(bits))], np.uint64)
