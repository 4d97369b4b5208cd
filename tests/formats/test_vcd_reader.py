from __future__ import annotations

import gzip
from pathlib import Path

import pytest
import zstandard
from hypothesis import HealthCheck, given, settings

from busplay.formats import text_reader
from tests.formats.dumps import dumps
from tests.formats.reading import Row, fault, read, write
from tests.naive.vcd_reader import read_vcd

HEAD = """$timescale 1 ns $end
$scope module top $end
$var wire 1 ! clk $end
$var wire 4 " data [3:0] $end
$upscope $end
$enddefinitions $end
"""


def body(folder: Path, text: str, **options: object) -> list[Row]:
    return read(write(folder, HEAD + text), **options)[0]


@pytest.mark.parametrize(
    ("text", "rows"),
    [
        ('#0 0! b0 "\n#5 1!\n#9', [(0, 0, 0), (5000, 1, 0)]),
        ('#0\n0!\nb1010 "\n', [(0, 0b10100, 0)]),
        ('#0\n0!\nb1 "\n', [(0, 0b00010, 0)]),
        ('#0\n0!\nbx "\n', [(0, 0, 0b11110)]),
        ('#0\n0!\nbz1 "\n', [(0, 0b00010, 0b11100)]),
        ('#0\n0!\nb01111111 "\n', [(0, 0b11110, 0)]),
        ('#0\n0!\n1"\n', [(0, 0b00010, 0)]),
        ('#0\n0!\nx"\n', [(0, 0, 0b11110)]),
        ('#0\nb1 !\nb0 "\n', [(0, 1, 0)]),
        ('#0\nB0 !\nB0\t"\n', [(0, 0, 0)]),
        ('#0\nb0\n"\n0!\n', [(0, 0, 0)]),
        ('#0\nb0b0110 "\nb0b1 !\n', [(0, 0b01101, 0)]),
        ('#0\n0 !\nb0 "\n', [(0, 0, 0)]),
        ('#0\nh!\nbLH-w "\n', [(0, 0b01001, 0b00110)]),
        ('#0\nu!\nb0 "\n#1\nU!\n#2\nW!\n#3\nZ!\n', [(0, 0, 1)]),
        ('$dumpvars 0! b0 " $end\n#0\n#7 1!\n#7 0!\n#8\n', [(0, 0, 0)]),
        ('#3 0! b0 "\n#3 1!\n#4', [(3000, 1, 0)]),
        ('#0 0! b0 "\n$comment 1! #9 $end\n#5 1!\n', [(0, 0, 0), (5000, 1, 0)]),
        ('#0 0! b0 "\n$vcdclose #5 $end\n', [(0, 0, 0)]),
        ('0!\nb0 "\n', [(0, 0, 0)]),
        ("", []),
        ("#10\n#20\n", [(10_000, 0, 0b11111)]),
        ('#0 0! b0 "\n#1.5 1!\n#2.25 0!\n', [(0, 0, 0), (1500, 1, 0), (2250, 0, 0)]),
        ('#0 0! b0 "\n#00005 1!\n', [(0, 0, 0), (5000, 1, 0)]),
    ],
)
def test_value_changes_become_rows(tmp_path: Path, text: str, rows: list[Row]) -> None:
    assert body(tmp_path, text) == rows


@pytest.mark.parametrize(
    ("timescale", "tick_ps"),
    [
        ("1 s", 10**12),
        ("10 ms", 10**10),
        ("100us", 10**8),
        ("1ns", 1000),
        ("244 ns", 244_000),
        ("10\n ps", 10),
        ("us", 10**6),
        ("1 NS", 1000),
        ("0.5 ns", 500),
    ],
)
def test_every_timescale_is_exact(tmp_path: Path, timescale: str, tick_ps: int) -> None:
    text = f"$timescale {timescale} $end $var wire 1 ! a $end $enddefinitions $end #0 0! #3 1!"
    assert read(write(tmp_path, text))[0] == [(0, 0, 0), (3 * tick_ps, 1, 0)]


