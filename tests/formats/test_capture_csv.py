from __future__ import annotations

import gzip
from fractions import Fraction
from functools import partial
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from busplay.formats import text_reader
from tests.formats.reading import Row, fault, read
from tests.formats.reading import write as write_capture

write = partial(write_capture, name="one.csv")
CHANGES = [(0, 0b10, 0), (1_500_000, 0b11, 0), (3_000_000, 0b01, 0)]


@pytest.mark.parametrize(
    "text",
    [
        "Time [s],clk,d0\n0.000000000,0,1\n0.000001500,1,1\n3e-06,1,0\n",
        "Time[s], clk, d0\n0.000000000000000, 0, 1\n0.0000015, 1, 1\n0.0000030, 1, 0\n",
        "Time (ms),clk,d0\n0,0,1\n0.0015,1,1\n0.003,1,0\n",
        "time_us;clk;d0\n0,0;0;1\n1,5;1;1\n3,0;1;0\n",
        "Zeit;clk;d0\nms;;\n0;0;1\n0,0015;1;1\n0,003;1;0\n",
        't/ns\tclk\td0\n0\t0\t1\n1500\t1\t1\n"3000"\t1\t0\n',
        "Time in \N{MICRO SIGN}s,clk,d0\r\n0,0,1\r\n1.5,1,1\r\n3,1,0\r\n",
        "\N{BYTE ORDER MARK}Time(s),clk,d0\n0,L,H\n1.5E-6,H,H\n3E-6,High,Low",
        '"Time (s)","clk","d0"\n"0.0","0","1"\n"0,0000015","1","1"\n"0.000003","1","0"\n',
        "nanoseconds,logic,logic,Trigger\n0,0,1,7\n1500,1,1,7\n3000,1,0,7\n",
        "; Channels (2/16): clk, d0\n; Sample rate: 2 MHz\nlogic,logic\n0,1\n0,1\n0,1\n1,1\n1,1\n"
        "1,1\n1,0\n",
        "#Device: made up\n#Sample rate: 2000000Hz\n#Samples: 3\n\nTime (s),clk,d0\n0,0,1\n"
        "0.0000015,1,1\n\n# a remark\n3.0e-6,1,0\n",
        "Time [s],clk,d0,\n0.0,0,1,\n0.0000015,1,1,\n0.000003,1,0,\n",
        "Sample,Time [s],clk,d0\n0,0.0,0,1\n3,0.0000015,1,1\n6,0.000003,1,0\n",
        "Time [s],clk,volts,d0\n0.0,0,3.31,1\n0.0000015,1,0.02,1\n0.000003,1,1.25,0\n",
        "Time [s],clk,d0\n0.0,0,1\n0.0000010,,1\n0.0000015,1,\n0.000003,,0\n",
        "Time [s],clk,d0\n0.0,1,1\n0.0,0,1\n0.0000015,1,1\n0.000003,1,0\n",
        "Time,clk,d0\n0.0,0.0,1.0\n0.0000015,1.,1\n0.000003,true,FALSE\n",
        "sep=;\nTime (us);clk;d0\n0,0;0;1\n1,5;1;1\n3,0;1;0\n",
        "Model,made up,\nPoint Format,Y,\nSample Interval,5e-07,\nRecord Length,3,\n,,\n"
        "TIME,clk,d0\n0.0e-00,0,1\n1.5e-06,1,1\n3.0e-06,1,0\n",
        "clk,d0,Time\n0,1,0\n1,1,1.5 us\n1,0,0.003 ms\n",
        "Time,clk,d0\n0 s,0,1\n1500ns,1,1\n3 \N{MICRO SIGN}s,1,0\n",
        "X,clk,d0,Start,Increment,\nSequence,Volt,Volt,0.0e-6,5.0e-7,\n0,0,1,,,\n3,1,1,,,\n6,1,0,,,\n",
        "X,clk,d0,Start,Increment\nSequence,Volt,Volt,0.0e-6,5.0e-7\n0,0,1\n3,1,1\n6,1,0\n",
        "Sample Interval,0.5,us\nclk,d0\n0,1\n0,1\n0,1\n1,1\n1,1\n1,1\n1,0\n",
    ],
)
def test_every_shape_that_analysers_export_gives_the_same_changes(
    tmp_path: Path, text: str
) -> None:
    rows, info = read(write(tmp_path, text))
    assert rows == CHANGES
    if "clk" in text:
        assert [one.name for one in info.signals] == ["clk", "d0"]
    assert info.format == "csv"


