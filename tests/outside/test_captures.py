"""Captures against other readers and writers, published ones and the standard."""

from __future__ import annotations

import io
import re
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from busplay.formats.capture import open_capture
from busplay.formats.writing.csv import CsvWriter
from busplay.formats.writing.vcd import TextBatch, VcdWriter
from tests.formats.dumps import dumps
from tests.formats.reading import Row, batch_of, read, rows_of

DATA = Path(__file__).parent.parent / "data" / "sigrok_dumps"
NAMES = sorted({path.stem for path in DATA.glob("*.sr")})
sigrok = pytest.mark.skipif(
    shutil.which("sigrok-cli") is None, reason="sigrok-cli is not installed"
)

dump_collection = pytest.mark.source(
    "sigrok-dumps at 0ad1347", part="captures of real buses, public domain", kind="open data"
)
standard = pytest.mark.source(
    "IEEE 1364-2001", part="clause 18.2, four-state value change dump", kind="standard"
)
sigrok_cli = pytest.mark.source(
    "sigrok-cli 0.7.2", part="VCD, CSV input and output", kind="library"
)
pyvcd = pytest.mark.source("pyvcd 0.5.1", part="reader and writer", kind="library")
pywellen = pytest.mark.source("pywellen 0.25.7", part="reader", kind="library")
vcdvcd = pytest.mark.source("vcdvcd 2.6.0", part="reader", kind="library")

Times = dict[str, list[tuple[int, str]]]


def wires_of(path: Path, **options: object) -> Times:
    """Read with busplay: for each wire the times in ps of its changes, and the levels."""
    with open_capture(path, **options) as capture:  # type: ignore[arg-type]
        rows = rows_of(capture.batches())
        names = capture.signals
    found: Times = {}
    for index, name in enumerate(names):
        changes: list[tuple[int, str]] = []
        for time, level, unknown in rows:
            value = "x" if unknown >> index & 1 else str(level >> index & 1)
            if not changes or changes[-1][1] != value:
                changes.append((time, value))
        found[name] = changes
    return found


def digits(value: int | str, bits: int) -> str:
    """Write a value from pywellen, a number if all bits are known, as digits."""
    return f"{value:0{bits}b}" if isinstance(value, int) else value


def settled(changes: list[tuple[int, str]], first_ps: int) -> list[tuple[int, str]]:
    """Keep the last value of each time, and only what differs; z and the like are x."""
    last: dict[int, str] = {}
    for time, value in changes:
        last[max(time, first_ps)] = value if value in "01" else {"h": "1", "l": "0"}.get(value, "x")
    rows = sorted(last.items())
    return [row for at, row in enumerate(rows) if not at or rows[at - 1][1] != row[1]]


@dump_collection
@pytest.mark.parametrize("name", NAMES)
def test_session_dump_and_table_of_one_capture_give_the_same_changes(name: str) -> None:
    rows, info = read(DATA / f"{name}.sr")
    assert len(rows) > 40
    for suffix in (".vcd", ".csv"):
        path = DATA / f"{name}{suffix}"
        if not path.exists():
            continue
        others, other_info = read(path)
        assert [row[1:] for row in others] == [row[1:] for row in rows]
        # A dump in units of 100 ps has the times of 24 MHz rounded to them.
        late = [abs(row[0] - other[0]) for row, other in zip(rows, others, strict=True)]
        assert max(late) < (100 if "vulture" in name else 1)
        assert [one.name.split(".")[-1] for one in other_info.signals] == [
            one.name for one in info.signals
        ]
        assert [one.changes for one in other_info.signals] == [one.changes for one in info.signals]
        assert abs(info.duration_ps - other_info.duration_ps) < 100
        assert other_info.sample_rate_hz == info.sample_rate_hz
        assert info.complete
        assert other_info.complete


@dump_collection
@sigrok_cli
@sigrok
@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize(
    "form", ["vcd", "csv", "csv:label=channel", "csv:dedup=true:time=true", "csv:trigger=true"]
)
def test_what_sigrok_writes_now_is_read(tmp_path: Path, name: str, form: str) -> None:
    path = tmp_path / f"now.{form[:3]}"
    command = ["sigrok-cli", "-i", str(DATA / f"{name}.sr"), "-O", form, "-o", str(path)]
    subprocess.run(command, check=True, capture_output=True, timeout=60)
    rows, _ = read(DATA / f"{name}.sr")
    found, info = read(path)
    if "dedup" in form:
        # It leaves out the last sample of a pair, and has times with their fractions cut off.
        assert len(found) <= len(rows)
        assert {row[1] for row in found} <= {row[1] for row in rows}
        assert info.signals[0].name
    else:
        assert [row[1:] for row in found] == [row[1:] for row in rows]


