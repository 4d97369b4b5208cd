"""Any bytes give a result or an InputError: what fuzzing of the capture readers holds them to."""

from __future__ import annotations

import gzip
from contextlib import suppress
from pathlib import Path

import pytest
import zstandard
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from busplay.errors import InputError
from busplay.formats.capture import open_capture
from tests.formats.dumps import dumps
from tests.formats.reading import rows_of

DATA = Path(__file__).parent.parent / "data" / "sigrok_dumps"
SEEDS = [
    path.read_bytes()
    for path in sorted(DATA.iterdir())
    if path.suffix in (".vcd", ".csv", ".sr") and path.stat().st_size < 9000
]
SEEDS += [gzip.compress(SEEDS[0]), zstandard.compress(SEEDS[1])]
# Shapes that each have a way of their own through the reader.
SEEDS += [
    b"X,D0,D1,Start,Increment,\nSequence,Volt,Volt,-1.0e-6,1.0e-8,\n0,0,1,,,\n1,1,1,,,\n",
    b'"A","B","Time"\n0,1,-52.43 us\n1,1,0\n0,0,1.5ms\n',
    b"Sample Interval,4e-09\nPoint Format,Y\nTIME,data[3:0]\n0,0101\n4e-9,0x3\n8e-9,xx11\n",
    b"sep=;\nZeit (ms);clk;hex\n0,5;0;1F\n0,75;1;A0\n",
    b"$timescale 1 fs $end $var  $ odd $end $var wire 1! a $end $enddefinitions $end\n#-9\n0!\n$\n"
    b"#-5\n1!\n#000000000000000000000001 0!\n",
]


def read_or_refuse(path: Path, **options: object) -> None:
    """Read a capture whole, twice; nothing but an InputError may come of it."""
    with suppress(InputError), open_capture(path, **options) as capture:  # type: ignore[arg-type]
        rows = rows_of(capture.batches())
        assert capture.info.duration_ps >= 0
        assert rows_of(capture.batches()) == rows
        assert capture.info.changes >= 0


@st.composite
def mutated(draw: st.DrawFn) -> bytes:
    """Draw a capture that somebody's bad cable changed."""
    content = bytearray(draw(st.sampled_from(SEEDS) | dumps().map(str.encode)))
    for _ in range(draw(st.integers(1, 6))):
        at = draw(st.integers(0, max(0, len(content) - 1)))
        match draw(st.integers(0, 4)):
            case 0:
                content[at : at + 1] = draw(st.binary(min_size=1, max_size=1))
            case 1:
                del content[at : at + draw(st.integers(1, 40))]
            case 2:
                piece = st.sampled_from((b"#", b"$end", b"b", b" ", b"\n", b"\0", b"9" * 30, b","))
                content[at:at] = draw(piece)
            case 3:
                other = draw(st.integers(0, max(0, len(content) - 1)))
                content[at:at] = content[other : other + draw(st.integers(1, 60))]
            case _:
                del content[at:]
    return bytes(content)


@pytest.mark.parametrize("name", ["one.bin", "one.vcd", "one.csv", "one.sr"])
@settings(max_examples=120, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(content=mutated(), keep_going=st.booleans())
def test_mutated_capture_is_read_or_refused(
    tmp_path: Path, name: str, content: bytes, keep_going: bool
) -> None:
    path = tmp_path / name
    path.write_bytes(content)
    read_or_refuse(path, keep_going=keep_going)


@settings(max_examples=100, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    content=st.binary(max_size=300),
    suffix=st.sampled_from((".vcd", ".csv", ".sr", "")),
    rate_hz=st.none() | st.integers(1, 10**12),
    timescale=st.none() | st.text(max_size=8) | st.sampled_from(("1ns", "244 ns", "1s", "1fs")),
    bits=st.none() | st.text("0123456789,-", max_size=6),
    signals=st.none() | st.lists(st.text(max_size=9), max_size=3),
    from_ps=st.none() | st.integers(-(10**18), 10**18),
    max_changes=st.none() | st.integers(1, 9),
)
def test_any_bytes_and_options_are_read_or_refused(
    tmp_path: Path, content: bytes, suffix: str, **options: object
) -> None:
    path = tmp_path / f"one{suffix}"
    path.write_bytes(content)
    read_or_refuse(path, **options)


@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    text=st.lists(
        st.sampled_from(
            (
                "0.1", "1", "0", "x", ",", ";", "\t", "\n", "-", "e5", "Time", "[s]", "#", '"', " ",
                "0x1F", "a", "logic", "Samplerate: 1 MHz", "999999999999999999999", "\r\n",
            )
        ),
        max_size=40,
    ).map("".join)
)  # fmt: skip
def test_any_table_is_read_or_refused(tmp_path: Path, text: str) -> None:
    path = tmp_path / "one.csv"
    path.write_text(text, newline="")
    read_or_refuse(path)


def test_missing_file_and_folder_are_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError) as error:
        open_capture(tmp_path / "none.vcd")
    assert str(error.value) == f"{tmp_path / 'none.vcd'}: cannot be read: No such file or directory"
    with pytest.raises(InputError) as error:
        open_capture(tmp_path)
    assert str(error.value) == f"{tmp_path}: cannot be read: Is a directory"