@pytest.mark.parametrize(
    "text",
    [
        "sample,clk,d0\n0,0,1\n3,1,1\n6,1,0\n",
        "0,0,1\n3,1,1\n6,1,0\n",
        "clk,d0\n0,1\n0,1\n0,1\n1,1\n1,1\n1,1\n1,0\n",
        "0\t1\n0\t1\n0\t1\n1\t1\n1\t1\n1\t1\n1\t0\n",
    ],
)
def test_rows_without_times_take_the_given_rate(tmp_path: Path, text: str) -> None:
    path = write(tmp_path, text)
    assert read(path, rate_hz=2_000_000)[0] == CHANGES
    rows, message = fault(path)
    assert rows == []
    assert message.endswith(
        "say how long a sample is, --in-rate 24MHz, or a unit of time, --in-timescale 1ns"
    )
    assert read(path, timescale="500ns")[0] == CHANGES


def test_one_column_of_levels_is_one_wire(tmp_path: Path) -> None:
    rows, info = read(write(tmp_path, "; Samplerate: 1 kHz\nlogic\n1\n1\n0\n"))
    assert rows == [(0, 1, 0), (2 * 10**9, 0, 0)]
    assert info.stop_ps == 3 * 10**9


def test_times_below_zero_are_moved_and_reported(tmp_path: Path) -> None:
    text = "Time [s],clk\n-0.0000025,0\n-0.000001,1\n0.0000015,0\n"
    path = write(tmp_path, text)
    rows, info = read(path)
    assert rows == [(0, 0, 0), (1_500_000, 1, 0), (4_000_000, 0, 0)]
    assert (info.zero_ps, info.start_ps, info.stop_ps) == (-2_500_000, -2_500_000, 1_500_000)
    part, info = read(path, from_ps=-500_000)
    assert part == [(2_000_000, 1, 0), (4_000_000, 0, 0)]
    assert info.start_ps == -500_000


@pytest.mark.parametrize("names", ["0,1,MOSI,6", "0,1,2,3", "7,6,5,4", "1,0,1,CS#"])
def test_names_that_are_numbers_are_no_row(tmp_path: Path, names: str) -> None:
    text = f"; Samplerate: 1 MHz\n{names}\n1,0,0,1\n0,0,0,1\n1,1,1,0\n1,1,1,0\n"
    rows, info = read(write(tmp_path, text))
    assert ",".join(one.name for one in info.signals) == names
    assert rows == [(0, 9, 0), (10**6, 8, 0), (2 * 10**6, 7, 0)]


@pytest.mark.parametrize("encoding", ["utf-8", "cp1252", "utf-16"])
def test_micro_sign_and_names_are_read_in_any_encoding(tmp_path: Path, encoding: str) -> None:
    path = tmp_path / "one.csv"
    head = "Zeit [\N{MICRO SIGN}s];R\xfcckseite;CLK"
    path.write_bytes((head + "\n0,0;0;1\n1,5;1;1\n").encode(encoding))
    rows, info = read(path)
    assert rows == [(0, 0b10, 0), (1_500_000, 0b11, 0)]
    assert [one.name for one in info.signals] == ["R\xfcckseite", "CLK"]
    path.write_bytes("a;Time\n0;0 s\n1;1,5 \N{MICRO SIGN}s\n".encode(encoding))
    assert read(path)[0] == [(0, 0, 0), (1_500_000, 1, 0)]


def test_names_listed_in_a_comment_are_no_row(tmp_path: Path) -> None:
    text = "; Channels (2/2): 0, 1\n; Samplerate: 1 MHz\n0,1\n1,1\n0,1\n"
    rows, info = read(write(tmp_path, text))
    assert [one.name for one in info.signals] == ["0", "1"]
    assert rows == [(0, 3, 0), (10**6, 2, 0)]


def test_x_and_z_are_unknown(tmp_path: Path) -> None:
    rows, _ = read(write(tmp_path, "Time [us],a,b\n0,x,1\n1,0,Z\n2,?,-\n"))
    assert rows == [(0, 0b10, 0b01), (10**6, 0, 0b10), (2 * 10**6, 0, 0b11)]