@sigrok_cli
@sigrok
@pytest.mark.parametrize("make", [VcdWriter, CsvWriter])
def test_sigrok_opens_what_we_write(
    tmp_path: Path, make: type[VcdWriter] | type[CsvWriter]
) -> None:
    rows = [(n * 100_000, n * 7 % 32, 0) for n in range(50)]
    rows = [row for at, row in enumerate(rows) if not at or rows[at - 1][1] != row[1]]
    names = ["clk", "d0", "d1", "d2", "d3"]
    path = tmp_path / "ours"
    with path.open("wb") as stream:
        writer = (
            VcdWriter(stream, wires=names, tick_ps=100_000)
            if make is VcdWriter
            else CsvWriter(stream, wires=names)
        )
        writer.write(batch_of(rows))
        writer.close(stop_ps=50 * 100_000)
    form = "vcd" if make is VcdWriter else "csv:header=yes:samplerate=10000000:column_formats=t,5l"
    command = ["sigrok-cli", "-I", form, "-i", str(path), "-O", "csv:header=false:label=off"]
    done = subprocess.run(command, check=True, capture_output=True, text=True, timeout=60)
    assert not done.stderr
    lines = [line for line in done.stdout.splitlines() if line[:1] in ("0", "1")]
    found = [sum(int(cell) << n for n, cell in enumerate(line.split(","))) for line in lines]
    if make is VcdWriter:
        assert found == [n * 7 % 32 for n in range(50)]
    else:
        # As CSV it takes each row for a sample.
        assert found == [row[1] for row in rows] + [rows[-1][1]]


@st.composite
def captures(draw: st.DrawFn) -> list[Row]:
    """Draw rows of four wires, which change at every row."""
    rows: list[Row] = []
    time = draw(st.integers(0, 10**6))
    for _ in range(draw(st.integers(1, 25))):
        unknown = draw(st.sampled_from((0, 0, 0, 1, 8)))
        state = (draw(st.integers(0, 15)) & ~unknown, unknown)
        if not rows or rows[-1][1:] != state:
            rows.append((time, *state))
        time += draw(st.integers(1, 10**7))
    return rows


def written(rows: list[Row], path: Path) -> Times:
    """Write with busplay; return what other readers must find."""
    with path.open("wb") as stream:
        writer = VcdWriter(stream, wires=["clk", "d0", "d1", "d2"], texts=["frame"])
        times = np.array([row[0] for row in rows[:3]], np.uint64)
        texts = TextBatch(times, np.zeros(len(times), np.int64), ["a b", "c", "d"][: len(times)])
        writer.write(batch_of(rows), texts)
        writer.close(stop_ps=rows[-1][0] + 5)
    return {name.split(".")[-1]: changes for name, changes in wires_of(path).items()}


