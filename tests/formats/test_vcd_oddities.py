"""What writers of dumps do beside the standard, as their users report it."""

from __future__ import annotations

from pathlib import Path

import pytest

from busplay.formats.capture import open_capture
from tests.formats.reading import Row, fault, read, rows_of, write

HEAD = (
    "$timescale 1 ns $end $scope module top $end $var wire 1 ! clk $end"
    ' $var wire 4 " d [3:0] $end $upscope $end $enddefinitions $end\n'
)


@pytest.mark.parametrize(
    ("text", "rows", "start_ps"),
    [
        ('#-10 0! b0 "\n#-5 1!\n#0 0!\n#5\n', [(0, 0, 0), (5000, 1, 0), (10_000, 0, 0)], -10_000),
        ('$dumpvars 0! b0 " $end\n#-3 1!\n#2 0!\n#5\n', [(0, 1, 0), (5000, 0, 0)], -3000),
        ('$comment #7 1! $end #-1 0! b0 "\n#0 1!\n#5\n', [(0, 0, 0), (1000, 1, 0)], -1000),
    ],
)
def test_times_below_zero_are_moved_and_reported(
    tmp_path: Path, text: str, rows: list[Row], start_ps: int
) -> None:
    path = write(tmp_path, HEAD + text)
    found, info = read(path)
    assert found == rows
    assert (info.zero_ps, info.start_ps, info.stop_ps) == (start_ps, start_ps, 5000)
    part, _ = read(path, from_ps=0)
    assert part[0] == (-start_ps, *[row for row in rows if row[0] <= -start_ps][-1][1:])


def test_leading_zeros_of_a_time_are_no_digits(tmp_path: Path) -> None:
    path = write(tmp_path, HEAD + '#000000000000000000000000 0! b0 "\n#000000000000000000000005 1!')
    assert read(path)[0] == [(0, 0, 0), (5000, 1, 0)]


def test_variable_without_type_and_size_is_skipped_and_reported(tmp_path: Path) -> None:
    # A VHDL simulator wrote this of a type that it cannot show.
    text = (
        "$timescale 1 ns $end $var  $ stage_reg $end $var reg 1 ! clk $end $enddefinitions $end\n"
        "#0\n$\n0!\n#5\n1!\n#9\n$\n0!\n"
    )
    rows, info = read(write(tmp_path, text))
    assert rows == [(0, 0, 0), (5000, 1, 0), (9000, 0, 0)]
    assert info.notes == ("$var stage_reg has no type and size: passed over",)
    assert [(one.name, one.bits, one.changes) for one in info.signals] == [
        ("stage_reg", 0, 2),
        ("clk", 1, 3),
    ]


def test_dollar_alone_is_damage_where_nothing_is_called_so(tmp_path: Path) -> None:
    rows, message = fault(write(tmp_path, HEAD + '#0 0! b0 "\n#5 $ 1!\n#6 0! $end\n'))
    assert rows == [(0, 0, 0)]
    assert message.startswith("one.vcd:3:4: found '$'; a value change is 0, 1, x, z, b..., r...")


def test_size_and_id_without_a_blank_are_taken_apart(tmp_path: Path) -> None:
    # A bench instrument's export had them so, and times with a fraction.
    text = (
        '$timescale 1 ns $end $var wire 1! DIO0 $end $var wire 1" DIO1 $end $enddefinitions $end\n'
        '#0.0\n0!\n1"\n#5.5\n1!\n'
    )
    rows, info = read(write(tmp_path, text))
    assert rows == [(0, 0b10, 0), (5500, 0b11, 0)]
    assert [one.name for one in info.signals] == ["DIO0", "DIO1"]


def test_names_in_latin_1_stay_apart(tmp_path: Path) -> None:
    text = "$timescale 1 ns $end $var wire 1 ! \xe4 $end $var wire 1 # \xfc $end"
    path = write(tmp_path, (text + " $enddefinitions $end #0 0! 1#").encode("latin-1"))
    rows, info = read(path, signals=["\xfc", "\xe4"])
    assert rows == [(0, 1, 0)]
    assert [one.name for one in info.signals] == ["\xe4", "\xfc"]