def test_bus_column_is_as_many_wires(tmp_path: Path) -> None:
    text = "Time [us],clk,data[7:0],state[0:2]\n0,0,0x1F,5\n1,1,32,0b011\n2,1,x,1\n"
    path = write(tmp_path, text)
    rows, info = read(path, signals=["clk", "data[4:5]", "data[0]", "state[2]", "state[0]"])
    assert rows == [(0, 0b11_1_01_0, 0), (10**6, 0b01_0_10_1, 0), (2 * 10**6, 0b010001, 0b001110)]
    assert [one.name for one in info.signals] == ["clk", "data[7:0]", "state[0:2]"]
    assert fault(write(tmp_path, text + "3,1,0x100,1\n"))[1] == (
        "one.csv:5:5: found value '0x100'; a bus is a number that fits its width (--keep-going"
        " reads up to this point)"
    )


@pytest.mark.parametrize(
    ("text", "names"),
    [
        ("Time [us],data,clk\n0,1F,0\n1,A0,1\n2,07,1\n", ["data", "clk"]),
        ("Time [us],data[7:0],clk\n0,1f,0\n1,a0,1\n2,07,1\n", ["data[7:0]", "clk"]),
        ("Time [us],data[7:0],clk\n0,0x1F,0\n1,0xA0,1\n2,0x07,1\n", ["data[7:0]", "clk"]),
        ("Time [us],data[7:0],clk\n0,00011111,0\n1,10100000,1\n2,00000111,1\n",
         ["data[7:0]", "clk"]),
        ("Time [us],data,clk\n0,00011111,0\n1,10100000,1\n2,00000111,1\n", ["data", "clk"]),
        ("Time [us],data[7:0],clk\n0,31,0\n1,160,1\n2,7,1\n", ["data[7:0]", "clk"]),
    ],
)  # fmt: skip
def test_bus_in_any_base_is_the_same_wires(tmp_path: Path, text: str, names: list[str]) -> None:
    rows, info = read(write(tmp_path, text))
    assert rows == [(0, 0x1F, 0), (10**6, 0x1A0, 0), (2 * 10**6, 0x107, 0)]
    assert [one.name for one in info.signals] == names


def test_start_in_the_head_is_where_the_capture_begins(tmp_path: Path) -> None:
    text = "X,a,Start,Increment,\nSequence,Volt,-1.0e-6,1.0e-8,\n0,0,,,\n1,1,,,\n2,0,,,\n"
    path = write(tmp_path, text)
    rows, info = read(path)
    assert rows == [(0, 0, 0), (10_000, 1, 0), (20_000, 0, 0)]
    assert [one.name for one in info.signals] == ["a"]
    assert (info.zero_ps, info.start_ps, info.stop_ps) == (-1_000_000, -1_000_000, -980_000)
    assert read(path, from_ps=-985_000)[0] == [(15_000, 1, 0), (20_000, 0, 0)]


def test_start_without_its_number_is_no_start(tmp_path: Path) -> None:
    text = "X,a,Start,Increment\nSequence,Volt,1.0e-6\n0,0,,\n1,1,,\n"
    rows, info = read(write(tmp_path, text), rate_hz=1_000_000)
    assert rows == [(0, 0, 0), (10**6, 1, 0)]
    assert info.start_ps == 0


def test_unit_in_a_cell_of_a_column_that_has_its_own_is_refused(tmp_path: Path) -> None:
    rows = "".join(f"{n},{n & 1}\n" for n in range(300))
    path = write(tmp_path, f"Time [us],a\n{rows}300 ns,0\n")
    assert fault(path)[1].startswith("one.csv:302:1: found time '300 ns'; a time is a number")


def test_times_without_unit_follow_the_rate_or_are_refused(tmp_path: Path) -> None:
    path = write(tmp_path, "; Samplerate: 24 MHz\nTime,a\n41,0\n82,1\n164,0\n")
    rows, info = read(path)
    assert rows == [(41_000, 0, 0), (82_000, 1, 0), (164_000, 0, 0)]
    assert info.notes == (
        "the times have no unit: ns, since they advance by the sampling period",
        "the times advance by 41 ns, but a sample takes 41.667: they are 1.6% too short",
    )
    path = write(tmp_path, "Time,a\n41,0\n82,1\n")
    assert fault(path)[1] == (
        "one.csv: found times without a unit; say how long a sample is, --in-rate 24MHz, or a unit"
        " of time, --in-timescale 1ns"
    )