@standard
@pyvcd
@settings(max_examples=30, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(rows=captures())
def test_pyvcd_reads_every_change_that_we_write(tmp_path: Path, rows: list[Row]) -> None:
    reader = pytest.importorskip("vcd.reader", reason="pyvcd is not installed")
    path = tmp_path / "ours.vcd"
    wanted = written(rows, path)
    names: dict[str, str] = {}
    found: Times = {}
    texts: list[str] = []
    time = 0
    with path.open("rb") as stream:
        for token in reader.tokenize(stream):
            if token.kind is reader.TokenKind.VAR:
                names[token.var.id_code] = token.var.reference
                found[token.var.reference] = []
            elif token.kind is reader.TokenKind.CHANGE_TIME:
                time = token.time_change
            elif token.kind is reader.TokenKind.CHANGE_SCALAR:
                change = token.scalar_change
                found[names[change.id_code]].append((time, change.value))
            elif token.kind is reader.TokenKind.CHANGE_STRING:
                texts.append(token.string_change.value)
    assert {name: found[name] for name in wanted} == wanted
    assert texts == ["a\\x20b", "c", "d"][: len(rows)]


@standard
@pywellen
@settings(max_examples=30, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(rows=captures())
def test_pywellen_reads_every_change_that_we_write(tmp_path: Path, rows: list[Row]) -> None:
    library = pytest.importorskip("pywellen", reason="pywellen is not installed")
    path = tmp_path / "ours.vcd"
    wanted = written(rows, path)
    found = {one.name: one.tv for one in library.Waveform(str(path)).all_vars()}
    for name, changes in wanted.items():
        assert [(int(time), str(value)) for time, value in found[name]] == changes


@standard
@vcdvcd
@settings(max_examples=20, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(rows=captures())
def test_vcdvcd_reads_every_change_that_we_write(tmp_path: Path, rows: list[Row]) -> None:
    library = pytest.importorskip("vcdvcd", reason="vcdvcd is not installed")
    path = tmp_path / "ours.vcd"
    wanted = written(rows, path)
    dump = library.VCDVCD(str(path))
    assert {name: dump[f"link.{name}"].tv for name in wanted} == wanted


@standard
@pyvcd
@pywellen
@settings(max_examples=50, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_we_read_every_change_that_pyvcd_writes(tmp_path: Path, data: st.DataObject) -> None:
    writing = pytest.importorskip("vcd", reason="pyvcd is not installed")
    library = pytest.importorskip("pywellen", reason="pywellen is not installed")
    stream = io.StringIO()
    timescale = data.draw(st.sampled_from(("1 ps", "10 ns", "100 fs", "1 us")))
    sizes = data.draw(
        st.lists(st.sampled_from((1, 1, 2, 8, 20)), min_size=1, max_size=6).filter(
            lambda sizes: sum(sizes) <= 64
        )
    )
    start = data.draw(st.integers(0, 50))
    with writing.VCDWriter(stream, timescale=timescale, init_timestamp=start) as writer:
        variables = [
            writer.register_var(f"top.part{n % 2}", f"v{n}", "wire", size=size, init="x")
            for n, size in enumerate(sizes)
        ]
        writer.register_var("top", "level", "real", init=1.5)
        writer.register_var("top", "word", "string", init="a b")
        time = start
        for _ in range(data.draw(st.integers(0, 20))):
            time += data.draw(st.sampled_from((0, 1, 10, 12_340)))
            n = data.draw(st.integers(0, len(sizes) - 1))
            text = data.draw(st.text("01xz", min_size=sizes[n], max_size=sizes[n]))
            writer.change(variables[n], time, text)
    path = tmp_path / "theirs.vcd"
    path.write_text(stream.getvalue())
    number, unit = timescale.split()
    tick_fs = int(number) * {"fs": 1, "ps": 1000, "ns": 10**6, "us": 10**9}[unit]
    wanted: Times = {}
    for variable in library.Waveform(str(path)).all_vars():
        if variable.var_type != "Wire":
            continue
        for bit in range(variable.bitwidth):
            changes = [
                (int(time) * tick_fs // 1000, digits(value, variable.bitwidth)[-1 - bit])
                for time, value in variable.tv
            ]
            name = variable.full_name + (f"[{bit}]" if variable.bitwidth > 1 else "")
            wanted[name] = settled(changes, 0)
    assert wires_of(path) == wanted


def read_by_us(path: Path, name: str) -> list[tuple[int, str]]:
    """Read one variable with busplay: times in ps and all its digits."""
    with open_capture(path, signals=[name]) as capture:
        count = len(capture.signals)
        rows = rows_of(capture.batches())
    found: list[tuple[int, str]] = []
    for time, level, unknown in rows:
        bits = ["x" if unknown >> n & 1 else str(level >> n & 1) for n in range(count)]
        found.append((time, "".join(reversed(bits))))
    return found


def settled_digits(changes: list[tuple[int, str]]) -> list[tuple[int, str]]:
    """Keep the last value of each time, and only what differs; z is x, and so is the start."""
    last = {time: value.lower().replace("z", "x") for time, value in changes}
    rows = sorted(last.items())
    rows = [row for at, row in enumerate(rows) if not at or rows[at - 1][1] != row[1]]
    return rows[1:] if rows and set(rows[0][1]) == {"x"} else rows


@standard
@pywellen
@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(text=dumps(plain=True))
def test_pywellen_and_we_agree_on_any_dump(tmp_path: Path, text: str) -> None:
    library = pytest.importorskip("pywellen", reason="pywellen is not installed")
    path = tmp_path / "one.vcd"
    path.write_text(text, newline="")
    number, unit = re.search(r"timescale (\d+) ?(..)", text).groups()  # type: ignore[union-attr]
    tick_ps = int(number) * {"ns": 1000, "us": 10**6, "ms": 10**9}[unit]
    for one in library.Waveform(str(path)).all_vars():
        if one.is_real or one.is_string:
            continue
        theirs = [(int(time) * tick_ps, digits(value, one.bitwidth)) for time, value in one.tv]
        ours = read_by_us(path, one.full_name)
        assert settled_digits(ours) == settled_digits(theirs), one.full_name


@standard
@pyvcd
@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(text=dumps(plain=True))
def test_pyvcd_and_we_agree_on_any_dump(tmp_path: Path, text: str) -> None:
    reader = pytest.importorskip("vcd.reader", reason="pyvcd is not installed")
    path = tmp_path / "one.vcd"
    path.write_text(text.replace("244", "100"), newline="")
    kinds = reader.TokenKind
    changes: dict[str, list[tuple[int, str]]] = {}
    sizes: dict[str, int] = {}
    names: dict[str, str] = {}
    scopes: list[str] = []
    time = tick_ps = 0
    with path.open("rb") as stream:
        for token in reader.tokenize(stream):
            if token.kind is kinds.TIMESCALE:
                scale = token.timescale
                unit_ps = {"n": 1000, "u": 10**6, "m": 10**9}[scale.unit.value[0]]
                tick_ps = int(scale.magnitude) * unit_ps
            elif token.kind is kinds.SCOPE:
                scopes.append(token.scope.ident)
            elif token.kind is kinds.UPSCOPE:
                scopes.pop()
            elif token.kind is kinds.VAR and token.var.type_.value not in ("real", "string"):
                code = token.var.id_code
                names.setdefault(code, ".".join([*scopes, token.var.ref_str]))
                sizes[code] = token.var.size
            elif token.kind is kinds.CHANGE_TIME:
                time = token.time_change
            elif token.kind is kinds.CHANGE_SCALAR:
                one = token.scalar_change
                changes.setdefault(one.id_code, []).append((time * tick_ps, one.value))
            elif token.kind is kinds.CHANGE_VECTOR:
                one = token.vector_change
                value = f"{one.value:b}" if isinstance(one.value, int) else one.value
                changes.setdefault(one.id_code, []).append((time * tick_ps, value))
    for code, name in names.items():
        width = sizes[code]
        theirs = [
            (when, value.rjust(width, value[0].lower() if value[0] in "xXzZ" else "0")[-width:])
            for when, value in changes.get(code, [])
        ]
        assert settled_digits(read_by_us(path, name)) == settled_digits(theirs), name


@standard
@vcdvcd
@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(text=dumps(plain=True))
def test_vcdvcd_and_we_agree_on_any_dump(tmp_path: Path, text: str) -> None:
    library = pytest.importorskip("vcdvcd", reason="vcdvcd is not installed")
    path = tmp_path / "one.vcd"
    path.write_text(text, newline="")
    try:
        dump = library.VCDVCD(str(path))
    except Exception:
        # It refuses 244 ns and texts without letters.
        return
    _, info = read(path)
    counts = {one.name: one.changes for one in info.signals}
    for name in dump.references_to_ids:
        if dump[name].var_type in ("real", "string"):
            continue
        assert len(dump[name].tv) == counts[name.replace(" ", "")]


@standard
@pytest.mark.parametrize(
    ("digits", "value"),
    [("10", "0010"), ("x0", "xxx0"), ("z1", "zzz1"), ("0", "0000"), ("1", "0001"), ("z", "zzzz")],
)
def test_shorter_vector_is_widened_on_the_left(tmp_path: Path, digits: str, value: str) -> None:
    # Clause 18.2.1: 0 and 1 are extended with 0, x with x, z with z.
    path = tmp_path / "one.vcd"
    path.write_text(
        f"$var wire 4 ! v [3:0] $end $enddefinitions $end\n#0\nb{digits} !\n#1\nb{value} !\n"
    )
    assert len(read(path)[0]) == 1
