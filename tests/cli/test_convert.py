"""`busplay convert`, as it is called: each form and back, what is said, what is refused."""

from __future__ import annotations

import gzip
from pathlib import Path

import numpy as np
import pytest
import zstandard

from busplay.batch import FrameBatch
from busplay.link.layout import FrameLayout
from busplay.link.load import load_board
from busplay.trace.header import TraceHeader
from tests.capture.captures import frames_on_grid
from tests.cli.conftest import Busplay
from tests.trace.cases import pairs_in, write_trace

DUNLIN = load_board("dunlin")
LAYOUT = FrameLayout(DUNLIN.link)
FRAMES = frames_on_grid(LAYOUT, 200, np.random.default_rng(1))
SAMPLED = ("--out-rate", "1MHz")


@pytest.fixture
def trace(tmp_path: Path) -> Path:
    path = tmp_path / "a.trace"
    write_trace(path, FRAMES, TraceHeader(link=DUNLIN.link, board=DUNLIN))
    return path


@pytest.mark.parametrize(
    ("name", "out", "back"),
    [
        ("a.vcd", (), ()),
        ("a.vcd", ("--no-texts",), ()),
        ("a.csv", (), ("--link", "guarded")),
        ("a.csv", (), ("--board", "dunlin")),
        ("a.csv", ("--as", "wires"), ("--link", "guarded")),
        ("a.pcapng", (), ()),
        ("b.trace", (), ()),
        ("a.vcd", ("--out-rate", "100MHz"), ("--board", "dunlin")),
        ("a.csv", ("--out-rate", "100MHz"), ("--board", "dunlin")),
        ("a.sr", ("--out-rate", "100MHz"), ("--board", "dunlin")),
        (
            "a.bin",
            ("--out-rate", "100MHz"),
            ("--board", "dunlin", "--in-rate", "100MHz", "--in-bits", "0-5",
             "--map", "clock=D0,lane0=D1,lane1=D2,lane2=D3,lane3=D4,lane4=D5"),
        ),
    ],
)  # fmt: skip
def test_every_form_leads_back_to_the_same_frames(
    busplay: Busplay, trace: Path, name: str, out: tuple[str, ...], back: tuple[str, ...]
) -> None:
    between, again = trace.with_name(name), trace.with_name("again.trace")
    assert busplay("convert", trace, between, *out).status == 0
    outcome = busplay("convert", between, again, *back)
    assert outcome.status == 0, outcome.err
    assert pairs_in(again) == pairs_in(trace)


def test_injected_faults_are_listed_and_their_map_leads_back(busplay: Busplay, trace: Path) -> None:
    capture, again = trace.with_name("a.sr"), trace.with_name("again.trace")
    words = ("--out-rate", "100MHz", "--swap", "lane0=lane3", "--invert", "lane2", "--seed", 9)
    injected = busplay("convert", trace, capture, *words, "--json").figures["injected"]
    assert injected["map"] == (
        "clock=clock,lane0=lane3,lane1=lane1,lane2=!lane2,lane3=lane0,lane4=lane4"
    )
    assert (injected["glitches"], injected["samples_lost"], injected["loss_places"]) == (0, 0, [])
    assert injected["seed"] == 9
    outcome = busplay("convert", capture, again, "--board", "dunlin", "--map", injected["map"])
    assert outcome.status == 0
    assert pairs_in(again) == pairs_in(trace)


@pytest.mark.parametrize("suffix", [".vcd", ".csv", ".sr", ".bin"])
def test_same_seed_gives_the_same_bytes(busplay: Busplay, trace: Path, suffix: str) -> None:
    contents = []
    for number, seed in enumerate((5, 5, 6)):
        target = trace.with_name(f"{number}{suffix}")
        words = ("--jitter", "2ns", "--glitch-ppm", 500, "--lost-every", 3000)
        busplay("convert", trace, target, "--out-rate", "48MHz", *words, "--seed", seed)
        contents.append(target.read_bytes())
    assert contents[0] == contents[1] != contents[2]


def test_what_is_read_is_never_written_over(busplay: Busplay, trace: Path) -> None:
    before = trace.read_bytes()
    outcome = busplay("convert", trace, trace.parent / "." / "a.trace")
    assert outcome.status == 2
    assert outcome.err == (
        f"busplay: OUT: found {trace}, the file of IN; give another file, so that nothing is lost\n"
    )
    assert trace.read_bytes() == before


@pytest.mark.parametrize("target_name", ["old.trace", "old.vcd", "old.pcapng"])
def test_a_conversion_that_fails_leaves_what_was_there_and_nothing_else(
    busplay: Busplay, trace: Path, target_name: str
) -> None:
    dump = trace.with_name("a.vcd")
    busplay("convert", trace, dump)
    dump.write_bytes(dump.read_bytes() + b"#1\n")
    target = trace.with_name(target_name)
    target.write_bytes(b"precious")
    outcome = busplay("convert", dump, target)
    assert outcome.status == 2
    assert "time never goes back" in outcome.err
    assert target.read_bytes() == b"precious"
    assert sorted(one.name for one in trace.parent.iterdir()) == sorted(
        ["a.trace", "a.vcd", target_name]
    )
    kept = busplay("convert", dump, target, "--keep-going")
    assert kept.status == 1
    assert "  the capture ends early: " in kept.out