@pytest.mark.parametrize(
    ("declared", "names"),
    [
        ("$var reg 36 ! adb [-2:33] $end", ["adb[33]", "adb[-2]"]),
        ("$var wire 1 ! \\y[0] [1] $end", ["\\y[0][1]"] * 2),
        ("$var reg 64 ! #implicit###Elem:ram[0.0] [63:0] $end", ["#implicit###Elem:ram[0.0][0]"]),
        ("$scope module $end $var wire 2 ! a [1:0] $end $upscope $end", ["a[0]", "a[1]"]),
        ("$scope module  u0 $end $var wire 2 ! a[1:0] $end $upscope $end", ["u0.a[0]", "u0.a[1]"]),
        ("$scope struct p[3] $end $var logic 1 ! q $end $upscope $end", ["p[3].q"] * 2),
        ("$scope vhdl_architecture e(rtl) $end $var reg 1 ! q $end", ["e(rtl).q"] * 2),
        ("$attrbegin misc 02 f:u 1 $end $var wire 1 ! q $end $attrend $end", ["q", "q"]),
    ],
)
def test_declarations_of_simulators_give_their_names(
    tmp_path: Path, declared: str, names: list[str]
) -> None:
    path = write(tmp_path, f"$timescale 1ns $end {declared} $enddefinitions $end #0 b1 ! #1")
    with open_capture(path) as capture:
        assert capture.signals[0] == names[0]
        assert capture.signals[-1] == (names[-1] if len(names) > 1 else capture.signals[-1])
        list(capture.batches())
        assert capture.info.complete


def test_wires_beyond_the_first_64_can_be_chosen(tmp_path: Path) -> None:
    text = "".join(f"$var wire 1 id{n} w{n} $end\n" for n in range(90))
    body = "".join(f"{n & 1}id{n}\n" for n in range(90))
    path = write(tmp_path, f"$timescale 1ns $end\n{text}$enddefinitions $end\n#0\n{body}#1 0id89")
    with open_capture(path) as capture:
        assert len(capture.signals) == 64
        assert capture.wires == tuple(f"w{n}" for n in range(90))
        capture.choose(["w89", "w88"])
        assert capture.signals == ("w89", "w88")
        assert rows_of(capture.batches()) == [(0, 1, 0), (1000, 0, 0)]


def test_of_many_wires_scalars_come_before_bits_of_vectors(tmp_path: Path) -> None:
    lines = [f"$var integer 32 v{n} count{n} $end" for n in range(3)]
    lines += ["$var wire 1 c clk $end", "$var wire 4 d data $end", "$enddefinitions $end"]
    path = write(tmp_path, "\n".join(["$timescale 1ns $end", *lines, "#0 0c b0 d", "#1 1c", ""]))
    rows, info = read(path)
    assert rows[-1] == (1000, 1 << 32, (1 << 32) - 1)
    assert info.notes == ("37 of 101 wires are read at a time",)
    with open_capture(path) as capture:
        assert capture.signals[:2] == ("count0[0]", "count0[1]")
        assert capture.signals[32:] == ("clk", "data[0]", "data[1]", "data[2]", "data[3]")


def test_vector_written_bit_by_bit_in_a_scope_declared_twice_is_one(tmp_path: Path) -> None:
    scope = "$scope module dut $end $var wire 1 a v [1] $end $var wire 1 b v [0] $end $upscope $end"
    text = f"$timescale 1ns $end {scope} {scope} $enddefinitions $end #0 1a 0b #1 0a 1b"
    rows, _ = read(write(tmp_path, text), signals=["dut.v"])
    assert rows == [(0, 0b10, 0), (1000, 0b01, 0)]