def test_row_cut_off_at_the_end_is_reported(tmp_path: Path) -> None:
    rows, info = read(write(tmp_path, "Time [s],a,b\n0.1,0,1\n0.2,1,1\n0.3,"))
    assert rows == [(10**11, 0b10, 0), (2 * 10**11, 0b11, 0)]
    assert (info.complete, info.cut_reason) == (
        False,
        "it ends in the middle of a row: the file was cut off",
    )


@st.composite
def tables(draw: st.DrawFn) -> tuple[str, list[Row], str | None]:
    """Draw a table in some dialect, and the rows that it says."""
    unit, scale = draw(st.sampled_from((("s", 10**12), ("ms", 10**9), ("us", 10**6), ("ns", 1000))))
    wires = draw(st.integers(1, 5))
    delimiter, point = draw(st.sampled_from(((",", "."), (";", "."), (";", ","), ("\t", ","))))
    end = draw(st.sampled_from(("\n", "\r\n")))
    quote = draw(st.sampled_from(("", "", '"')))
    name = draw(st.sampled_from((f"Time [{unit}]", f"t ({unit})", f"time_{unit}")))
    lines = [draw(st.sampled_from(("", "# made up", f"#{end}# Sample rate: 1 MHz")))]
    lines.append(delimiter.join([name, *(f"w{n}" for n in range(wires))]))
    time = 0
    rows: list[Row] = []
    for _ in range(draw(st.integers(1, 20))):
        value = Fraction(time) / scale
        digits = f"{time // scale}{point}{time % scale:0{len(str(scale)) - 1}d}"
        if draw(st.booleans()):
            mantissa, power = time, 0
            while mantissa and mantissa % 10 == 0 and power < 15:
                mantissa, power = mantissa // 10, power + 1
            digits = f"{mantissa}E{power - len(str(scale)) + 1:+d}"
        assert value * scale == time
        cells = [draw(st.sampled_from("01xZ")) for _ in range(wires)]
        lines.append(delimiter.join(f"{quote}{cell}{quote}" for cell in (digits, *cells)))
        level = sum(1 << n for n, cell in enumerate(cells) if cell == "1")
        unknown = sum(1 << n for n, cell in enumerate(cells) if cell in "xZ")
        if rows and rows[-1][0] == time:
            rows.pop()
        if not rows or rows[-1][1:] != (level, unknown):
            rows.append((time, level, unknown))
        time += draw(st.sampled_from((0, 1, 1, 500, 10**6, 10**12)))
    rows = [row for n, row in enumerate(rows) if not n or rows[n - 1][1:] != row[1:]]
    return end.join(lines) + draw(st.sampled_from(("", end))), rows, None


ZEROS = "Time [s],w0\n0E-12,0\n0.000000000000,0\n0.000000000000,0"


# The first row was taken for the names of channels.
@example(table=(ZEROS, [(0, 0, 0)], None), block_bytes=64)
@settings(max_examples=120, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(table=tables(), block_bytes=st.sampled_from((40, 64, 1 << 18)))
def test_any_table_gives_the_rows_it_says(
    tmp_path: Path, table: tuple[str, list[Row], str | None], block_bytes: int
) -> None:
    text, rows, _ = table
    before = text_reader.BLOCK_BYTES
    text_reader.BLOCK_BYTES = block_bytes
    try:
        assert read(write(tmp_path, text))[0] == rows
    finally:
        text_reader.BLOCK_BYTES = before


def test_compressed_csv_reads_as_such(tmp_path: Path) -> None:
    text = "Time [s],a\n" + "".join(f"0.{n:06d},{n & 1}\n" for n in range(50_000))
    rows, _ = read(write(tmp_path, text))
    packed = tmp_path / "one.csv.gz"
    packed.write_bytes(gzip.compress(text.encode()))
    found, info = read(packed)
    assert found == rows
    assert len(rows) == 50_000
    assert info.compression == "gzip"