def test_femtoseconds_are_rounded_down_and_changes_within_one_picosecond_are_one(
    tmp_path: Path,
) -> None:
    text = (
        "$timescale 1 fs $end $var wire 1 ! a $end $enddefinitions $end"
        " #0 0! #1500 1! #1999 0! #2000 1! #2999.9"
    )
    assert read(write(tmp_path, text))[0] == [(0, 0, 0), (2000 // 1000, 1, 0)]


def test_missing_timescale_is_assumed_and_reported(tmp_path: Path) -> None:
    rows, info = read(write(tmp_path, "$var wire 1 ! a $end $enddefinitions $end #0 0! #3 1!"))
    assert rows[1][0] == 3000
    assert info.notes == ("no $timescale: 1 ns is assumed (--in-timescale gives another)",)


def test_given_timescale_overrides_a_wrong_one(tmp_path: Path) -> None:
    path = write(
        tmp_path, "$timescale 3 parsecs $end $var wire 1 ! a $end $enddefinitions $end #0 0! #3 1!"
    )
    assert fault(path) == (
        [],
        "one.vcd:1:1: found $timescale 3 parsecs; it is a number and s, ms, us, ns, ps or fs;"
        " --in-timescale 1ns sets it",
    )
    rows, info = read(path, timescale="1us")
    assert rows[1][0] == 3_000_000
    assert info.notes == ("timescale 1us as given, not 3 parsecs as in the file",)


def test_timescale_that_makes_a_capture_of_days_is_reported_as_wrong(tmp_path: Path) -> None:
    path = write(
        tmp_path,
        "$timescale 1 s $end $var wire 1 ! a $end $enddefinitions $end #0 0! #400000 1!",
    )
    assert read(path)[1].notes == (
        "it lasts 4.6 days: the timescale (1 s) is probably wrong; --in-timescale 1ns sets the"
        " unit",
    )
    assert not read(path, timescale="1ns")[1].notes[1:]


def test_time_beyond_64_bits_of_picoseconds_is_refused(tmp_path: Path) -> None:
    path = write(
        tmp_path,
        "$timescale 1 s $end $var wire 1 ! a $end $enddefinitions $end\n#0 0!\n#99999999 1!\n",
    )
    assert fault(path) == (
        [(0, 0, 0)],
        "one.vcd:3:1: found time #99999999 of 1 s; a capture ends within 213 days; if the"
        " timescale is wrong, --in-timescale 1ns sets it (--keep-going reads up to this point)",
    )


def test_names_are_scopes_and_name_with_the_range(tmp_path: Path) -> None:
    text = """$scope module top $end $scope begin $end $scope task inner $end
$var wire 1 ! clk $end $var wire 8 # bus[7:0] $end $var reg 8 $ word [0:7] $end
$upscope $end $upscope $end $var wire 1 % bit [3] $end $upscope $end
$scope module top $end $var wire 1 & \\odd[2] $end $var wire 1 ! same $end
$var integer 32 ' count $end $var wire 8 ( mem[2][7:0] $end $var wire 8 ) slot[5] $end
$var real 64 * volts $end $var event 1 + tick $end $upscope $end $enddefinitions $end #0"""
    _, info = read(write(tmp_path, text))
    assert [(one.name, one.bits) for one in info.signals] == [
        ("top.inner.clk", 1),
        ("top.inner.bus[7:0]", 8),
        ("top.inner.word[0:7]", 8),
        ("top.bit[3]", 1),
        ("top.\\odd[2]", 1),
        ("top.same", 1),
        ("top.count", 32),
        ("top.mem[2][7:0]", 8),
        ("top.slot[5]", 8),
        ("top.volts", 0),
        ("top.tick", 1),
    ]


def test_several_names_of_one_id_change_together(tmp_path: Path) -> None:
    text = "$var wire 1 ! a $end $var wire 1 ! b $end $enddefinitions $end #0 0! #1 1! #2 0!"
    path = write(tmp_path, text)
    rows, info = read(path)
    assert rows == read(path, signals=["b"])[0] == [(0, 0, 0), (1000, 1, 0), (2000, 0, 0)]
    assert [one.changes for one in info.signals] == [3, 3]


def test_reals_and_texts_are_passed_over_and_counted(tmp_path: Path) -> None:
    text = """$var real 64 ! v $end $var string 1 " s $end $var wire 1 # a $end $enddefinitions $end
#0 0# r1.25 ! sone\\x20word "
#1
s "
stwo words here "
r-1e-3 !
1#
#2
"""
    rows, info = read(write(tmp_path, text))
    assert rows == [(0, 0, 0), (1000, 1, 0)]
    assert [one.changes for one in info.signals] == [2, 3, 2]
    assert info.notes[1:] == ("2 real numbers passed over", "3 texts passed over")


def test_switched_off_recording_is_x_and_counted(tmp_path: Path) -> None:
    text = '#0 0! b0 "\n#5\n$dumpoff\nx!\nbx "\n$end\n#9\n$dumpon\n1!\nb0 "\n$end\n'
    rows, info = read(write(tmp_path, HEAD + text))
    assert rows == [(0, 0, 0), (5000, 0, 31), (9000, 1, 0)]
    assert info.notes == ("recording was switched off once",)


def test_ports_of_the_extended_form_are_read(tmp_path: Path) -> None:
    text = """$timescale 1 ns $end $scope module chip $end
$var port 1 <0 clk $end $var port [1:0] <1 bus $end $upscope $end $enddefinitions $end
#0
$dumpports
pD 6 0 <0
pUN 66 66 <1
$end
#5
pH 0 6 <0
#6
$vcdclose #6 $end
"""
    rows, info = read(write(tmp_path, text))
    assert rows == [(0, 0b100, 0b010), (5000, 0b101, 0b010)]
    assert [(one.name, one.bits) for one in info.signals] == [("chip.clk", 1), ("chip.bus", 2)]


def test_ids_of_any_length_are_told_apart(tmp_path: Path) -> None:
    codes = ["!", "!!", "!!!", "!!!!!!!", "!!!!!!!!", "a-very-long-id-1", "a-very-long-id-2", "#0"]
    text = "".join(f"$var wire 1 {code} w{n} $end " for n, code in enumerate(codes))
    text += "$enddefinitions $end\n#0\n" + "".join(f"0{code}\n" for code in codes)
    text += "".join(f"#{n + 1} 1{code}\n" for n, code in enumerate(codes))
    rows, _ = read(write(tmp_path, text))
    assert rows == [(1000 * n, (1 << n) - 1, 0) for n in range(9)]


def test_byte_order_mark_and_utf16_are_read(tmp_path: Path) -> None:
    text = HEAD + '#0 0! b0 "\n#5 1!\n'
    plain, _ = read(write(tmp_path, text))
    for encoding in ("utf-8-sig", "utf-16", "utf-16-be"):
        raw = text.encode(encoding)
        if encoding == "utf-16-be":
            raw = b"\xfe\xff" + raw
        assert read(write(tmp_path, raw))[0] == plain


def test_body_without_enddefinitions_is_read_and_reported(tmp_path: Path) -> None:
    for start, note in (
        ("#0 0!", "no $enddefinitions: values begin at the first other word"),
        ("$dumpvars 0! $end #0", "no $enddefinitions before $dumpvars"),
    ):
        rows, info = read(write(tmp_path, f"$var wire 1 ! a $end {start} #4 1!"))
        assert rows == [(0, 0, 0), (4000, 1, 0)]
        assert info.notes[0] == note


@pytest.mark.parametrize("block_bytes", [*range(1, 40), 64, 97, 399])
def test_rows_do_not_depend_on_where_blocks_are_cut(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, block_bytes: int
) -> None:
    text = (
        HEAD + '$dumpvars\n0!\nb1010 "\n$end\n#0\n#12345\n1!\r\nbx01 "\n$comment long words here'
        ' 1! $end\n#20000\n0!\n#20000.5\nb1111 "\n#30000'
    )
    whole, info = read(write(tmp_path, text))
    monkeypatch.setattr(text_reader, "BLOCK_BYTES", block_bytes)
    cut, cut_info = read(write(tmp_path, text))
    assert cut == whole
    assert cut_info == info


@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(text=dumps())
def test_any_dump_gives_what_the_naive_reader_gives(tmp_path: Path, text: str) -> None:
    _, rows, counts, first, last = read_vcd(text)
    path = write(tmp_path, text)
    found, info = read(path)
    assert found == rows
    assert {one.name: one.changes for one in info.signals} == counts
    if rows:
        assert (info.start_ps, info.stop_ps) == (first, last)
    assert info.complete, info.cut_reason


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("#50 0!\n#90 1!\n#5", "it ends in the middle of a word: the file was cut off"),
        ("#50 0!\n#90 1!\n1", "it ends in the middle of a word: the file was cut off"),
        ("#50 0!\n#90 1!\nb01", "it ends after 'b01', which lacks its id: the file was cut off"),
        (
            "#50 0!\n#90 1!\n$comment 5",
            "it ends in a command that lacks its $end: the file was cut off",
        ),
        ("#50 0!\n#90 1!\n$dumpoff", "it ends in a $dump command that lacks its $end"),
    ],
)
def test_file_cut_off_gives_what_it_has_and_says_so(tmp_path: Path, text: str, reason: str) -> None:
    rows, info = read(write(tmp_path, HEAD + text))
    assert rows == [(50_000, 0, 30), (90_000, 1, 30)]
    assert (info.complete, info.cut_reason) == (False, reason)


