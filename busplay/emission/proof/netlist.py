"""Netlists of XOR and NOT, as Yosys writes them in JSON, evaluated for many vectors at once.

How to think about it. Each net is one Python integer: its bit `v` is the net's level for vector
`v`. So a cell is evaluated for all vectors by one operation.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from graphlib import CycleError, TopologicalSorter
from typing import Literal

Kind = Literal["xor", "xnor", "not", "buffer"]
# A net's number, or a constant as Yosys writes it.
Net = int | str

_KINDS: Mapping[str, Kind] = {
    "$_XOR_": "xor",
    "$_XNOR_": "xnor",
    "$_NOT_": "not",
    "$_BUF_": "buffer",
}


class NotAffineError(Exception):
    """A netlist holds something other than XOR and NOT; the message says what."""


@dataclass(frozen=True, slots=True)
class Cell:
    """A cell that is affine.

    Attributes:
        kind: what it does.
        inputs: two nets, or one.
        output: the net that it drives.
    """

    kind: Kind
    inputs: tuple[Net, ...]
    output: Net


@dataclass(frozen=True, slots=True)
class Netlist:
    """A combinational module.

    Attributes:
        inputs, outputs: nets of each port, the lowest bit first.
        cells: each behind those that drive its inputs.
    """

    inputs: Mapping[str, tuple[Net, ...]]
    outputs: Mapping[str, tuple[Net, ...]]
    cells: tuple[Cell, ...]

    def outputs_of(self, levels: Mapping[str, Sequence[int]], vectors: int) -> dict[str, list[int]]:
        """Return the levels of each output port, bit by bit.

        Args:
            levels: of each input port, bit by bit.
            vectors: how many there are.
        """
        every = (1 << vectors) - 1
        nets: dict[Net, int] = {"0": 0, "1": every}
        for port, bits in self.inputs.items():
            nets |= zip(bits, levels[port], strict=True)
        for cell in self.cells:
            level = every if cell.kind in ("xnor", "not") else 0
            for net in cell.inputs:
                level ^= nets[net]
            nets[cell.output] = level
        return {port: [nets[bit] for bit in bits] for port, bits in self.outputs.items()}

    def mutants(self) -> Iterator[Netlist]:
        """Return netlists with one cell inverted, with one input of one XOR taken away, or with one
        output bit inverted."""
        opposite: Mapping[Kind, Kind] = {
            "xor": "xnor",
            "xnor": "xor",
            "not": "buffer",
            "buffer": "not",
        }
        for index, cell in enumerate(self.cells):
            changed = [replace(cell, kind=opposite[cell.kind])]
            changed += [replace(cell, inputs=(net,)) for net in cell.inputs if len(cell.inputs) > 1]
            for one in changed:
                yield replace(self, cells=(*self.cells[:index], one, *self.cells[index + 1 :]))
        for port, bits in self.outputs.items():
            for place, net in enumerate(bits):
                inverted = f"{port}[{place}] inverted"
                outputs = {**self.outputs, port: (*bits[:place], inverted, *bits[place + 1 :])}
                cells = (*self.cells, Cell("not", (net,), inverted))
                yield replace(self, outputs=outputs, cells=cells)


def read_netlist(text: str, module: str) -> Netlist:
    """Read a module of the JSON that Yosys writes.

    Raises:
        NotAffineError: it holds cells other than XOR and NOT, a loop, or an undefined bit.
    """
    described = json.loads(text)["modules"][module]
    cells: dict[Net, Cell] = {}
    for one in described["cells"].values():
        kind = _KINDS.get(one["type"])
        if kind is None:
            raise NotAffineError(f"{module} holds a cell {one['type']}")
        nets = one["connections"]
        output = nets["Y"][0]
        cells[output] = Cell(kind, tuple(nets[pin][0] for pin in "AB" if pin in nets), output)
    ports = described["ports"]
    inputs = _ports(ports, "input")
    outputs = _ports(ports, "output")
    driven = {"0", "1", *cells, *(net for bits in inputs.values() for net in bits)}
    read = {net for cell in cells.values() for net in cell.inputs}
    for net in sorted(map(str, read.union(*outputs.values()) - driven)):
        raise NotAffineError(f"{module} has net {net}, which nothing drives")
    order = TopologicalSorter({net: cell.inputs for net, cell in cells.items()})
    try:
        sorted_nets = tuple(order.static_order())
    except CycleError:
        raise NotAffineError(f"{module} has a loop of cells") from None
    return Netlist(inputs, outputs, tuple(cells[net] for net in sorted_nets if net in cells))


def _ports(ports: Mapping[str, Mapping[str, object]], direction: str) -> dict[str, tuple[Net, ...]]:
    found = {}
    for name, port in ports.items():
        bits = port["bits"]
        if port["direction"] == direction and isinstance(bits, list):
            found[name] = tuple(bits)
    return found
