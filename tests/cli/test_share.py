"""`busplay share`, as it is called."""

from __future__ import annotations

from pathlib import Path

import pytest

from busplay.link.load import load_link
from busplay.player.marks import Marks
from busplay.trace.header import TraceHeader
from busplay.trace.reader import TraceReader
from tests.cli.conftest import Busplay
from tests.export.films import flashing_panel, moving, record, slow_receiver, small_board
from tests.trace.cases import joined, write_trace


@pytest.fixture
def trace(tmp_path: Path) -> Path:
    return record(tmp_path / "a.trace", small_board(60), moving(200_000))


def test_what_is_in_the_page_is_said(busplay: Busplay, trace: Path) -> None:
    Marks.beside(trace).add(1000, "here")
    target = trace.with_name("a.html")
    outcome = busplay("share", trace, "-o", target)
    assert (outcome.status, outcome.err) == (0, "")
    assert outcome.out == (
        f"{target}: 201 frames, 0.200 s\n"
        f"  {target.stat().st_size:,} bytes, with the trace of {trace.stat().st_size:,} bytes,"
        " 1 mark\n"
        "  instructions are not in it: no program is recorded with the trace\n"
    )


def test_frames_not_shown_and_flashes_are_said(busplay: Busplay, tmp_path: Path) -> None:
    outcome = busplay("share", slow_receiver(tmp_path), "-o", tmp_path / "a.html")
    assert outcome.out.splitlines()[0].endswith(" s; 175 frames did not reach a unit")
    path = record(tmp_path / "f.trace", small_board(60), flashing_panel())
    outcome = busplay("share", path, "-o", tmp_path / "f.html")
    lines = outcome.out.splitlines()
    assert lines[3].startswith("  caution: 4 flashes a second from ")
    assert lines[5:] == [
        "  No medical test: pictures below these thresholds can harm people, too.",
        "  The page starts paused.",
    ]
    # A field of 10 degrees is larger on a screen of more pixels than the picture can fill.
    outcome = busplay("share", path, "-o", tmp_path / "g.html", "--screen", "32768x300")
    assert "caution" not in outcome.out


def test_a_cut_trace_is_said(busplay: Busplay, trace: Path) -> None:
    trace.write_bytes(trace.read_bytes()[:-1])
    outcome = busplay("share", trace, "-o", trace.with_name("a.html"))
    assert outcome.status == 0
    assert outcome.out.splitlines()[2].startswith("  the trace is cut: chunk ")


def test_figures_of_a_page(busplay: Busplay, trace: Path) -> None:
    target = trace.with_name("a.html")
    figures = busplay("share", trace, "-o", target, "--json").figures
    assert figures["flashes"]["general"] == []
    del figures["flashes"]
    assert figures == {
        "file": str(target),
        "page_bytes": target.stat().st_size,
        "trace_bytes": trace.stat().st_size,
        "frames": 201,
        "frames_not_shown": 0,
        "duration_s": 0.199501,
        "marks": 0,
        "instructions": 0,
        "origins_unknown": "no program is recorded with the trace",
        "cut_reason": "",
    }


def test_trace_is_not_replaced_by_its_page(busplay: Busplay, trace: Path) -> None:
    content = trace.read_bytes()
    for name in (trace, trace.parent / "." / "a.trace"):
        outcome = busplay("share", trace, "-o", name)
        assert outcome.status == 2
        assert "the file of TRACE; give another file, so that nothing is lost" in outcome.err
    assert trace.read_bytes() == content


def test_what_is_no_trace_with_a_board_is_refused(busplay: Busplay, tmp_path: Path) -> None:
    target = tmp_path / "a.html"
    target.write_text("old")
    (tmp_path / "a.vcd").write_text("$end")
    missing = busplay("share", tmp_path / "no.trace", "-o", target)
    assert (missing.status, missing.out) == (2, "")
    assert missing.err.startswith(f"busplay: {tmp_path / 'no.trace'}: ")
    other = busplay("share", tmp_path / "a.vcd", "-o", target)
    assert other.status == 2
    assert other.err.startswith(f"busplay: {tmp_path / 'a.vcd'}: ")
    with TraceReader(record(tmp_path / "b.trace", small_board(60), moving(9_000))) as reader:
        write_trace(
            tmp_path / "bare.trace",
            joined(list(reader.chunks())),
            TraceHeader(link=load_link("guarded")),
        )
    bare = busplay("share", tmp_path / "bare.trace", "-o", target)
    assert (bare.status, bare.err) == (
        2,
        f"busplay: {tmp_path / 'bare.trace'}: found a trace without a board; record it with a"
        " board\n",
    )
    assert target.read_text() == "old"


def test_damaged_trace_makes_no_page(busplay: Busplay, trace: Path) -> None:
    content = bytearray(trace.read_bytes())
    content[len(content) // 2] ^= 0xFF
    trace.write_bytes(content)
    outcome = busplay("share", trace, "-o", trace.with_name("a.html"))
    assert outcome.status == 2
    assert outcome.err.startswith(f"busplay: {trace}: ")
    assert sorted(one.name for one in trace.parent.iterdir()) == ["a.trace"]


def test_page_needs_a_name(busplay: Busplay, trace: Path) -> None:
    outcome = busplay("share", trace)
    assert outcome.status == 2
    assert "Missing option '-o' / '--output'" in outcome.err
