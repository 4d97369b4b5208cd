"""Dumps of a counter, written by simulators: the design says what they must show."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import pytest

from busplay.formats.capture import open_capture
from tests.formats.reading import read, rows_of

DATA = Path(__file__).parent.parent / "data" / "simulators"

NS = 1000
CASES = {
    "icarus": ("bench.clk", "bench.inner.count", NS),
    "ghdl": ("bench.clk", "inner.value", NS),
    "verilator": ("top.clk", "top.count", 1),
    "myhdl": ("clk", "count", NS),
    "amaranth": ("clk", "count", NS),
    "yosys": ("clk", "count", NS),
    "systemc": ("clk", "inner.count", NS),
    "gtkwave": ("bench.clk", "bench.inner.count", NS),
    "pyrtl": ("clk", "count", NS),
    "migen": ("sys_clk", "count", NS),
}
# The first rising edge that a dump has; PyRTL's first, at 0, is its first level.
FIRST_EDGE = {"yosys": 10, "pyrtl": 10}


@pytest.mark.source("Icarus Verilog 11.0, GHDL 2.0.0", part="dumps they write", kind="library")
@pytest.mark.source("Verilator 5.006, MyHDL 0.11.52", part="dumps they write", kind="library")
@pytest.mark.source("Amaranth 0.5.10 and pyvcd 0.4.2", part="dump they write", kind="library")
@pytest.mark.source("Yosys 0.23, SystemC 2.3.4", part="dumps they write", kind="library")
@pytest.mark.source("GTKWave 3.3.118, its converters", part="dump they write", kind="library")
@pytest.mark.source("PyRTL 1.0.3, Migen 0.10.0", part="dumps they write", kind="library")
@pytest.mark.parametrize("name", CASES)
def test_count_rises_with_each_rising_edge(name: str) -> None:
    clock, count, unit_ps = CASES[name]
    with open_capture(DATA / f"{name}.vcd", signals=[clock, count]) as capture:
        rows = rows_of(capture.batches())
        assert len(capture.signals) == 5
        assert capture.info.complete
    assert rows[0] == (0, int(name == "pyrtl"), int(name == "yosys"))
    edges = [
        (after[0], after[1] >> 1)
        for before, after in pairwise(rows)
        if not before[1] & 1 and after[1] & 1 and not before[2] | after[2]
    ]
    if name in ("icarus", "gtkwave"):
        # Switched off from 102 to 122 ns: the edges at 105 and 115 ns are not in it.
        assert [row[2] for row in rows if row[2]] == [31]
        assert (102 * NS, 0, 31) in rows
        wanted = [n for n in range(21) if n not in (10, 11)]
    else:
        # Simulators differ in whether the last edge, at the very end, is in the dump.
        wanted = list(range(len(edges)))
        assert len(edges) in (20, 21, 22)
    first = FIRST_EDGE.get(name, 5)
    assert edges == [((first + 10 * n) * unit_ps, (n + 1) % 16) for n in wanted]


@pytest.mark.source("IEEE 1164", part="W Z U - are no level, L and H are", kind="from memory")
def test_levels_of_vhdl() -> None:
    rows, _ = read(DATA / "ghdl.vcd", signals=["weak", "pulled", "never"])
    assert rows == [(0, 0b010, 0b101), (50 * NS, 0, 0b110), (100 * NS, 0, 0b101)]


@pytest.mark.source("Icarus Verilog 11.0", part="dump it writes", kind="library")
def test_names_and_ignored_variables() -> None:
    _, info = read(DATA / "icarus.vcd")
    assert [(one.name, one.bits, one.kind) for one in info.signals] == [
        ("bench.\\odd[name]", 1, "wire"),
        ("bench.count[3:0]", 4, "wire"),
        ("bench.clk", 1, "reg"),
        ("bench.quiet", 1, "reg"),
        ("bench.level", 0, "real"),
        ("bench.inner.clk", 1, "wire"),
        ("bench.inner.count[3:0]", 4, "reg"),
    ]
    assert info.notes[-1] == "recording was switched off once"
    assert info.notes[0].endswith("real numbers passed over")