def test_capture_cut_off_is_reported(busplay: Busplay, trace: Path) -> None:
    dump = trace.with_name("a.vcd")
    busplay("convert", trace, dump)
    dump.write_bytes(dump.read_bytes()[:-200].rpartition(b"\n")[0] + b"\n1")
    outcome = busplay("convert", dump, trace.with_name("b.trace"))
    assert outcome.status == 1
    assert outcome.out.endswith(
        "  the capture ends early: it ends in the middle of a word: the file was cut off\n"
    )


def test_trace_cut_off_is_reported(busplay: Busplay, trace: Path) -> None:
    trace.write_bytes(trace.read_bytes()[:-1])
    for name in ("frames.csv", "again.trace"):
        outcome = busplay("convert", trace, trace.with_name(name))
        assert outcome.status == 1
        assert "the trace is cut: chunk " in outcome.out + outcome.err


def test_part_of_a_capture_is_converted(busplay: Busplay, trace: Path) -> None:
    dump, again = trace.with_name("a.vcd"), trace.with_name("again.trace")
    busplay("convert", trace, dump)
    assert busplay("convert", dump, again, "--from", "20us", "--to", "60us").status == 0
    words = [word for _, word in pairs_in(again)]
    whole = [word for _, word in pairs_in(trace)]
    assert 10 < len(words) < len(whole)
    first = next(n for n in range(len(whole)) if whole[n : n + len(words)] == words)
    assert first > 0


def test_what_a_format_does_not_hold_must_be_given(busplay: Busplay, tmp_path: Path) -> None:
    path = tmp_path / "a.trace"
    write_trace(path, FRAMES, TraceHeader(link=DUNLIN.link))
    rows, stores = tmp_path / "a.csv", tmp_path / "a.stores"
    assert busplay("convert", path, rows).status == 0
    assert busplay("convert", rows, tmp_path / "b.trace").err == (
        f"busplay: {rows}: found nothing that names its link; give --link LINK, or --board BOARD\n"
    )
    assert busplay("convert", path, stores).err == (
        f"busplay: {path}: found a trace without a board; a board's windows give the"
        " addresses of stores, so give --board\n"
    )
    for name in ("a.vcd", "a.pcapng"):
        assert busplay("convert", path, tmp_path / name).err == (
            f"busplay: {path}: found a link on the processor's clock, and no board that states it;"
            " give --board, or the clock with --clock-rate\n"
        )
        assert busplay("convert", path, tmp_path / name, "--clock-rate", "8MHz").status == 0


def test_wires_that_nothing_names_point_to_the_command_that_finds_them(
    busplay: Busplay, trace: Path
) -> None:
    raw = trace.with_name("a.bin")
    busplay("convert", trace, raw, "--out-rate", "100MHz")
    words = ("--in-rate", "100MHz", "--in-bits", "0-5", "--link", "guarded")
    outcome = busplay("convert", raw, trace.with_name("b.trace"), *words)
    assert "none of which is named as clock; say which is which (--map clock=D" in outcome.err
    assert outcome.err.endswith("), or let busplay decode --find-map try\n")


@pytest.mark.parametrize("suffix", [".gz", ".zst"])
@pytest.mark.parametrize("name", ["a.vcd", "a.csv", "a.pcapng"])
def test_compressed_forms_come_back_as_such(
    busplay: Busplay, trace: Path, name: str, suffix: str
) -> None:
    plain, packed = trace.with_name(name), trace.with_name(name + suffix)
    busplay("convert", trace, plain)
    pack = gzip.compress if suffix == ".gz" else zstandard.compress
    packed.write_bytes(pack(plain.read_bytes()))
    link = ("--link", "guarded") if name == "a.csv" else ()
    assert busplay("convert", packed, trace.with_name("b.trace"), *link).status == 0
    assert pairs_in(trace.with_name("b.trace")) == pairs_in(trace)
    packed.write_bytes(packed.read_bytes()[:-9])
    outcome = busplay("convert", packed, trace.with_name("c.trace"), *link)
    assert outcome.status in (1, 2)
    assert "the file was cut off" in outcome.out + outcome.err


def test_lanes_may_come_early_as_well_as_late(busplay: Busplay, trace: Path) -> None:
    capture, again = trace.with_name("a.sr"), trace.with_name("again.trace")
    words = ("--out-rate", "200MHz", "--skew", "lane0=-12ns", "--skew", "lane3=9ns")
    assert busplay("convert", trace, capture, *words).status == 0
    assert busplay("convert", capture, again, "--board", "dunlin").status == 0
    assert pairs_in(again) == pairs_in(trace)


@pytest.mark.parametrize(
    ("name", "out", "back"),
    [
        ("a.vcd", (), ()),
        ("a.csv", (), ("--link", "guarded")),
        ("a.csv", ("--as", "stores"), ("--board", "dunlin")),
        ("a.stores", (), ("--board", "dunlin")),
        ("a.pcapng", (), ()),
        ("a.sr", ("--out-rate", "100MHz"), ("--link", "guarded")),
    ],
)
def test_trace_without_frames_is_one_in_every_form(
    busplay: Busplay, tmp_path: Path, name: str, out: tuple[str, ...], back: tuple[str, ...]
) -> None:
    path = tmp_path / "a.trace"
    header = TraceHeader(link=DUNLIN.link, board=DUNLIN)
    write_trace(path, FrameBatch.empty(), header, stop_edge=800)
    assert busplay("convert", path, tmp_path / name, *out).status == 0
    outcome = busplay("convert", tmp_path / name, tmp_path / "b.trace", *back)
    assert outcome.status == 0, outcome.err
    assert pairs_in(tmp_path / "b.trace") == []