def test_head_cut_off_still_lists_its_signals_with_keep_going(tmp_path: Path) -> None:
    path = write(tmp_path, "$scope module top $end\n$var wire 1 ! a $end\n$var wire 1")
    assert fault(path)[1].startswith("one.vcd:3:1: found $var without its $end")
    rows, info = read(path, keep_going=True)
    assert rows == []
    assert [one.name for one in info.signals] == ["top.a"]
    assert (info.complete, info.cut_reason) == (
        False,
        "3:1: found $var without its $end; each command ends with $end; the file was cut off here",
    )


def test_end_without_a_blank_before_it_is_taken(tmp_path: Path) -> None:
    text = "$timescale 1 us$end $scope module top$end $var wire 1 ! a$end $upscope$end"
    rows, info = read(write(tmp_path, text + " $enddefinitions$end #0 0! #1 1!"))
    assert rows == [(0, 0, 0), (10**6, 1, 0)]
    assert [one.name for one in info.signals] == ["top.a"]


@pytest.mark.parametrize("suffix", [".gz", ".zst"])
def test_compressed_dump_reads_as_such(tmp_path: Path, suffix: str) -> None:
    text = (HEAD + '#0 0! b0 "\n' + "".join(f"#{n} {n & 1}!\n" for n in range(1, 30_000))).encode()
    packed = gzip.compress(text) if suffix == ".gz" else zstandard.compress(text)
    rows, info = read(write(tmp_path, packed, "one.vcd" + suffix))
    assert rows == read(write(tmp_path, text))[0]
    assert (info.format, info.compression, info.complete) == (
        "vcd",
        "gzip" if suffix == ".gz" else "zstd",
        True,
    )
    cut, info = read(write(tmp_path, packed[: len(packed) * 2 // 3], "cut.vcd" + suffix))
    assert cut == rows[: len(cut)]
    assert not info.complete
    assert info.cut_reason.endswith("data end too early: the file was cut off")


def test_damaged_gzip_is_reported_and_what_was_unpacked_is_kept(tmp_path: Path) -> None:
    text = (HEAD + '#0 0! b0 "\n' + "".join(f"#{n} {n & 1}!\n" for n in range(1, 900))).encode()
    packed = bytearray(gzip.compress(text))
    packed[-6] ^= 1
    path = write(tmp_path, bytes(packed), "one.vcd.gz")
    rows, message = fault(path)
    assert message == (
        f"one.vcd.gz: before byte {len(packed):,}: found damaged gzip data (Error -3 while"
        " decompressing data: incorrect data check); what was unpacked before is whole"
        " (--keep-going reads it)"
    )
    assert rows == read(path, keep_going=True)[0]


def test_long_vector_goes_over_many_blocks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(text_reader, "BLOCK_BYTES", 64)
    digits = "10" * 2000
    text = f"$var wire 4000 ! a $end $enddefinitions $end\n#0 b{digits} !\n#1 b0 !\n"
    rows, _ = read(write(tmp_path, text), signals=["a[3999:3996]"])
    assert rows == [(0, 0b1010, 0), (1000, 0, 0)]
    monkeypatch.setattr(text_reader.TextReader, "ITEM_BYTES_MOST", 1000)
    assert fault(write(tmp_path, text), signals=["a[0]"]) == (
        [],
        "one.vcd:2:4: found a word of more than 1,000 bytes; a value change is a value and an id",
    )
