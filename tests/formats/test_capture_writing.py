from __future__ import annotations

import io
import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from busplay.batch import ChangeBatch
from busplay.formats.writing import csv as csv_writing
from busplay.formats.writing import vcd as vcd_writing
from busplay.formats.writing.csv import CsvWriter
from busplay.formats.writing.vcd import TextBatch, VcdWriter
from tests.formats.reading import Row, batch_of, read


@st.composite
def captures(draw: st.DrawFn) -> tuple[int, list[Row]]:
    """Draw a number of wires and rows of them."""
    wires = draw(st.integers(1, 64))
    mask = (1 << wires) - 1
    rows: list[Row] = []
    time = draw(st.sampled_from((0, 5, 10**13)))
    for _ in range(draw(st.integers(1, 30))):
        level, unknown = draw(st.integers(0, mask)), draw(st.sampled_from((0, 0, 1, mask)))
        state = (level & ~unknown, unknown)
        if not rows or rows[-1][1:] != state:
            rows.append((time, *state))
        time += draw(st.sampled_from((1, 999, 62_500, 10**12 + 1)))
    return wires, rows


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(capture=captures(), data=st.data())
def test_what_is_written_reads_back(
    tmp_path: Path, capture: tuple[int, list[Row]], data: st.DataObject
) -> None:
    wires, rows = capture
    names = [f"w{n}" for n in range(wires)]
    cuts = sorted(data.draw(st.lists(st.integers(0, len(rows)), max_size=4)))
    stop_ps = rows[-1][0] + data.draw(st.sampled_from((0, 1, 10**9)))
    once = data.draw(st.sampled_from((1, 3, 1 << 13)))
    before = vcd_writing.ROWS_AT_ONCE, csv_writing.ROWS_AT_ONCE
    vcd_writing.ROWS_AT_ONCE = csv_writing.ROWS_AT_ONCE = once
    try:
        for suffix, make in ((".vcd", VcdWriter), (".csv", CsvWriter)):
            path = tmp_path / f"one{suffix}"
            with path.open("wb") as stream:
                writer = make(stream, wires=names)
                for first, stop in zip([0, *cuts], [*cuts, len(rows)], strict=True):
                    writer.write(batch_of(rows[first:stop]))
                writer.close(stop_ps=stop_ps)
            found, info = read(path, signals=names)
            assert found == rows
            assert (info.start_ps, info.stop_ps) == (rows[0][0], stop_ps)
    finally:
        vcd_writing.ROWS_AT_ONCE, csv_writing.ROWS_AT_ONCE = before


def test_dump_is_written_as_the_standard_has_it() -> None:
    stream = io.BytesIO()
    writer = VcdWriter(
        stream, wires=["clk", "d0"], texts=["frame", "state"], comment="two  $end words", tick_ps=10
    )
    texts = TextBatch(
        np.array([5_000, 62_500, 62_500, 70_000], np.uint64),
        np.array([0, 1, 0, 1]),
        ["memory $4000 12", "sync", "a\\b\n", ""],
    )
    writer.write(batch_of([(0, 0, 0), (62_500, 1, 0), (125_009, 0, 2)]), texts)
    writer.close(stop_ps=200_000)
    assert stream.getvalue().decode() == (
        "$version busplay $end\n"
        "$comment two words $end\n"
        "$timescale 10 ps $end\n"
        "$scope module link $end\n"
        "$var wire 1 ! clk $end\n"
        '$var wire 1 " d0 $end\n'
        "$var string 1 # frame $end\n"
        "$var string 1 $ state $end\n"
        "$upscope $end\n"
        "$enddefinitions $end\n"
        '#0\n0!\n0"\n'
        "#500\nsmemory\\x20$4000\\x2012 #\n"
        "#6250\n1!\nssync $\nsa\\\\b\\x0a #\n"
        "#7000\ns $\n"
        '#12500\n0!\nx"\n'
        "#20000\n"
    )


def test_csv_is_written_with_exact_seconds() -> None:
    stream = io.BytesIO()
    writer = CsvWriter(stream, wires=["clk", 'a "b", c'])
    writer.write(batch_of([(0, 1, 0), (10**12 + 1, 2, 1)]))
    writer.close(stop_ps=2 * 10**12)
    assert stream.getvalue().decode() == (
        'Time [s],clk,"a ""b"", c"\n0.000000000000,1,0\n1.000000000001,x,1\n2.000000000000,x,1\n'
    )


def test_ids_of_more_than_94_variables_are_two_characters() -> None:
    stream = io.BytesIO()
    writer = VcdWriter(
        stream, wires=[f"w{n}" for n in range(64)], texts=[f"t{n}" for n in range(40)]
    )
    writer.write(
        batch_of([(0, 0, 0)]), TextBatch(np.array([0], np.uint64), np.array([39]), ["last"])
    )
    text = stream.getvalue().decode()
    assert "$var string 1 !* t39 $end\n" in text
    assert text.endswith("slast !*\n")


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (
            lambda stream: VcdWriter(stream, wires=["a b"]),
            "'a b' is no name of a variable: it is empty or has blanks",
        ),
        (
            lambda stream: VcdWriter(stream, wires=["w"] * 65),
            "65 wires; a dump is written from 64 at most",
        ),
        (
            lambda stream: VcdWriter(stream, wires=["a"], tick_ps=25),
            "tick_ps is 25; it must be 1, 10, 100, ... or 10^12",
        ),
        (
            lambda stream: VcdWriter(stream, wires=["a"]).write(batch_of([(5, 0, 0), (4, 1, 0)])),
            "times go back; write rows and texts in their order",
        ),
        (
            lambda stream: VcdWriter(stream, wires=["a"]).write(
                ChangeBatch.empty(), TextBatch(np.array([1], np.uint64), np.array([0]), ["x"])
            ),
            "there are 0 text variables, not 1",
        ),
    ],
)
def test_callers_mistake_is_reported(call: object, message: str) -> None:
    with pytest.raises(ValueError, match=f"^{re.escape(message)}$"):
        call(io.BytesIO())  # type: ignore[operator]


def test_dump_cannot_end_before_its_rows() -> None:
    writer = VcdWriter(io.BytesIO(), wires=["a"])
    writer.write(batch_of([(500, 1, 0)]))
    with pytest.raises(ValueError, match="rows up to 500 ps and cannot end at 499"):
        writer.close(stop_ps=499)
